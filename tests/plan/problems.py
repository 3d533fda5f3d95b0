"""Random planning problems: from a seed, and as a hypothesis strategy."""

from __future__ import annotations

import random

from hypothesis import strategies as st

from printq.plan.problem import Problem, Task

__all__ = ["problems", "random_problem"]


def random_problem(
    seed: int,
    *,
    tasks: int,
    units: int,
    like: bool = False,
    hands_during_passes: bool = True,
    probe_s: float = 0.0,
    settings: int = 4,
) -> Problem:
    """A rack and a queue as they may be: chains, sums, shared units, settings used more than once.

    Parameters
    ----------
    seed : int
        The same seed gives the same problem.
    like : bool
        All stems are of one length, as the stems of one song are.
    settings : int
        How many different settings there are for each unit; the hands travel between them on a line.
    """
    chance = random.Random(seed)
    stands = [[chance.randrange(settings) for _ in range(units)] for _ in range(tasks)]
    at_first = [chance.choice([None, *range(settings)]) for _ in range(units)]
    seconds_each = [chance.choice([2.0, 6.0, 15.0]) for _ in range(units)]
    made = []
    for index in range(tasks):
        first = chance.randrange(units)
        on = {first} if chance.random() < 0.7 else {first, chance.randrange(units)}
        sources = min(index, chance.choice([0, 0, 1, 1, 3]))
        needs = tuple(sorted(chance.sample(range(max(0, index - 8), index), min(sources, index, 8))))
        duration = 200.0 if like else round(chance.uniform(5.0, 400.0), 3)
        made.append(Task(f"t{index}", tuple(sorted(on)), duration, needs))

    def set_up(unit: int, previous: int | None, task: int) -> float:
        before = at_first[unit] if previous is None else stands[previous][unit]
        if before is None:
            return seconds_each[unit] * settings
        return seconds_each[unit] * abs(before - stands[task][unit])

    return Problem(tuple(made), units, set_up, probe_s, hands_during_passes)


@st.composite
def problems(draw: st.DrawFn, max_tasks: int = 12) -> Problem:
    """Any problem of the shape: whole seconds, so that ties are common; set-ups without any pattern."""
    units = draw(st.integers(1, 4))
    count = draw(st.integers(1, max_tasks))
    tasks = []
    for index in range(count):
        on = draw(st.sets(st.integers(0, units - 1), min_size=1, max_size=2))
        needs = draw(st.sets(st.integers(0, index - 1), max_size=2)) if index else set()
        tasks.append(Task(f"t{index}", tuple(sorted(on)), float(draw(st.integers(1, 9))), tuple(sorted(needs))))
    table = {
        (unit, previous, task): float(draw(st.sampled_from([0, 0, 1, 2, 5])))
        for unit in range(units)
        for previous in (None, *range(count))
        for task in range(count)
    }
    return Problem(
        tuple(tasks),
        units,
        lambda unit, previous, task: table[unit, previous, task],
        draw(st.sampled_from([0.0, 3.0])),
        draw(st.booleans()),
    )
