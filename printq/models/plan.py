"""The plan: when each pass is set up, starts and ends, and what the hands do before it."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from printq.models.base import Record
from printq.models.rig import Position

__all__ = ["Move", "Plan", "PlanEntry"]


class Move(Record):
    """One thing the hands do at a set-up."""

    unit: str
    control: str
    """Id of the control; `preset` for a stored preset, `patch` for re-plugging."""
    from_: Position | None = Field(default=None, alias="from", serialization_alias="from")
    """Where it stood before; None where that is not known."""
    to: Position | None = None
    seconds: float

    model_config = {"populate_by_name": True}


class PlanEntry(Record):
    """One pass in the plan; times in seconds from the start."""

    pass_id: str = Field(alias="pass", serialization_alias="pass")
    stem: str
    insert: str
    snapshot: str
    set_up_start_s: float
    set_up_end_s: float
    probe_end_s: float
    start_s: float
    end_s: float
    moves: tuple[Move, ...]

    model_config = {"populate_by_name": True}


class Plan(Record):
    """An order of passes that obeys the rack and one pair of hands."""

    makespan_s: float
    lower_bound_s: float
    """No plan can be shorter than this."""
    bound_by: Literal["arguments", "search"] = "arguments"
    """What proves that: loads of units, chains and handwork added up, or a search through all plans."""
    hands_on_s: float
    entries: tuple[PlanEntry, ...]
    """By start time."""
