"""The planning problem without audio in it: tasks that hold units, set-ups by one pair of hands.

Times are seconds. Whoever solves it needs to know nothing else; whoever states it may state any problem of
this shape (a job shop is one without set-ups).
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


@dataclass(frozen=True)
class Problem:
    """Tasks, and how long it takes to get from one to the next."""

    tasks: tuple[Task, ...]
    unit_count: int
    set_up: Callable[[int, int | None, int], float]
    """(unit, the task that this unit ran last or None, the next task) -> seconds of handwork on that unit.

    Asked very often: remember the answers where they take time to find.
    """
    probe_s: float = 0.0
    """After a set-up that moves something the units are held this much longer, without the hands."""
    hands_during_passes: bool = True
    """Whether set-ups may be done while something records."""
