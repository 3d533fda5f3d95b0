"""From the order of everything that happens to the times at which it happens.

An order of tasks (`printq.plan.schedule`) cannot say that a set-up is done before the set-up of a task which must be
recorded first. An order of events can: "the set-up of t begins" and "t begins to record" for every task.
"""

from __future__ import annotations

from collections.abc import Sequence

from printq.plan.problem import Problem
from printq.plan.schedule import Schedule, Slot

__all__ = ["Event", "events_of", "replay"]

Event = tuple[int, bool]
"""A task, and whether it begins to record (else its set-up begins)."""


def events_of(schedule: Schedule) -> list[Event]:
    """What happens in a schedule, by the clock; at one moment by the places of the tasks in it."""
    moments = []
    for place, slot in enumerate(schedule.slots):
        moments.append((slot.set_up_start, place, False, slot.task))
        moments.append((slot.start, place, True, slot.task))
    return [(task, records) for _, _, records, task in sorted(moments)]


def replay(problem: Problem, events: Sequence[Event]) -> Schedule:
    """Let every event happen as early as those before it in the order allow.

    An event that cannot be next (a set-up while another task holds the unit, a recording before its set-up or before
    what it needs) waits until it can; an order in which nothing has to wait is kept as it is.

    Raises
    ------
    ValueError
        The order comes to a standstill: it leaves a task out, or two tasks wait for one another.
    """
    clock = _Clock(problem)
    waiting = list(events)
    while waiting:
        following = next((event for event in waiting if clock.may_happen(event)), None)
        if following is None:
            raise ValueError("no event of the order can happen next")
        waiting.remove(following)
        clock.happen(following)
    return Schedule(tuple(clock.slots))


class _Clock:
    def __init__(self, problem: Problem) -> None:
        count = len(problem.tasks)
        self._problem = problem
        self._holder: list[int | None] = [None] * problem.unit_count
        self._last: list[int | None] = [None] * problem.unit_count
        self._free = [0.0] * problem.unit_count
        self._hands_free = 0.0
        self._all_ended = 0.0
        """When everything that has begun to record has ended."""
        self._set_up: list[Slot | None] = [None] * count
        self._ends: list[float | None] = [None] * count
        self.slots: list[Slot] = []

    def may_happen(self, event: Event) -> bool:
        task, records = event
        given = self._problem.tasks[task]
        if records:
            return self._set_up[task] is not None and all(self._ends[need] is not None for need in given.needs)
        return all(self._holder[unit] is None for unit in given.units)

    def happen(self, event: Event) -> None:
        task, records = event
        if records:
            self._record(task)
        else:
            self._begin_set_up(task)

    def _begin_set_up(self, task: int) -> None:
        problem = self._problem
        units = problem.tasks[task].units
        hands = sum(problem.set_up(unit, self._last[unit], task) for unit in units)
        begin = max((self._free[unit] for unit in units), default=0.0)
        probe = 0.0
        if hands > 0.0:
            probe = problem.probe_s
            begin = max(begin, self._hands_free, 0.0 if problem.hands_during_passes else self._all_ended)
            self._hands_free = begin + hands
        for unit in units:
            self._holder[unit] = self._last[unit] = task
        ready = begin + hands + probe
        self._set_up[task] = Slot(task, begin, begin + hands, ready, ready, ready)

    def _record(self, task: int) -> None:
        problem, ready = self._problem, self._set_up[task]
        assert ready is not None
        given = problem.tasks[task]
        sources = max((self._ends[need] or 0.0 for need in given.needs), default=0.0)
        start = max(ready.probe_end, sources, 0.0 if problem.hands_during_passes else self._hands_free)
        end = start + given.duration
        self._ends[task] = end
        self._all_ended = max(self._all_ended, end)
        for unit in given.units:
            self._holder[unit] = None
            self._free[unit] = end
        self.slots.append(Slot(task, ready.set_up_start, ready.set_up_end, ready.probe_end, start, end))
