"""A planning problem laid out for speed: lists by index instead of records and callables."""

from __future__ import annotations

from printq.plan.chains import chains_from
from printq.plan.problem import Problem

__all__ = ["Numbers"]


class Numbers:
    """The numbers of a problem, each asked for once.

    Tasks are indices; `count` itself stands for "nothing yet" where a unit's last task is meant.
    """

    def __init__(self, problem: Problem) -> None:
        tasks = problem.tasks
        self.problem = problem
        self.count = len(tasks)
        self.unit_count = problem.unit_count
        self.units = [task.units for task in tasks]
        self.durations = [task.duration for task in tasks]
        self.needs = [task.needs for task in tasks]
        self.not_before = [task.not_before for task in tasks]
        self.needed_by: list[list[int]] = [[] for _ in tasks]
        for index, task in enumerate(tasks):
            for need in task.needs:
                self.needed_by[need].append(index)
        self.probe = problem.probe_s
        self.units_free = list(problem.units_free) or [0.0] * problem.unit_count
        self.hands_free = problem.hands_free
        self.rests = not problem.hands_during_passes
        self.tails = chains_from(problem)
        """The longest chain of recordings that each task begins, in seconds."""
        self.warm_at = self._warm_times()
        self.set_ups = [self._rows_of(unit) for unit in range(problem.unit_count)]
        """`set_ups[unit][last task, or count][task]` in seconds."""
        self.kinds = self._sort_into_kinds()
        """A number for each task; tasks of one kind hold the same units and cost the same set-ups."""

    def _rows_of(self, unit: int) -> list[list[float]]:
        on = [task for task in range(self.count) if unit in self.units[task]]
        nothing: list[float] = []
        rows = [nothing] * (self.count + 1)
        for last in (*on, self.count):
            row = [0.0] * self.count
            for task in on:
                if task != last:
                    row[task] = self.problem.set_up(unit, None if last == self.count else last, task)
            rows[last] = row
        return rows

    def _warm_times(self) -> list[float]:
        warm = self.problem.warm_at
        return [max((warm[unit] for unit in units), default=0.0) if warm else 0.0 for units in self.units]

    def _sort_into_kinds(self) -> list[int]:
        known: dict[tuple[object, ...], int] = {}
        kinds = []
        for task, units in enumerate(self.units):
            columns = tuple(tuple(row[task] for row in self.set_ups[unit] if row) for unit in units)
            kinds.append(known.setdefault((units, columns), len(known)))
        return kinds
