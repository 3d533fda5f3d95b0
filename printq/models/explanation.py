"""Why a pass stands where it stands in a plan."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from printq.models.base import Record

__all__ = ["Cause", "CauseKind", "Explanation"]

CauseKind = Literal["start", "set-up", "probe", "source", "unit", "hands", "dialling", "recording", "nothing"]
"""`start`: the plan begins; `set-up`, `probe`: its own; `source`: what it plays; `unit`: a unit or channel is held;
`hands`: they are at work for another pass; `dialling`, `recording`: where hands rest during passes, nothing rolls
while they work, and they wait for what records; `nothing`: nothing holds it just then."""


class Cause(Record):
    """Why something begins no sooner than it does."""

    pass_id: str = Field(alias="pass", serialization_alias="pass")
    """The pass that waits."""
    event: Literal["set-up", "roll"]
    """What of it waits."""
    at_s: float
    """When it begins, from the start of the plan."""
    kind: CauseKind
    until_s: float
    """Until when this holds it; before `at_s` where nothing holds it just then."""
    because_of: str | None = None
    """The pass that it waits for, or whose set-up; None for itself and for the start."""
    units: tuple[str, ...] = ()
    """Units and channels that it waits for, or that are set up."""
    text: str
    """The same in words."""

    model_config = {"populate_by_name": True}


class Explanation(Record):
    """Why a pass starts when it does, back to the beginning."""

    pass_id: str = Field(alias="pass", serialization_alias="pass")
    start_s: float
    causes: tuple[Cause, ...]
    """Everything that holds it until it rolls; more than one where they end at the same moment."""
    chain: tuple[Cause, ...]
    """From its own start back to what nothing holds: each entry is the cause of the one before."""
    critical: bool
    """Whether the plan would end sooner, or might, if it did: it leads without a gap to the last pass."""
    sooner_s: float
    """By how much it could start sooner at most if what holds it, or holds its set-up, were done sooner."""
    sooner: str
    """What that would take, in words."""

    model_config = {"populate_by_name": True}
