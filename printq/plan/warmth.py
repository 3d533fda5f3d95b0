"""Units that are still cold come last, where that costs neither time nor handwork.

This comes after a plan is made, and changes its order only where neither gets worse: so no evening is longer for the
sake of warmth.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from printq.plan.numbers import Numbers
from printq.plan.problem import Problem
from printq.plan.schedule import Schedule, schedule_of
from printq.plan.search import Search, quality
from printq.plan.timing import time_tasks

__all__ = ["cold_last"]

WORK, WORK_PER_PAIR = 250_000, 500
"""Tasks placed while looking, at most and for each pair of tasks."""


def cold_last(problem: Problem, schedule: Schedule, warm_at: Sequence[float]) -> Schedule:
    """A schedule that costs no more than this one, with fewer recordings on units that are still cold, if one is found.

    Parameters
    ----------
    problem : Problem
    schedule : Schedule
        A plan for it.
    warm_at : sequence of float
        In how many seconds each unit is warm; empty where nobody knows.
    """
    if not any(warm_at) or not schedule.slots:
        return schedule
    numbers = Numbers(replace(problem, warm_at=tuple(warm_at)))
    timing = time_tasks(numbers, [slot.task for slot in schedule.slots])
    if timing is None or timing.makespan > schedule.makespan + 1e-6 or timing.hands_on > schedule.hands_on + 1e-6:
        return schedule  # made in another way, which an order alone does not give back
    search = Search(numbers, timing)
    search.polish(min(WORK, WORK_PER_PAIR * numbers.count**2))
    better = quality(search.best, numbers) < quality(timing, numbers)
    return schedule_of(search.best, problem.probe_s) if better else schedule
