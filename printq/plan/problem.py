"""The planning problem without audio in it: tasks that hold units, set-ups by one pair of hands.

Times are seconds. Whoever solves it needs to know nothing else; whoever states it may state any problem of
this shape (a job shop is one without set-ups). It may begin in the middle of an evening: with units that are
busy for a while, hands that are not free yet, and tasks that stand dialled.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

__all__ = ["Problem", "Task"]


@dataclass(frozen=True)
class Task:
    """One pass."""

    name: str
    units: tuple[int, ...]
    """The units it holds from the start of its set-up to its end."""
    duration: float
    needs: tuple[int, ...] = ()
    """Tasks that must have ended before it starts; its set-up may be done before that."""
    not_before: float = 0.0
    """When it may start at the soonest: what it plays is being recorded or checked until then."""


@dataclass(frozen=True)
class Problem:
    """Tasks, and how long it takes to get from one to the next."""

    tasks: tuple[Task, ...]
    unit_count: int
    set_up: Callable[[int, int | None, int], float]
    """(unit, the task that this unit ran last or None, the next task) -> seconds of handwork on that unit.

    None stands for where the unit is at the start.
    """
    probe_s: float = 0.0
    """After a set-up that moves something the units are held this much longer, without the hands."""
    hands_during_passes: bool = True
    """Whether set-ups may be done while something records."""
    units_free: tuple[float, ...] = ()
    """When each unit is free, where something is recording already; empty: all of them at once."""
    hands_free: float = 0.0
    """When the hands are free."""
    settled: tuple[int, ...] = ()
    """Tasks that come before all others, in this order: they stand dialled, or the hands are at it. What they need is
    over, is settled before them, or is accounted for in `not_before`."""
    warm_at: tuple[float, ...] = ()
    """When each unit has warmed up; empty: all of them are warm."""
