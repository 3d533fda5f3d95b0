"""A length that no schedule can go below, by arguments that can be checked by hand."""

from __future__ import annotations

from printq.plan.problem import Problem

__all__ = ["lower_bound"]


def lower_bound(problem: Problem) -> float:
    """The largest of three bounds, in seconds.

    - *A unit's load*: each unit runs its tasks one after the other, and before each of them comes at least the
      cheapest set-up that this task can have on this unit, whatever came before it.
    - *A chain*: a task starts after all that it needs have ended; the first task of a chain starts no sooner than
      its own cheapest set-up.
    - *The hands*: all cheapest set-ups are done by one person, and after the last of them at least the shortest
      task is still to run. Without hands during passes the hands and the recordings of each unit's load exclude
      one another, so the longest single task is added instead of the shortest.
    """
    if not problem.tasks:
        return 0.0
    cheapest = [_cheapest_set_up(problem, index) for index in range(len(problem.tasks))]
    return max(_longest_load(problem), _longest_chain(problem, cheapest), _hands(problem, cheapest))


def _cheapest_on(problem: Problem, unit: int, index: int) -> float:
    others = [i for i, task in enumerate(problem.tasks) if unit in task.units and i != index]
    return min(problem.set_up(unit, previous, index) for previous in (None, *others))


def _cheapest_set_up(problem: Problem, index: int) -> float:
    return sum(_cheapest_on(problem, unit, index) for unit in problem.tasks[index].units)


def _longest_load(problem: Problem) -> float:
    loads = []
    for unit in range(problem.unit_count):
        tasks = [i for i, task in enumerate(problem.tasks) if unit in task.units]
        load = sum(problem.tasks[i].duration + _cheapest_on(problem, unit, i) for i in tasks)
        if tasks:
            # One of them is the first on this unit: its set-up starts from what the unit stands at now.
            first = min(problem.set_up(unit, None, i) - _cheapest_on(problem, unit, i) for i in tasks)
            load += max(0.0, first)
        loads.append(load)
    return max(loads, default=0.0)


def _longest_chain(problem: Problem, cheapest: list[float]) -> float:
    ends: dict[int, float] = {}

    def end_of(index: int) -> float:
        if index not in ends:
            task = problem.tasks[index]
            begin = max((end_of(need) for need in task.needs), default=0.0)
            ends[index] = max(begin, cheapest[index]) + task.duration
        return ends[index]

    return max(end_of(index) for index in range(len(problem.tasks)))


def _hands(problem: Problem, cheapest: list[float]) -> float:
    total = sum(cheapest)
    if total == 0.0:
        return 0.0
    durations = [task.duration for task in problem.tasks]
    return total + (min(durations) if problem.hands_during_passes else max(durations))
