"""The planner: batch what shares insert and snapshot, keep free units busy.

Weighted rules build an order each; their weights are looked for first at random, then near the best found. The best
order is improved by small changes, until it is proved that none can be shorter or need less handwork. Chance always
begins the same way: the same problem gives the same schedule.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable

from printq.plan.bound import least_handwork, lower_bound
from printq.plan.dispatch import Weights, build_order
from printq.plan.numbers import Numbers
from printq.plan.problem import Problem
from printq.plan.schedule import Schedule, schedule_of
from printq.plan.search import Search, quality
from printq.plan.timing import Timing, time_tasks

__all__ = ["solve"]

WORK, WORK_PER_PAIR = 900_000, 2_000
"""Tasks placed while improving, at most and for each pair of tasks: a bound that counts work, not seconds, so that
every machine gives the same plan."""
WORK_AT_REST = 1_200_000
"""The same where the hands rest: one task in the wrong roll makes an evening longer, and the search is harder."""
MOST_RULES, RULE_WORK = 200, 3_000_000
"""Rules tried at most, and how much they may cost, counted in pairs of tasks."""
HOT, COLD = 0.15, 0.02
"""Temperatures of the search, by the mean length of a task."""
LONG_QUEUE = 100
"""Tasks from which on there is no time to search far from the best rule's order."""


def solve(problem: Problem, *, effort: float = 1.0) -> Schedule:
    """A short schedule for the problem: every rule is kept, but shorter ones may exist.

    The needs of the tasks must not run in a circle. `printq.plan.bound.lower_bound` says how much shorter another
    schedule can be at most. `effort` multiplies the work; with 1 a queue of 200 passes takes about a second.
    """
    if not problem.tasks:
        return Schedule(())
    numbers = Numbers(problem)
    least = (lower_bound(problem), sum(least_handwork(problem, unit) for unit in range(problem.unit_count)))
    search = Search(numbers, _best_rule(numbers, effort), least)
    mean = sum(numbers.durations) / numbers.count
    mean = mean or search.best.makespan / numbers.count
    most = WORK_AT_REST if numbers.rests else WORK
    work = round(effort * min(most, WORK_PER_PAIR * numbers.count**2))
    if numbers.count < LONG_QUEUE:
        search.anneal(work * 2 // 5, HOT * mean)
        search.anneal(work * 2 // 5, COLD * mean)
    else:
        search.anneal(work * 4 // 5, COLD * mean)
    search.sort_alike()
    search.polish(work // 5)
    search.sort_alike()
    return schedule_of(search.best, problem.probe_s)


def _best_rule(numbers: Numbers, effort: float) -> Timing:
    chance = random.Random(1).random
    tries = max(8, round(effort * min(MOST_RULES, 8 * numbers.count, RULE_WORK / numbers.count**2)))
    best: Timing | None = None
    chosen = Weights(0.0, 0.0, 0.0, 0.0)
    for number in range(tries):
        weights = _any_weights(chance) if number < tries / 2 else _weights_near(chosen, chance)
        timing = time_tasks(numbers, build_order(numbers, weights))
        assert timing is not None
        if best is None or quality(timing, numbers) < quality(best, numbers):
            best, chosen = timing, weights
    assert best is not None
    return best


def _any_weights(chance: Callable[[], float]) -> Weights:
    def one_of(*largest: float) -> float:
        most = largest[int(chance() * len(largest))]
        return most * chance()

    return Weights(one_of(0.0, 1.0, 3.0, 10.0), one_of(0.0, 0.3, 1.0), one_of(0.0, 0.3, 1.0), one_of(0.0, 1.0, 3.0))


def _weights_near(weights: Weights, chance: Callable[[], float]) -> Weights:
    def near(value: float) -> float:
        # The sum of three chances is close enough to a bell.
        factor = math.exp2(chance() + chance() + chance() - 1.5)
        return value * factor + (0.1 * chance() if chance() < 0.2 else 0.0)

    return Weights(near(weights.handwork), near(weights.tail), near(weights.load), near(weights.waiting))
