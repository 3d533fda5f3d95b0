"""Published scheduling problems with known optima, stated as planning problems.

A job shop is a rack without set-ups: machines are units, operations are passes in series. One machine with
sequence-dependent set-ups is one unit: an asymmetric travelling salesman. The small problems with one person
for several machines are our own; their optima were found by exhaustive search over all orders of set-ups.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from printq.plan.problem import Problem, Task

__all__ = ["BR17", "FT06", "FT10", "LA01", "PUBLISHED", "S2", "S3", "Instance"]


@dataclass(frozen=True)
class Instance:
    """A problem and what is known about it."""

    problem: Problem
    optimum: float
    within: float
    """How many times the optimum the built-in planner may need at most."""


def _job_shop(table: str) -> Problem:
    """A job shop from the usual text form: a row for each job, pairs of machine and time."""
    tasks: list[Task] = []
    for job, row in enumerate(table.strip().splitlines()):
        numbers = [int(word) for word in row.split()]
        for step, (machine, time) in enumerate(zip(numbers[::2], numbers[1::2], strict=True)):
            needs = (len(tasks) - 1,) if step else ()
            tasks.append(Task(f"J{job + 1}.{step + 1}", (machine,), float(time), needs))
    machines = 1 + max(unit for task in tasks for unit in task.units)
    return Problem(tuple(tasks), machines, lambda unit, previous, task: 0.0)


def _one_unit_each(
    units: str,
    durations: tuple[float, ...],
    set_up: Mapping[tuple[int, int], float],
    needs: Mapping[int, tuple[int, ...]] | None = None,
) -> Problem:
    """Jobs counted from 1, each on the unit that its letter names; `set_up[0, j]` is from the initial state."""
    letters = sorted(set(units))
    tasks = tuple(
        Task(
            f"J{job}",
            (letters.index(unit),),
            duration,
            tuple(need - 1 for need in (needs or {}).get(job, ())),
        )
        for job, (unit, duration) in enumerate(zip(units, durations, strict=True), start=1)
    )
    return Problem(
        tasks,
        len(letters),
        lambda unit, previous, task: set_up[0 if previous is None else previous + 1, task + 1],
    )


FT06 = Instance(
    _job_shop(
        """
        2  1  0  3  1  6  3  7  5  3  4  6
        1  8  2  5  4 10  5 10  0 10  3  4
        2  5  3  4  5  8  0  9  1  1  4  7
        1  5  0  5  2  5  3  3  4  8  5  9
        2  9  1  3  4  5  5  4  0  3  3  1
        1  3  3  3  5  9  0 10  4  4  2  1
        """
    ),
    optimum=55.0,
    within=1.0,
)
"""Fisher and Thompson, in Muth and Thompson, "Industrial Scheduling" (1963): 6 jobs, 6 machines, optimum 55."""

FT10 = Instance(
    _job_shop(
        """
        0 29 1 78 2  9 3 36 4 49 5 11 6 62 7 56 8 44 9 21
        0 43 2 90 4 75 9 11 3 69 1 28 6 46 5 46 7 72 8 30
        1 91 0 85 3 39 2 74 8 90 5 10 7 12 6 89 9 45 4 33
        1 81 2 95 0 71 4 99 6  9 8 52 7 85 3 98 9 22 5 43
        2 14 0  6 1 22 5 61 3 26 4 69 8 21 7 49 9 72 6 53
        2 84 1  2 5 52 3 95 8 48 9 72 0 47 6 65 4  6 7 25
        1 46 0 37 3 61 2 13 6 32 5 21 9 32 8 89 7 30 4 55
        2 31 0 86 1 46 5 74 4 32 6 88 8 19 9 48 7 36 3 79
        0 76 1 69 3 76 5 51 2 85 9 11 6 40 7 89 4 26 8 74
        1 85 0 13 2 61 6  7 8 64 9 76 5 47 3 52 4 90 7 45
        """
    ),
    optimum=930.0,
    within=1.15,
)
"""Fisher and Thompson, in Muth and Thompson (1963): 10 jobs, 10 machines; optimum 930 (Carlier and Pinson 1989)."""

LA01 = Instance(
    _job_shop(
        """
        1 21 0 53 4 95 3 55 2 34
        0 21 3 52 4 16 2 26 1 71
        3 39 4 98 1 42 2 31 0 12
        1 77 0 55 4 79 2 66 3 77
        0 83 3 34 2 64 1 19 4 37
        1 54 2 43 4 79 0 92 3 62
        3 69 4 77 1 87 2 87 0 93
        2 38 0 60 1 41 3 24 4 83
        3 17 1 49 4 25 0 44 2 98
        4 77 3 79 2 43 1 75 0 96
        """
    ),
    optimum=666.0,
    within=1.0,
)
"""Lawrence, "Resource constrained project scheduling" (1984), instance 1: 10 jobs, 5 machines, optimum 666."""

_BR17 = """
 -  3  5 48 48  8  8  5  5  3  3  0  3  5  8  8  5
 3  -  3 48 48  8  8  5  5  0  0  3  0  3  8  8  5
 5  3  - 72 72 48 48 24 24  3  3  5  3  0 48 48 24
