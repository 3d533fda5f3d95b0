"""Passes that may change places without anybody noticing: only one order of them needs to be looked at."""

from __future__ import annotations

from collections import defaultdict

from printq.plan.problem import Problem

__all__ = ["twins"]


def twins(problem: Problem) -> list[list[list[int]]]:
    """Groups of chains that are alike, each chain the tasks of one stem in series.

    Chains are alike where task by task they hold the same units for the same time, cost the same handwork after and
    before everything else, and need and serve the same tasks outside of them.
    """
    serves: list[list[int]] = [[] for _ in problem.tasks]
    for index, task in enumerate(problem.tasks):
        for need in task.needs:
            serves[need].append(index)

    def goes_on(task: int) -> bool:
        """Whether a task is followed by one that needs nothing else."""
        return len(serves[task]) == 1 and len(problem.tasks[serves[task][0]].needs) == 1

    kinds = _kinds(problem)
    alike: dict[object, list[list[int]]] = defaultdict(list)
    for head, task in enumerate(problem.tasks):
        if len(task.needs) == 1 and goes_on(task.needs[0]):
            continue
        chain = [head]
        while goes_on(chain[-1]):
            chain.append(serves[chain[-1]][0])
        steps = tuple((kinds[each], problem.tasks[each].duration) for each in chain)
        alike[steps, frozenset(task.needs), frozenset(serves[chain[-1]])].append(chain)
    return [chains for chains in alike.values() if len(chains) > 1]


def _kinds(problem: Problem) -> list[int]:
    """For each task the first one that costs the same handwork before and after every other."""
    on = [[i for i, task in enumerate(problem.tasks) if unit in task.units] for unit in range(problem.unit_count)]

    def same(one: int, other: int) -> bool:
        units, set_up = problem.tasks[one].units, problem.set_up
        return units == problem.tasks[other].units and all(
            set_up(unit, None, one) == set_up(unit, None, other)
            and set_up(unit, one, other) == set_up(unit, other, one)
            and all(
                set_up(unit, each, one) == set_up(unit, each, other)
                and set_up(unit, one, each) == set_up(unit, other, each)
                for each in on[unit]
                if each not in (one, other)
            )
            for unit in units
        )

    found: list[int] = []
    kinds = []
    for task in range(len(problem.tasks)):
        kind = next((each for each in found if same(each, task)), task)
        if kind == task:
            found.append(task)
        kinds.append(kind)
    return kinds
