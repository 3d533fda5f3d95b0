"""How long things took beside how long they were planned to take."""

from __future__ import annotations

from typing import Literal

from printq.models.base import Record
from printq.models.plan import Move

__all__ = ["DialTime", "Experience", "RunOutcome", "SetUpTime"]


class SetUpTime(Record):
    """A set-up that a person did: from the question to the answer."""

    pass_id: str
    moves: tuple[Move, ...]
    """As they were asked for, with the seconds that the rig file gave them."""
    took_s: float

    @property
    def planned_s(self) -> float:
        """Seconds by the rig file as it was."""
        return sum(move.seconds for move in self.moves)


class RunOutcome(Record):
    """A run beside its plan."""

    at: str
    """When it began: ISO 8601, UTC."""
    state: Literal["ended", "under way", "broken off"]
    """`broken off`: killed, or ended by an error."""
    simulated: bool
    """On the simulated rack, where takes roll faster than they would be heard."""
    planned_s: float
    """Length of the plan that it began with."""
    took_s: float | None
    """From that plan to the end of the run; null where it has none."""
    passes: int
    """How many it was to print."""
    printed: int | None
    """How many of those were printed at its end; null where it has none."""
    set_ups: int
    """Set-ups that a person did and that are counted here; presets and those that `--yes` took as done are not."""
    left_out: int
    """Set-ups of a person that are not counted, since they took much longer, or shorter, than any handwork would."""
    hands_planned_s: float | None
    """What the counted set-ups should have taken; null where there are none."""
    hands_took_s: float | None
    """What they took."""


class DialTime(Record):
    """A control whose `dial_s` in the rig file is far from what is measured."""

    unit: str
    control: str
    rig_s: float
    """Seconds by the rig file."""
    measured_s: float
    """Seconds by the set-ups of this session."""
    set_ups: int
    """How many moved it."""


class Experience(Record):
    """What is known of a session's times."""

    last_run: RunOutcome | None = None
    """The last run that had something to print."""
    dial_times: tuple[DialTime, ...] = ()
    """Controls for which another `dial_s` would plan closer; nothing is changed by itself."""