48 48 74  -  0  6  6 12 12 48 48 48 48 74  6  6 12
48 48 74  0  -  6  6 12 12 48 48 48 48 74  6  6 12
 8  8 50  6  6  -  0  8  8  8  8  8  8 50  0  0  8
 8  8 50  6  6  0  -  8  8  8  8  8  8 50  0  0  8
 5  5 26 12 12  8  8  -  0  5  5  5  5 26  8  8  0
 5  5 26 12 12  8  8  0  -  5  5  5  5 26  8  8  0
 3  0  3 48 48  8  8  5  5  -  0  3  0  3  8  8  5
 3  0  3 48 48  8  8  5  5  0  -  3  0  3  8  8  5
 0  3  5 48 48  8  8  5  5  3  3  -  3  5  8  8  5
 3  0  3 48 48  8  8  5  5  0  0  3  -  3  8  8  5
 5  3  0 72 72 48 48 24 24  3  3  5  3  - 48 48 24
 8  8 50  6  6  0  0  8  8  8  8  8  8 50  -  0  8
 8  8 50  6  6  0  0  8  8  8  8  8  8 50  0  -  8
 5  5 26 12 12  8  8  0  0  5  5  5  5 26  8  8  -
"""


def _br17() -> Problem:
    """Cities 2 to 17 in any order, from city 1: the unit stands at city 1, and passes take no time."""
    distance = [[0.0 if word == "-" else float(word) for word in row.split()] for row in _BR17.strip().splitlines()]
    tasks = tuple(Task(f"city {city}", (0,), 0.0) for city in range(2, len(distance) + 1))
    return Problem(tasks, 1, lambda unit, previous, task: distance[0 if previous is None else previous + 1][task + 1])


BR17 = Instance(_br17(), optimum=27.0, within=1.0)
"""TSPLIB br17.atsp: its closed tour is 39; the shortest open path from city 1 is 27 (Held-Karp)."""


def _with_operator() -> dict[str, Instance]:
    a = {(0, 1): 2, (0, 2): 4, (0, 3): 3, (1, 2): 1, (1, 3): 5, (2, 1): 3, (2, 3): 2, (3, 1): 4, (3, 2): 6}
    b = {(0, 4): 3, (0, 5): 2, (0, 6): 1, (4, 5): 4, (4, 6): 2, (5, 4): 1, (5, 6): 3, (6, 4): 5, (6, 5): 2}
    s2 = _one_unit_each("AAABBB", (7, 5, 4, 6, 3, 5), {**a, **b})
    a = {(0, 1): 3, (0, 2): 3, (0, 3): 3, (1, 2): 1, (1, 3): 4, (2, 1): 2, (2, 3): 2, (3, 1): 4, (3, 2): 1}
    b = {(0, 4): 2, (0, 5): 2, (4, 5): 3, (5, 4): 1}
    c = {(0, 6): 1, (0, 7): 2, (6, 7): 2, (7, 6): 3}
    needs = {4: (1,), 6: (2,), 7: (4,), 3: (5,)}
    s3 = _one_unit_each("AAABBCC", (4, 4, 4, 4, 4, 5, 5), {**a, **b, **c}, needs)
    return {"s2": Instance(s2, 22.0, 1.0), "s3": Instance(s3, 22.0, 1.0)}


S2 = _with_operator()["s2"]
"""Two machines, three jobs each, sequence-dependent set-ups by one person: optimum 22."""

S3 = _with_operator()["s3"]
"""Three machines with precedence: optimum 22, as a set-up may be done before the predecessor has ended (else 25)."""

PUBLISHED = {
    "ft06": FT06,
    "la01": LA01,
    "ft10": FT10,
    "br17-open": BR17,
    "one-person-two-machines": S2,
    "one-person-precedence": S3,
}
"""All of them, by name."""
