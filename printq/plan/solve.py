"""The planner: batch what shares insert and snapshot, keep free units busy.

A few dispatch rules build a schedule each, task by task. Those are improved, the best first, by moving single
tasks in their order as long as that helps and work is left; the best by length, then handwork, then
interruptions is taken. No chance is involved: the same problem gives the same schedule.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from printq.plan.chains import chains_from
from printq.plan.problem import Problem
from printq.plan.schedule import Schedule, Slot, Timetable

__all__ = ["solve"]

IMPROVEMENT_WORK = 100_000
"""Slots timed while improving: a bound that counts work, not seconds, so that every machine gives the same plan."""

Rule = Callable[[Slot, float, float, int], tuple[float, ...]]
"""(slot, hands, tail, place in the job) -> what to go by when choosing the next task: the least comes first."""


def solve(problem: Problem) -> Schedule:
    """A short schedule for the problem: every rule is kept, but shorter ones may exist.

    The needs of the tasks must not run in a circle. `printq.plan.bound.lower_bound` says how much shorter another
    schedule can be at most.
    """
    tails = chains_from(problem)
    candidates = sorted((_dispatch(problem, rule, tails) for rule in _RULES), key=_quality)
    improved = []
    work = IMPROVEMENT_WORK
    for candidate in candidates:
        # The best has all the work it can use: in long queues that finds more than a share for each.
        search = _Search(problem, candidate, tails, work)
        improved.append(search.run())
        work = search.work
    return min(improved, key=_quality)


def _quality(schedule: Schedule) -> tuple[float, float, int]:
    return (round(schedule.makespan, 6), round(schedule.hands_on, 6), schedule.interruptions)


def _soonest(slot: Slot, hands: float, tail: float, rank: int) -> tuple[float, ...]:
    return (slot.start, hands, -tail, rank)


def _batches(slot: Slot, hands: float, tail: float, rank: int) -> tuple[float, ...]:
    return (float(hands > 0.0), slot.start, hands, -tail, rank)


def _longest_tail(slot: Slot, hands: float, tail: float, rank: int) -> tuple[float, ...]:
    return (slot.start - tail, hands, rank)


def _hands_first(slot: Slot, hands: float, tail: float, rank: int) -> tuple[float, ...]:
    return (slot.set_up_start, slot.start, -tail, hands, rank)


_RULES: tuple[Rule, ...] = (_soonest, _batches, _longest_tail, _hands_first)


def _dispatch(problem: Problem, rule: Rule, tails: Sequence[float]) -> Schedule:
    timetable = Timetable(problem)
    left = list(range(len(problem.tasks)))
    placed: set[int] = set()
    while left:
        ready = [index for index in left if all(need in placed for need in problem.tasks[index].needs)]
        chosen = min(
            ready,
            key=lambda index: rule(timetable.try_task(index), timetable.hands_needed(index), tails[index], index),
        )
        timetable.place(chosen)
        placed.add(chosen)
        left.remove(chosen)
    return Schedule(tuple(timetable.slots))


class _Search:
    """Moves single tasks to other places in an order, near ones first, as long as that gives a better schedule."""

    def __init__(self, problem: Problem, start: Schedule, tails: Sequence[float], work: int) -> None:
        self._problem = problem
        self._tails = tails
        self._best = start
        self._order = [slot.task for slot in start.slots]
        self.work = work
        """Slots that may still be timed."""

    def run(self) -> Schedule:
        """The best schedule found."""
        improved = True
        while improved and self.work > 0:
            improved = False
            for distance in range(1, len(self._order)):
                improved |= self._sweep(distance)
        return self._best

    def _sweep(self, distance: int) -> bool:
        """Move each task `distance` places up or down; everything before the two places stays as it was timed."""
        improved = False
        before = Timetable(self._problem)
        for place in range(len(self._order) - distance):
            if self.work <= 0:
                break
            for order in self._moves(place, place + distance):
                found = self._time(before, order, place)
                if found is not None and _quality(found) < _quality(self._best):
                    self._best, self._order, improved = found, order, True
                    break
            before.place(self._order[place])
            self.work -= 1
        return improved

    def _moves(self, low: int, high: int) -> list[list[int]]:
        """The orders in which one of two tasks goes to the other's place, as far as they respect what each needs."""
        order, tasks = self._order, self._problem.tasks
        moved = []
        if not set(order[low:high]).intersection(tasks[order[high]].needs):
            moved.append([*order[:low], order[high], *order[low:high], *order[high + 1 :]])
        if high > low + 1 and not any(order[low] in tasks[each].needs for each in order[low + 1 : high + 1]):
            moved.append([*order[:low], *order[low + 1 : high + 1], order[low], *order[high + 1 :]])
        return moved

    def _time(self, before: Timetable, order: Sequence[int], place: int) -> Schedule | None:
        """The timetable of an order from a place on, or None as soon as it will be longer than the best."""
        timetable = before.copy()
        limit = self._best.makespan + 1e-9
        for task in order[place:]:
            self.work -= 1
            if timetable.place(task).start + self._tails[task] > limit:
                return None
        return Schedule(tuple(timetable.slots))
