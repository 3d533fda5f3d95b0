"""What proves that an archive holds the mix: every print tied to what it was made from, and their sum to the mix."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from printq.models.base import Number, Record
from printq.models.null import Null

__all__ = ["LevelInMix", "MixProof", "PrintTie", "SummedPart", "Uncovered"]

MixVerdict = Literal["same", "explained", "in-part", "not-found", "not-compared"]
"""`same`: sample for sample, once rounded to the mix's word length; `explained`: what is left is no more than that
word length leaves; `in-part`: something else is in the mix, or was done to it; `not-found`: hardly anything of the
prints is in it; `not-compared`: they cannot be subtracted."""


class SummedPart(Record):
    """One file of the sum, as the job says."""

    stem: str
    file: str
    """Relative to the session folder, with `/`."""
    gain_db: Number = Field(ge=-120, le=60)
    pan: Number = Field(ge=-1, le=1)
    offset_frames: int
    """Where it starts in the sum."""


class LevelInMix(Record):
    """How much of one print is in the mix, against what the sum has of it."""

    stem: str
    gain_db: tuple[float | None, ...]
    """For each channel of the mix; None where nothing of it is in there."""
    polarity: tuple[int, ...]


class Uncovered(Record):
    """A stretch that only one of the two has."""

    of: Literal["mix", "prints"]
    start_s: float
    """From the first frame of the mix, or of the sum of the prints."""
    seconds: float
    peak_dbfs: float | None
    """Sample peak; None for silence."""


class MixProof(Record):
    """A mix held against what the prints come to."""

    mix: str
    """The file, as the archive names it."""
    frames: int
    rate: int
    channels: int
    encoding: str
    audio_sha256: str
    verdict: MixVerdict
    summary: str
    """The finding in words."""
    compared_with: str
    """`sum of the prints in STEM`, `sum of all stems` or `sum of what STEM was bounced from`; or a pass, whose print
    the mix is or comes nearest to."""
    parts: tuple[SummedPart, ...]
    """What was summed; one where it was a print."""
    frames_of_prints: int
    null: Null | None
    """The mix against that; None where they cannot be subtracted."""
    word_length_allows_db: float | None
    """The depth at which rounding to the mix's word length, without dither, ends the null."""
    differing_samples: int | None
    """Samples that are other than the prints' rounded to the mix's word length; None where level or place differ."""
    largest_difference_lsb: int | None
    """In steps of the mix's word length; None where level or place differ, and for floating point."""
    uncovered: tuple[Uncovered, ...]
    levels: tuple[LevelInMix, ...] = ()
    """Fitted print by print, where that explains far more; a mix at other fader positions."""
    levels_depth_db: float | None = None
    """How deep the null would be with these levels."""
    others: tuple[tuple[str, float | None], ...] = ()
    """What else the mix was held against, with the depth; None where nothing is left, or nothing was found."""


class PrintTie(Record):
    """A print, what its sidecar says, and what the files hold."""

    pass_id: str
    print_file: str
    """Relative to the session folder, with `/`; so are the others."""
    sidecar: str
    channels: int = Field(ge=1, le=2)
    """Of what was played."""
    frames: int
    played: tuple[SummedPart, ...]
    """One file, or those of a sum."""
    problems: tuple[str, ...]
    """In words; empty where print, sidecar and stem belong together."""
