"""A length that no schedule can go below, by arguments that can be checked by hand."""

from __future__ import annotations

from printq.plan.chains import chains_before, chains_from, sort_by_needs
from printq.plan.problem import Problem

__all__ = ["least_handwork", "lower_bound"]


def lower_bound(problem: Problem) -> float:
    """The largest of three bounds, in seconds.

    - *A unit's load*: each unit runs its tasks one after the other. On top of their durations comes the least
      handwork on this unit; or, if that is longer, the shortest chain of recordings that leads to one of them.
      After the last of them, the shortest chain that follows one of them is still to be recorded.
    - *A chain*: a task starts after all that it needs have ended, and no sooner than its own cheapest set-up.
    - *The hands*: one person does the least handwork of all units, and after the last set-up at least the
      shortest task is still to run. If the hands must rest during recordings, every second of handwork comes on
      top of the longest stretch of recordings that exclude one another: those of one unit, or of one chain.
    """
    if not problem.tasks:
        return 0.0
    handwork = [least_handwork(problem, unit) for unit in range(problem.unit_count)]
    return max(_longest_load(problem, handwork), _longest_chain(problem), _hands(problem, sum(handwork)))


def least_handwork(problem: Problem, unit: int) -> float:
    """Seconds of handwork on one unit that no order of its tasks can go below.

    One task is the first, set up from the state at the start; each of the others costs at least its cheapest
    set-up after another task. That is nothing within a batch of tasks which stand on the same positions; but the
    first of a batch follows a task from outside of it, unless the batch comes first of all.
    """
    tasks = _tasks_on(problem, unit)
    if not tasks:
        return 0.0

    def cheapest_after(others: list[int], task: int) -> float:
        return min((problem.set_up(unit, other, task) for other in others if other != task), default=0.0)

    within = {task: cheapest_after(tasks, task) for task in tasks}
    openings, entries = [], []
    for batch in _batches(problem, unit, tasks):
        outside = [task for task in tasks if task not in batch]
        openings.append(min(problem.set_up(unit, None, task) - within[task] for task in batch))
        entries.append(min(cheapest_after(outside, task) - within[task] for task in batch))
    first = min(opening - entry for opening, entry in zip(openings, entries, strict=True))
    return sum(within.values()) + sum(entries) + first


def _tasks_on(problem: Problem, unit: int) -> list[int]:
    return [index for index, task in enumerate(problem.tasks) if unit in task.units]


def _batches(problem: Problem, unit: int, tasks: list[int]) -> list[set[int]]:
    """The tasks of a unit, those together that need no handwork after the first of them."""
    found: dict[int, set[int]] = {}
    for task in tasks:
        first = next((each for each in found if problem.set_up(unit, each, task) == 0.0), task)
        found.setdefault(first, set()).add(task)
    return list(found.values())


def _longest_load(problem: Problem, handwork: list[float]) -> float:
    before, onward = chains_before(problem), chains_from(problem)
    loads = [0.0]
    for unit in range(problem.unit_count):
        tasks = _tasks_on(problem, unit)
        if tasks:
            opening = max(handwork[unit], min(before[task] for task in tasks))
            closing = min(onward[task] - problem.tasks[task].duration for task in tasks)
            loads.append(opening + sum(problem.tasks[task].duration for task in tasks) + closing)
    return max(loads)


def _longest_chain(problem: Problem) -> float:
    ends: dict[int, float] = {}
    for index in sort_by_needs(problem):
        task = problem.tasks[index]
        begin = max((ends[need] for need in task.needs), default=0.0)
        ends[index] = max(begin, sum(_cheapest(problem, unit, index) for unit in task.units)) + task.duration
    return max(ends.values())


def _cheapest(problem: Problem, unit: int, task: int) -> float:
    """The cheapest set-up of a task on a unit, after whatever it comes."""
    others = (other for other in _tasks_on(problem, unit) if other != task)
    return min(problem.set_up(unit, previous, task) for previous in (None, *others))


def _hands(problem: Problem, handwork: float) -> float:
    if handwork <= 0.0:
        return 0.0
    if problem.hands_during_passes:
        return handwork + min(task.duration for task in problem.tasks)
    busiest = (sum(problem.tasks[task].duration for task in _tasks_on(problem, u)) for u in range(problem.unit_count))
    return handwork + max(*busiest, *chains_from(problem))
