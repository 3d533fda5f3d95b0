"""From an order of tasks to a timetable that obeys every rule of the rack."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from printq.plan.problem import Problem

__all__ = ["Schedule", "Slot", "Timetable", "time_order"]


@dataclass(frozen=True)
class Slot:
    """When one task is set up and runs; seconds from the start."""

    task: int
    set_up_start: float
    set_up_end: float
    probe_end: float
    start: float
    end: float


@dataclass(frozen=True)
class Schedule:
    """A timetable."""

    slots: tuple[Slot, ...]
    """In the order in which they were placed."""

    @property
    def makespan(self) -> float:
        """When the last task ends."""
        return max((slot.end for slot in self.slots), default=0.0)

    @property
    def hands_on(self) -> float:
        """Seconds of handwork."""
        return sum(slot.set_up_end - slot.set_up_start for slot in self.slots)

    @property
    def interruptions(self) -> int:
        """How often the hands are called."""
        return sum(slot.set_up_end > slot.set_up_start for slot in self.slots)


class Timetable:
    """Places tasks one after the other, each as early as its units, the hands and its sources allow."""

    def __init__(self, problem: Problem) -> None:
        self._problem = problem
        self._unit_free = [0.0] * problem.unit_count
        self._unit_last: list[int | None] = [None] * problem.unit_count
        self._hands_free = 0.0
        self._ends: dict[int, float] = {}
        self._runs: list[tuple[float, float]] = []
        self.slots: list[Slot] = []

    def hands_needed(self, task: int) -> float:
        """Handwork that this task would need if it came next on its units."""
        return sum(self._problem.set_up(unit, self._unit_last[unit], task) for unit in self._problem.tasks[task].units)

    def try_task(self, task: int) -> Slot:
        """When the task would run if it came next; all it needs must have been placed."""
        given = self._problem.tasks[task]
        hands = self.hands_needed(task)
        units_free = max((self._unit_free[unit] for unit in given.units), default=0.0)
        sources = max((self._ends[need] for need in given.needs), default=0.0)
        begin = units_free
        probe = 0.0
        if hands > 0.0:
            begin = max(units_free, self._hands_free)
            probe = self._problem.probe_s
            if not self._problem.hands_during_passes:
                begin = self._after_recordings(begin, hands)
        set_up_end = begin + hands
        start = max(set_up_end + probe, sources)
        if not self._problem.hands_during_passes:
            start = self._after_set_ups(start, given.duration)
        return Slot(task, begin, set_up_end, set_up_end + probe, start, start + given.duration)

    def place(self, task: int) -> Slot:
        """Put the task next on its units."""
        slot = self.try_task(task)
        given = self._problem.tasks[task]
        for unit in given.units:
            self._unit_free[unit] = slot.end
            self._unit_last[unit] = task
        if slot.set_up_end > slot.set_up_start:
            self._hands_free = slot.set_up_end
        self._ends[task] = slot.end
        self._runs.append((slot.start, slot.end))
        self.slots.append(slot)
        return slot

    def _after_recordings(self, begin: float, length: float) -> float:
        """The first moment from `begin` on at which nothing records for `length` seconds."""
        for start, end in sorted(self._runs):
            if start < begin + length and end > begin:
                begin = end
        return begin

    def _after_set_ups(self, start: float, length: float) -> float:
        """The first moment from `start` on at which no set-up is under way for `length` seconds."""
        set_ups = sorted((s.set_up_start, s.set_up_end) for s in self.slots if s.set_up_end > s.set_up_start)
        for begin, end in set_ups:
            if begin < start + length and end > start:
                start = end
        return start


def time_order(problem: Problem, order: Sequence[int]) -> Schedule:
    """The timetable of an order in which every task comes after all that it needs."""
    timetable = Timetable(problem)
    for task in order:
        timetable.place(task)
    return Schedule(tuple(timetable.slots))
