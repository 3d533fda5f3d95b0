"""One pass in a run: how far it has come, and what is known of it."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import Enum
from typing import Any

from printq.files.stems import StemPart
from printq.models.delivery import Trim
from printq.models.passes import Pass
from printq.models.plan import PlanEntry
from printq.models.take import Confirmation, TakeRecord
from printq.models.verdict import SourceFacts, Timing
from printq.run import Flight

__all__ = ["Stage", "Work"]


class Stage(Enum):
    """How far a pass has come in this run."""

    WAITING = "waiting"
    ROLLING = "rolling"
    CHECKING = "checking"
    DONE = "done"
    HELD = "held"
    SKIPPED = "skipped"


ENDED = frozenset({Stage.DONE, Stage.HELD, Stage.SKIPPED})


@dataclass
class Work:
    """A pass of this run; the driver changes it as it goes on."""

    each: Pass
    planned: PlanEntry
    stage: Stage = Stage.WAITING
    examined: bool = False
    """Its sources are there and are being measured, or have been."""
    source: SourceFacts | None = None
    parts: list[StemPart] = field(default_factory=list)
    identity: dict[str, Any] = field(default_factory=dict)
    confirmed: Confirmation | None = None
    """Set while its units stand as it wants them."""
    quiet_since: int | None = None
    """Frame of the stream since which it waits for its return to fall silent."""
    blocked: bool = False
    """Another pass has a claim on what it needs."""
    flight: Flight | None = None
    record: TakeRecord | None = None
    timing: Timing | None = None
    trim: Trim | None = None
    tries: int = 0
    """Takes that failed by bad luck."""
    glitches: int = 0
    """Takes that failed by a driver glitch."""
    good: list[int] = field(default_factory=list)
    """Takes that passed their checks and wait to be compared with each other."""
    discarded: str | None = None
    """Why the take at hand is not to be used and another recorded, where that is so."""
    why: str = ""
    """Why it ended as it did."""

    @property
    def ended(self) -> bool:
        """Nothing more happens to it in this run."""
        return self.stage in ENDED

    def need_record(self) -> TakeRecord:
        """The newest take; there must be one."""
        assert self.record is not None
        return self.record

    def need_source(self) -> SourceFacts:
        """What its source was found to be; it must have been measured."""
        assert self.source is not None
        return self.source
