"""What stands out of a take, and the faults it makes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from printq.measure.cells import SILENT

__all__ = ["ABOVE_NEIGHBOURS", "Fault", "FaultKind", "Suspicion", "once"]

FaultKind = Literal["gap", "jump", "repeat", "tick"]

# Thresholds, in dB. In clean takes through equalisers and compressors the highest score of a minute is about -3: the
# rest of a cell is then 5 dB over its neighbours. A tick with ten times the energy of the noise in its millisecond is
# 12 to 15 dB over them.
ABOVE_NEIGHBOURS = 8.0
"""White noise has a cell this far over its neighbours once in 1e18 (chi square of 16 degrees of freedom)."""


@dataclass(frozen=True)
class Fault:
    """Something in the return that neither the stem nor the unit explains."""

    kind: FaultKind
    """gap: nothing comes back; jump: samples are lost; repeat: samples are heard twice; tick: anything brief."""
    channel: int
    start_frame: int
    length: int
    """Frames: of a gap, of what is lost or heard twice, 1 of a tick."""
    level_dbfs: float
    """Largest deviation, as the peak of an impulse that would be as strong."""
    rest: tuple[int, int] | None = None
    """Frames between which it is, where the stem rests and nothing tells the place."""


@dataclass(frozen=True)
class Suspicion:
    """A place that stands out."""

    channel: int
    start: int
    end: int
    kind: FaultKind
    level: float
    neighbours: float = SILENT
    share: float = SILENT
    raw: float = SILENT
    loudness: float = SILENT
    repeat: float = SILENT
    """Score as a longer repeat; all others are to be looked up when the take is known."""
    exact: bool = False
    """Whether start and end are right to the sample."""
    doubt: float = 0.0
    """How much more is asked of it because of what is around it; not of repeats and of what its shape betrays."""

    @property
    def strength(self) -> float:
        return max(self.neighbours - ABOVE_NEIGHBOURS, self.repeat)


def once(events: list[Suspicion], near: int) -> list[Fault]:
    """Faults, each once, however many channels and edges it has."""
    faults: list[Fault] = []
    group: list[Suspicion] = []
    for event in sorted(events, key=lambda event: event.start):
        if group and event.start > max(each.end for each in group) + near:
            faults.append(_together(group))
            group = []
        group.append(event)
    if group:
        faults.append(_together(group))
    return faults


def _together(group: list[Suspicion]) -> Fault:
    loudest = max(group, key=lambda event: event.level)
    # What else is there are its edges, seen less sharply.
    group = [event for event in group if event.exact] or group
    kinds = [event.kind for event in group if event.kind != "tick"]
    if not kinds:
        return Fault("tick", loudest.channel, loudest.start, 1, loudest.level)
    start = min(event.start for event in group)
    end = max(event.end for event in group)
    kind: FaultKind = "gap" if "gap" in kinds else kinds[0]
    return Fault(kind, loudest.channel, start, end - start, loudest.level)
