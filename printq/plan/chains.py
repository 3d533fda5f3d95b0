"""What has to be recorded before a task, and what after it."""

from __future__ import annotations

from printq.plan.problem import Problem

__all__ = ["chains_before", "chains_from", "sort_by_needs"]


def sort_by_needs(problem: Problem) -> list[int]:
    """The order in which the tasks are given, except that each comes after all that it needs."""
    order: list[int] = []
    done: set[int] = set()
    for asked in range(len(problem.tasks)):
        pending = [asked]
        while pending:
            missing = [need for need in problem.tasks[pending[-1]].needs if need not in done]
            if missing:
                pending.append(missing[0])
                continue
            task = pending.pop()
            if task not in done:
                done.add(task)
                order.append(task)
    return order


def chains_before(problem: Problem) -> list[float]:
    """For each task, the length in seconds of the longest chain of recordings that leads to it, itself left out."""
    lengths = [0.0] * len(problem.tasks)
    for index in sort_by_needs(problem):
        needs = problem.tasks[index].needs
        lengths[index] = max((lengths[need] + problem.tasks[need].duration for need in needs), default=0.0)
    return lengths


def chains_from(problem: Problem) -> list[float]:
    """For each task, the length in seconds of the longest chain of recordings that it begins, itself included."""
    lengths = [task.duration for task in problem.tasks]
    for index in reversed(sort_by_needs(problem)):
        for need in problem.tasks[index].needs:
            lengths[need] = max(lengths[need], problem.tasks[need].duration + lengths[index])
    return lengths
