"""Where a pass stands: its state, why, and what is known of it."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from printq.models.base import Record
from printq.models.verdict import Check

__all__ = ["PassState", "Standing"]

PassState = Literal["queued", "rolling", "taken", "printed", "held", "stale"]


class Standing(Record):
    """One pass in `printq status` and `printq run`."""

    pass_id: str = Field(alias="pass", serialization_alias="pass")
    state: PassState
    takes: int
    """Takes recorded so far, over all runs."""
    take_file: str | None
    """The newest take, relative to the session folder."""
    print_file: str | None = Field(alias="print", serialization_alias="print")
    """The newest print, relative to the session folder."""
    version: int | None
    reason: str
    """Why it stands where it stands, in words; empty where there is nothing to say."""
    latency_samples: float | None
    checks: tuple[Check, ...]

    model_config = {"populate_by_name": True}
