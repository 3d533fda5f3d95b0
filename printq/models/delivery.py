"""What is delivered: how a take was lined up, the finished file, and the notes beside it."""

from __future__ import annotations

from typing import Literal

from printq.models.base import Record
from printq.models.job import Options
from printq.models.rig import Insert, Position
from printq.models.take import Confirmation
from printq.models.verdict import Check, Level, Loudness, Timing

__all__ = [
    "Acceptance",
    "PlayedSource",
    "RenderedPrint",
    "Sidecar",
    "SidecarUnit",
    "Trim",
]


class Trim(Record):
    """How far into the take the print begins."""

    frames: int
    """Whole samples of delay that are cut off."""
    fraction: float
    """The rest of the measured delay, in samples; interpolated only with `align = "subsample"` or a blend."""
    kept: bool
    """Taken over from an earlier take of the insert, so that its passes stay together."""


class RenderedPrint(Record):
    """A finished print in staging, before it has a name."""

    staged: str
    """Relative to the session folder, with `/`."""
    frames: int
    channels: int
    rate: int
    bit_depth: int
    dithered: bool
    clipped_samples: int
    """Samples that did not fit into the word length and were limited."""
    audio_sha256: str
    """Checksum of rate, channels and decoded samples; empty where only reading the print again tells."""
    missing_frames: int
    """Frames that the take is too short for; they are silence in the print."""


class Acceptance(Record):
    """A person's word that a held take is to be used."""

    why: str
    at: str
    by: str


class PlayedSource(Record):
    """What was played."""

    kind: Literal["file", "print", "sum"]
    files: tuple[str, ...]
    """Relative to the session folder, with `/`."""
    audio_sha256: str
    file_sha256: str | None
    frames: int
    channels: int
    time_reference: int | None
    level: Level
    loudness: Loudness


class SidecarUnit(Record):
    """One unit in the path, as it stood."""

    unit: str
    label: str
    serial: str | None
    settings: dict[str, Position]
    fixed: dict[str, Position]


class Sidecar(Record):
    """The notes beside a print: everything needed to do it again."""

    format: Literal["printq-sidecar/1"]
    program: str
    simulated: bool
    """Printed on the simulated rack: no analog hardware was involved."""
    pass_id: str
    print_file: str
    version: int
    title: str
    source: PlayedSource
    insert: Insert
    units: tuple[SidecarUnit, ...]
    snapshot: str
    snapshot_note: str
    send_db: float
    return_db: float
    blend: float
    options: Options
    interface: dict[str, str | int | float | None]
    confirmed: Confirmation
    recorded_at: str
    delivered_at: str
    take: int
    take_file: str
    timing: Timing
    trim: Trim
    rendered: RenderedPrint
    file_sha256: str
    checks: tuple[Check, ...]
    loudness: Loudness
    accepted: Acceptance | None
    reprint_notes: tuple[str, ...]
