"""Does a timetable keep the rules of the rack? Written from the rules alone: it shares no code with the planner.

A timetable is a list of rows. How long a set-up takes is asked from outside, as (unit, what the unit ran last or
None, the next) -> seconds, so that whoever calls decides where the truth comes from.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations

from printq.plan.problem import Problem
from printq.plan.schedule import Schedule

__all__ = ["Row", "broken_rules", "broken_rules_of", "rows_of"]

CLOSE = 1e-6
"""Seconds: far above the rounding of sums of a few hundred times, far below a sample."""


@dataclass(frozen=True)
class Row:
    """One task in a timetable, and what the problem says about it."""

    name: str
    units: frozenset[int | str]
    needs: frozenset[str]
    duration: float
    set_up_start: float
    set_up_end: float
    probe_end: float
    start: float
    end: float

    @property
    def takes_hands(self) -> bool:
        return self.set_up_end - self.set_up_start > CLOSE


def broken_rules(
    rows: Sequence[Row],
    names: Iterable[str],
    set_up: Callable[[int | str, str | None, str], float],
    *,
    probe_s: float = 0.0,
    hands_during_passes: bool = True,
) -> list[str]:
    """Every rule that a timetable breaks, in words; an empty list where it keeps them all."""
    found = []
    if sorted(row.name for row in rows) != sorted(names):
        found.append("not every task is there exactly once")
    found += [text for row in rows for text in _own_times(row, probe_s)]
    ends = {row.name: row.end for row in rows}
    for row in rows:
        found += [
            f"{row.name} starts before {need} has ended"
            for need in sorted(row.needs)
            if need in ends and row.start < ends[need] - CLOSE
        ]
    for a, b in combinations(rows, 2):
        if a.units & b.units and _overlap(a.set_up_start, a.end, b.set_up_start, b.end):
            found.append(f"{a.name} and {b.name} hold the same unit at once")
        if a.takes_hands and b.takes_hands and _overlap(a.set_up_start, a.set_up_end, b.set_up_start, b.set_up_end):
            found.append(f"{a.name} and {b.name} are set up at once")
    found += _wrong_set_ups(rows, set_up)
    if not hands_during_passes:
        found += [
            f"{one.name} is set up while {other.name} records"
            for one in rows
            for other in rows
            if one.takes_hands and _overlap(one.set_up_start, one.set_up_end, other.start, other.end)
        ]
    return found


def _own_times(row: Row, probe_s: float) -> Iterable[str]:
    if row.set_up_start < -CLOSE:
        yield f"{row.name} is set up before the beginning"
    if row.set_up_end < row.set_up_start - CLOSE:
        yield f"{row.name} has a set-up that ends before it starts"
    if abs(row.probe_end - row.set_up_end - (probe_s if row.takes_hands else 0.0)) > CLOSE:
        yield f"{row.name} is probed for a wrong time"
    if row.start < row.probe_end - CLOSE:
        yield f"{row.name} starts before it is set up and probed"
    if abs(row.end - row.start - row.duration) > CLOSE:
        yield f"{row.name} records for a wrong time"


def _overlap(start: float, end: float, other_start: float, other_end: float) -> bool:
    """Whether two stretches share more than a point; one of no length inside the other does as well."""
    return start < other_end - CLOSE and other_start < end - CLOSE


def _wrong_set_ups(rows: Sequence[Row], set_up: Callable[[int | str, str | None, str], float]) -> Iterable[str]:
    due = dict.fromkeys((row.name for row in rows), 0.0)
    for unit in {unit for row in rows for unit in row.units}:
        previous = None
        # Tasks of no length at one moment: the one that ends there was there first.
        for row in sorted((row for row in rows if unit in row.units), key=lambda row: (row.set_up_start, row.end)):
            due[row.name] += set_up(unit, previous, row.name)
            previous = row.name
    for row in rows:
        if abs(row.set_up_end - row.set_up_start - due[row.name]) > CLOSE:
            yield f"{row.name} takes {row.set_up_end - row.set_up_start:g} s to set up, not {due[row.name]:g} s"


def rows_of(problem: Problem, schedule: Schedule) -> list[Row]:
    """The timetable of a planning problem's schedule."""
    rows = []
    for slot in schedule.slots:
        task = problem.tasks[slot.task]
        rows.append(
            Row(
                name=task.name,
                units=frozenset(task.units),
                needs=frozenset(problem.tasks[need].name for need in task.needs),
                duration=task.duration,
                set_up_start=slot.set_up_start,
                set_up_end=slot.set_up_end,
                probe_end=slot.probe_end,
                start=slot.start,
                end=slot.end,
            )
        )
    return rows


def broken_rules_of(problem: Problem, schedule: Schedule) -> list[str]:
    """Every rule that a schedule for a planning problem breaks."""
    place = {task.name: index for index, task in enumerate(problem.tasks)}
    return broken_rules(
        rows_of(problem, schedule),
        place,
        lambda unit, previous, name: problem.set_up(
            int(unit), None if previous is None else place[previous], place[name]
        ),
        probe_s=problem.probe_s,
        hands_during_passes=problem.hands_during_passes,
    )
