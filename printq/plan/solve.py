"""The planner: batch what shares insert and snapshot, keep free units busy.

A few dispatch rules build a schedule each, task by task; the best by length, then handwork, then
interruptions, then the job's order is taken, and improved by moving single tasks in its order as long as that
helps. No chance is involved: the same problem gives the same schedule.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from printq.plan.problem import Problem
from printq.plan.schedule import Schedule, Slot, Timetable, time_order

__all__ = ["solve"]

IMPROVEMENT_WORK = 200_000
"""Slots timed while improving: a bound that counts work, not seconds, so that every machine gives the same plan."""

Rule = Callable[[Slot, float, float, int], tuple[float, ...]]


def solve(problem: Problem) -> Schedule:
    """A schedule for the problem."""
    tails = _tails(problem)
    candidates = [_dispatch(problem, rule, tails) for rule in _RULES]
    best = min(candidates, key=_quality)
    return _improve(problem, best)


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


def _tails(problem: Problem) -> list[float]:
    """For each task, the length of the longest chain that it begins, itself included."""
    followers: list[list[int]] = [[] for _ in problem.tasks]
    for index, task in enumerate(problem.tasks):
        for need in task.needs:
            followers[need].append(index)
    tails = [0.0] * len(problem.tasks)
    for index in reversed(_job_order(problem)):
        tails[index] = problem.tasks[index].duration + max((tails[f] for f in followers[index]), default=0.0)
    return tails


def _job_order(problem: Problem) -> list[int]:
    """The job's order, with every task after all that it needs."""
    done: set[int] = set()
    order: list[int] = []
    left = list(range(len(problem.tasks)))
    while left:
        index = next(i for i in left if all(need in done for need in problem.tasks[i].needs))
        done.add(index)
        order.append(index)
        left.remove(index)
    return order


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


def _improve(problem: Problem, schedule: Schedule) -> Schedule:
    """Move single tasks to other places in the order, as long as that gives a better schedule."""
    count = len(problem.tasks)
    order = [slot.task for slot in schedule.slots]
    best = time_order(problem, order)
    if _quality(schedule) < _quality(best):
        best = schedule
    work = 0
    improved = True
    while improved and work < IMPROVEMENT_WORK:
        improved = False
        for source in range(count):
            for target in range(count):
                if source == target or work >= IMPROVEMENT_WORK:
                    continue
                moved = order.copy()
                moved.insert(target, moved.pop(source))
                if not _respects_needs(problem, moved):
                    continue
                work += count
                found = time_order(problem, moved)
                if _quality(found) < _quality(best):
                    best, order, improved = found, moved, True
    return best


def _respects_needs(problem: Problem, order: Sequence[int]) -> bool:
    place = {task: position for position, task in enumerate(order)}
    return all(place[need] < place[index] for index in order for need in problem.tasks[index].needs)
