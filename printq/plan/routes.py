"""The shortest way through the settings of one unit, whatever comes in between: what no order of its tasks can avoid.

Tasks that stand on the same positions make a batch. An order of the tasks enters every batch at least once, and from
one first entry to the next it costs no less than the cheapest way between the two batches, through others if that is
cheaper. So the cheapest sequence that enters each batch once (Bellman 1962, Held and Karp 1962) is a bound.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import product

from printq.plan.problem import Problem

__all__ = ["Batch", "Matrix", "batches_on", "cheapest_sequences", "shortest_ways", "tasks_on"]

Batch = list[int]
Matrix = list[list[float]]

MOST_BATCHES = 11
"""More of them are merged: the work doubles with each."""


def tasks_on(problem: Problem, unit: int) -> list[int]:
    """The tasks that hold a unit."""
    return [index for index, task in enumerate(problem.tasks) if unit in task.units]


def batches_on(problem: Problem, unit: int) -> list[Batch]:
    """The tasks of a unit, those together that need no handwork after the first of them; not too many batches.

    Where there are too many, those that are nearest to one another count as one.
    """
    found: dict[int, Batch] = {}
    for task in tasks_on(problem, unit):
        first = next((each for each in found if problem.set_up(unit, each, task) == 0.0), task)
        found.setdefault(first, []).append(task)
    batches = list(found.values())
    if len(batches) > MOST_BATCHES:
        away = shortest_ways(batches, lambda one, other: problem.set_up(unit, one, other))
        while len(batches) > MOST_BATCHES:
            one, other = min(
                ((a, b) for a, b in product(range(len(batches)), repeat=2) if a < b),
                key=lambda pair: min(away[pair[0]][pair[1]], away[pair[1]][pair[0]]),
            )
            batches[one] += batches.pop(other)
            for row in away:
                row[one] = min(row[one], row.pop(other))
            away[one] = [min(pair) for pair in zip(away[one], away.pop(other), strict=True)]
    return batches


def shortest_ways(batches: Sequence[Batch], cost: Callable[[int, int], float]) -> Matrix:
    """From each batch to each other, the least cost, through others if that is less (Floyd 1962)."""
    ways = [[0.0 if a is b else min(cost(one, other) for one in a for other in b) for b in batches] for a in batches]
    for through, row in enumerate(ways):
        for to_through in ways:
            for to, onward in enumerate(row):
                if to_through[through] + onward < to_through[to]:
                    to_through[to] = to_through[through] + onward
    return ways


def cheapest_sequences(ways: Matrix, first: Sequence[float]) -> Matrix:
    """For each set of batches and each last one of it, the least cost of a sequence that enters each once.

    Parameters
    ----------
    ways : Matrix
        Cost from batch to batch.
    first : sequence of float
        What it costs to begin with a batch.

    Returns
    -------
    Matrix
        By set, as a number with a bit for each batch, and by last batch; infinite where that is not in the set.
    """
    count = len(ways)
    table = [[float("inf")] * count for _ in range(1 << count)]
    for batch in range(count):
        table[1 << batch][batch] = first[batch]
    for entered in range(1, 1 << count):
        row = table[entered]
        inside = [batch for batch in range(count) if entered >> batch & 1]
        for batch in range(count):
            if not entered >> batch & 1:
                table[entered | 1 << batch][batch] = min(row[last] + ways[last][batch] for last in inside)
    return table
