"""A timetable: when each task of a problem is set up and runs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from printq.plan.numbers import Numbers
from printq.plan.problem import Problem
from printq.plan.timing import Timing, time_tasks

__all__ = ["Schedule", "Slot", "schedule_of", "time_order"]


@dataclass(frozen=True, slots=True)
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

    @property
    def order(self) -> list[int]:
        """An order of tasks from which `time_order` makes this timetable again, or a better one."""
        return [slot.task for slot in sorted(self.slots, key=lambda slot: (slot.set_up_start, slot.start, slot.end))]


def schedule_of(timing: Timing, probe: float) -> Schedule:
    """The timetable that a timing stands for."""
    slots = []
    for task in timing.order:
        begin, hands = timing.set_up_starts[task], timing.handwork[task]
        ready = begin + hands
        probed = ready + (probe if hands else 0.0)
        slots.append(Slot(task, begin, ready, probed, timing.starts[task], timing.ends[task]))
    return Schedule(tuple(slots))


def time_order(problem: Problem, order: Sequence[int]) -> Schedule:
    """The timetable of an order in which every task comes after all that it needs."""
    timing = time_tasks(Numbers(problem), order)
    assert timing is not None
    return schedule_of(timing, problem.probe_s)
