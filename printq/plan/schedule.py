"""From an order of tasks to a timetable that obeys every rule of the rack."""

from __future__ import annotations

from bisect import bisect_right, insort
from collections.abc import Sequence
from dataclasses import dataclass

from printq.plan.problem import Problem

__all__ = ["Schedule", "Slot", "Timetable", "time_order"]


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


class Timetable:
    """Places tasks one after the other, each as early as its units, the hands and its sources allow.

    Where the hands must rest while something records, they work in stops: all set-ups of a stop come first, then
    everything rolls that they have made ready, and the next stop begins when the last of it has ended. A set-up
    that joins a stop pushes back whatever rolls after that stop.
    """

    def __init__(self, problem: Problem) -> None:
        self._problem = problem
        self._unit_free = [0.0] * problem.unit_count
        self._unit_last: list[int | None] = [None] * problem.unit_count
        self._hands_busy: list[tuple[float, float]] = []
        """When the hands are at work, by time."""
        self._ends = [0.0] * len(problem.tasks)
        self._roll_from = 0.0
        """When the set-ups of the present stop end; 0 for good where there are no stops."""
        self._since_stop: set[int] = set()
        """What rolls after the present stop."""
        self.slots: list[Slot] = []

    def copy(self) -> Timetable:
        """Another timetable that stands where this one does."""
        twin = Timetable.__new__(Timetable)
        twin._problem = self._problem
        twin._unit_free = self._unit_free.copy()
        twin._unit_last = self._unit_last.copy()
        twin._hands_busy = self._hands_busy.copy()
        twin._ends = self._ends.copy()
        twin._roll_from = self._roll_from
        twin._since_stop = self._since_stop.copy()
        twin.slots = self.slots.copy()
        return twin

    def hands_needed(self, task: int) -> float:
        """Handwork that this task would need if it came next on its units."""
        set_up, last = self._problem.set_up, self._unit_last
        return sum(set_up(unit, last[unit], task) for unit in self._problem.tasks[task].units)

    def try_task(self, task: int) -> Slot:
        """When the task would run if it came next; all it needs must have been placed."""
        given = self._problem.tasks[task]
        hands = self.hands_needed(task)
        begin = max((self._unit_free[unit] for unit in given.units), default=0.0)
        sources = max((self._ends[need] for need in given.needs), default=0.0)
        probe = 0.0
        if hands > 0.0:
            probe = self._problem.probe_s
            if self._problem.hands_during_passes:
                begin = self._free_hands(begin, hands)
            elif self._joins_stop(task):
                begin = self._roll_from
                sources += hands if self._since_stop.intersection(given.needs) else 0.0
            else:
                begin = self._last_end()
        set_up_end = begin + hands
        start = max(set_up_end + probe, sources, self._roll_from)
        return Slot(task, begin, set_up_end, set_up_end + probe, start, start + given.duration)

    def place(self, task: int) -> Slot:
        """Put the task next on its units."""
        slot = self.try_task(task)
        if slot.set_up_end > slot.set_up_start:
            if not self._problem.hands_during_passes:
                self._stop_for(slot)
            insort(self._hands_busy, (slot.set_up_start, slot.set_up_end))
        for unit in self._problem.tasks[task].units:
            self._unit_free[unit] = slot.end
            self._unit_last[unit] = task
        self._ends[task] = slot.end
        self._since_stop.add(task)
        self.slots.append(slot)
        return slot

    def _free_hands(self, begin: float, seconds: float) -> float:
        """The first moment from `begin` on at which the hands are free for so long."""
        first = bisect_right(self._hands_busy, begin, key=lambda busy: busy[1])
        for start, end in self._hands_busy[first:]:
            if begin + seconds <= start:
                break
            begin = end
        return begin

    def _joins_stop(self, task: int) -> bool:
        """Whether nothing has rolled on the task's units since the present stop."""
        return all(self._unit_last[unit] not in self._since_stop for unit in self._problem.tasks[task].units)

    def _last_end(self) -> float:
        return max((self._ends[task] for task in self._since_stop), default=self._roll_from)

    def _stop_for(self, slot: Slot) -> None:
        """Lengthen the present stop by a set-up, or begin the next one with it."""
        if not self._joins_stop(slot.task):
            self._since_stop = set()
        elif self._since_stop:
            self._push_back(slot.set_up_end - slot.set_up_start)
        self._roll_from = slot.set_up_end

    def _push_back(self, seconds: float) -> None:
        """Let everything that rolls after the present stop do so later."""
        for place, slot in enumerate(self.slots):
            if slot.task not in self._since_stop:
                continue
            # A set-up of no length waits for its units; the others are part of the stop and stay.
            wait = seconds if slot.set_up_start >= self._roll_from else 0.0
            later = Slot(
                slot.task,
                slot.set_up_start + wait,
                slot.set_up_end + wait,
                slot.probe_end + wait,
                slot.start + seconds,
                slot.end + seconds,
            )
            self.slots[place] = later
            self._ends[slot.task] = later.end
            for unit in self._problem.tasks[slot.task].units:
                self._unit_free[unit] = max(self._unit_free[unit], later.end)


def time_order(problem: Problem, order: Sequence[int]) -> Schedule:
    """The timetable of an order in which every task comes after all that it needs."""
    timetable = Timetable(problem)
    for task in order:
        timetable.place(task)
    return Schedule(tuple(timetable.slots))
