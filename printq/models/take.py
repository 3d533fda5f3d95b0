"""One recording of a pass."""

from __future__ import annotations

from typing import Literal

from printq.models.base import Record
from printq.models.layout import PassLayout

__all__ = ["Confirmation", "TakeRecord"]


class Confirmation(Record):
    """Who said that the controls stand as the snapshot says, and when."""

    by: Literal["operator", "--yes", "preset", "nothing-moved"]
    at: str
    """ISO 8601, UTC."""
    note: str = ""


class TakeRecord(Record):
    """What the run knows about a take once it is safe on disk."""

    pass_id: str
    number: int
    """From 1, over all runs of the session."""
    file: str
    """Relative to the session folder, with `/`."""
    rate: int
    channels: int
    """Channels of the insert; a timing loop's return follows as one more channel of the file."""
    loop_channel: bool
    frames: int
    """Frames in the file."""
    layout: PassLayout
    recorded_at: str
    """ISO 8601, UTC: when the first frame was recorded."""
    glitches: int
    """Driver glitches and lost blocks during the take."""
    driver: str
    """`simulated` or `portaudio`."""
    device: str
    cold_units: tuple[str, ...] = ()
    """Units that had not been on for their `warm_up_min` when it began, as far as anybody said."""
    stream: str
    """Which start of the stream it was recorded in; delays are comparable within one."""
