"""The resolved job: one validated record that every stage works from.

Intake makes it; files, rig, snapshots and limits have been cross-checked by then, and every id in it
exists. Paths are relative to the session folder, with `/`.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field

from printq.models.base import Record
from printq.models.job import Options
from printq.models.layout import PassLayout
from printq.models.limits import LimitOrOff
from printq.models.problem import Problem
from printq.models.rig import Insert, Rig, Unit
from printq.models.snapshots import Snapshot

__all__ = ["AudioFacts", "FileSource", "Job", "Pass", "PrintSource", "Source", "SumPart", "SumSource"]


class AudioFacts(Record):
    """What the header of an audio file says."""

    path: str
    """Relative to the session folder, with `/`."""
    rate: int
    """Hz."""
    channels: int
    frames: int
    encoding: str
    """Such as `PCM_24` or `FLOAT`."""
    time_reference: int | None
    """First sample since midnight, at the file's rate; None where the file carries none."""


class FileSource(Record):
    """The first pass of a stem plays its dry file."""

    kind: Literal["file"] = "file"
    path: str
    """Relative to the session folder, with `/`."""
    made_from: tuple[str, ...] = ()
    """Passes whose prints must be older than the file (it was bounced from them elsewhere)."""


class PrintSource(Record):
    """A later pass of a stem plays the print of the one before."""

    kind: Literal["print"] = "print"
    pass_id: str


class SumPart(Record):
    """One term of a sum: the last print of a stem, or its dry file where it takes no pass."""

    stem: str
    pass_id: str | None
    path: str | None
    """The dry file, where the stem takes no pass."""
    gain_db: float
    pan: float
    offset_frames: int
    """Where it starts in the sum."""
    channels: int
    frames: int


class SumSource(Record):
    """The first pass of a `sum_of` stem plays the sum of prints."""

    kind: Literal["sum"] = "sum"
    parts: tuple[SumPart, ...]


Source = Annotated[FileSource | PrintSource | SumSource, Field(discriminator="kind")]


class Pass(Record):
    """One stem going through one insert with one snapshot."""

    id: str
    """`stem/insert`, or `stem/insert#2` for the second time through the same insert."""
    stem: str
    insert: str
    snapshot: str
    place: int
    """Position among the stem's passes, from 0."""
    source: Source
    needs: tuple[str, ...]
    """Passes whose prints must be there before this one may start."""
    source_channels: int
    source_frames: int
    """Length of what is played; 0 where a bounced file is still missing."""
    time_reference: int | None
    """Where the source starts, in samples since midnight; the print carries it over."""
    rate: int
    channels: int
    """Channels of the insert and of the print."""
    send_db: float
    return_db: float
    blend: float
    limits: dict[str, LimitOrOff]
    """Resolved: one entry for every check that is made."""
    layout: PassLayout
    folder: str
    """Where the print goes, relative to the session folder, with `/`."""
    print_name: str
    """Name of the print without version and ending: `clarinet.solo`, `clarinet.solo.2`."""

    @property
    def print_frames(self) -> int:
        """Length of the print: the source and the tail, exactly."""
        return self.layout.material + self.layout.tail


class Job(Record):
    """A whole print job, resolved and validated."""

    session: Path
    """The session folder, absolute: where the job file lies."""
    job_file: str
    """Name of the job file in it."""
    rig_file: str
    """Path of the rig file, relative to the session folder where possible."""
    title: str
    rig: Rig
    options: Options
    snapshots: dict[str, Snapshot]
    """By id."""
    dry_files: dict[str, AudioFacts]
    """By stem id, for stems with a file that is there."""
    passes: tuple[Pass, ...]
    """In the order of the job; a pass comes after all that it needs."""
    cautions: tuple[Problem, ...] = ()
    """Findings that do not keep the job from running."""

    def find_pass(self, pass_id: str) -> Pass | None:
        """The pass of that id, or None."""
        return next((each for each in self.passes if each.id == pass_id), None)

    def insert_of(self, each: Pass) -> Insert:
        """The insert a pass goes through."""
        insert = self.rig.find_insert(each.insert)
        assert insert is not None, f"intake lets no pass through without its insert: {each.insert}"
        return insert

    def units_of(self, each: Pass) -> list[Unit]:
        """The units a pass goes through, in signal order."""
        return self.rig.units_of(self.insert_of(each))

    def resources_of(self, each: Pass) -> tuple[str, ...]:
        """What a pass holds for itself while it is set up and rolls: its units, and its channels of the interface.

        Channels count because two inserts may be patched to the same ones; unit ids hold no space.
        """
        insert = self.insert_of(each)
        return (
            *(unit.id for unit in self.rig.units_of(insert)),
            *(f"send {channel}" for channel in insert.sends),
            *(f"return {channel}" for channel in insert.returns),
        )

    def snapshot_of(self, each: Pass) -> Snapshot:
        """The snapshot a pass asks for."""
        return self.snapshots[each.snapshot]
