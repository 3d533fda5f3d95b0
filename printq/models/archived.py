"""What `printq archive` did: what is in the archive, what is not printed, and what the proof found."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from printq.models.base import Record
from printq.models.proof import MixProof, PrintTie
from printq.models.standing import PassState

__all__ = ["ArchiveReport", "NotPrinted", "SessionProof"]


class NotPrinted(Record):
    """A pass whose print is missing or out of date."""

    pass_id: str = Field(alias="pass", serialization_alias="pass")
    state: PassState
    reason: str

    model_config = {"populate_by_name": True}


class SessionProof(Record):
    """`sum-proof.json` among the notes of an archive."""

    format: Literal["printq-sum-proof/1"] = "printq-sum-proof/1"
    program: str
    at: str
    """ISO 8601, UTC."""
    session: str
    """Where the session lies in the payload; `.` where it is all of it."""
    prints: tuple[PrintTie, ...]
    mixes: tuple[MixProof, ...]
    not_printed: tuple[NotPrinted, ...]

    def summary(self) -> str:
        """One line for those who only read the label."""
        if not self.mixes:
            return "no mix was given"
        return " ".join(proof.summary for proof in self.mixes)


class ArchiveReport(Record):
    """What was written."""

    bag: str
    """Its path."""
    files: int
    """Of the payload."""
    bytes: int
    packed: int
    """Files stored as FLAC."""
    manifest_sha512: str
    """Of the payload manifest: one line that stands for everything in the bag."""
    prints: int
    as_is: bool
    """Something is not printed, or was changed: it is in the archive all the same, on the record."""
    problems: tuple[str, ...]
    """What `--as-is` let pass, and what is to be known besides."""
    proof: SessionProof
    left_behind: tuple[str, ...]
    """Files of the session folder that are not in the archive."""
