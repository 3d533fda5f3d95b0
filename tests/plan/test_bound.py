"""Bounds: each argument by hand, and all of them against the shortest schedule there is."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import replace

import pytest

from printq.plan.bound import least_handwork, lower_bound
from printq.plan.problem import Problem, Task
from printq.plan.routes import MOST_BATCHES, batches_on, cheapest_sequences
from tests.plan.exhaustive import shortest
from tests.plan.problems import random_problem

SetUp = Callable[[int, int | None, int], float]


def always(seconds: float) -> SetUp:
    return lambda unit, previous, task: seconds


def by_setting(stands: list[int], seconds: float = 10.0) -> SetUp:
    """So many seconds wherever a task stands elsewhere than the one before."""
    return lambda unit, previous, task: 0.0 if previous is not None and stands[previous] == stands[task] else seconds


def on_a_line(stands: list[int]) -> SetUp:
    """A second for each step from where the task before stands, from 0 at first."""
    return lambda unit, previous, task: float(abs((0 if previous is None else stands[previous]) - stands[task]))


@pytest.mark.parametrize(
    ("problem", "bound"),
    [
        pytest.param(
            Problem((Task("a", (0,), 60.0), Task("b", (0,), 60.0)), 1, always(10.0), 12.0),
            2 * (10.0 + 12.0 + 60.0),
            id="each set-up of a unit is followed by a probe",
        ),
        pytest.param(
            Problem(tuple(Task(f"t{stand}", (0,), 60.0) for stand in (0, 1, 10, 11)), 1, on_a_line([0, 1, 10, 11])),
            11.0 + 4 * 60.0,
            id="the way through all settings, though each is a second from its neighbour",
        ),
        pytest.param(
            Problem(
                (
                    Task("head", (1,), 100.0),
                    Task("a", (0,), 60.0, (0,)),
                    Task("b", (0,), 60.0, (0,)),
                    Task("early", (0,), 5.0),
                ),
                2,
                always(0.0),
            ),
            100.0 + 2 * 60.0,
            id="what comes late on a unit, without what may come early",
        ),
        pytest.param(
            Problem(
                (
                    Task("a", (0,), 60.0),
                    Task("b", (0,), 60.0),
                    Task("late", (0,), 5.0),
                    Task("tail", (1,), 100.0, (0, 1)),
                    Task("other", (2,), 80.0, (0,)),
                    Task("again", (2,), 80.0, (1,)),
                ),
                3,
                always(0.0),
            ),
            60.0 + 2 * 80.0,
            id="a unit that has to wait for the first of its sources",
        ),
        pytest.param(
            Problem(
                (Task("a", (0, 1), 60.0), Task("b", (0, 1), 60.0), Task("c", (0,), 60.0)),
                2,
                lambda unit, previous, task: 10.0 if unit == 1 else 0.0,
            ),
            3 * 60.0 + 2 * 10.0,
            id="a unit waits while the hands set up another that the same task goes through",
        ),
        pytest.param(
            Problem(
                tuple(Task(f"t{place}", (place // 2,), 50.0) for place in range(6)),
                3,
                by_setting([0, 0, 1, 1, 2, 2], 30.0),
            ),
            3 * 30.0 + 2 * 50.0,
            id="after the last unit's first set-up all that this unit has to record is left",
        ),
        pytest.param(
            Problem(
                (Task("head", (1,), 30.0), Task("a", (0,), 50.0, (0,)), Task("b", (0,), 50.0, (0,))),
                2,
                always(10.0),
                hands_during_passes=False,
            ),
            3 * 10.0 + 30.0 + 2 * 50.0,
            id="hands that rest add to a unit's recordings with the chain before them",
        ),
    ],
)
def test_each_argument_by_hand(problem: Problem, bound: float) -> None:
    assert lower_bound(problem) == bound


@pytest.mark.parametrize("kind", range(6))
def test_no_bound_is_above_the_shortest_schedule_there_is(kind: int) -> None:
    """Up to four tasks, with handwork from next to nothing to nearly all; two kinds without any pattern."""
    met = 0
    for seed in range(40):
        problem = _any_problem(1000 * kind + seed, kind)
        least = shortest(problem)
        assert lower_bound(problem) <= least + 1e-6
        met += lower_bound(problem) >= least - 1e-6
    assert met >= 10  # not a bound that is always far away


def _any_problem(seed: int, kind: int) -> Problem:
    chance = random.Random(seed)
    problem = random_problem(
        seed,
        tasks=chance.choice([2, 3, 4]),
        units=chance.choice([1, 2, 3]),
        like=kind % 2 == 0,
        hands_during_passes=kind not in (2, 3),
        probe_s=chance.choice([0.0, 12.0, 60.0]),
    )
    shorter = chance.choice([1.0, 0.1, 0.02])
    problem = replace(problem, tasks=tuple(replace(t, duration=round(t.duration * shorter, 3)) for t in problem.tasks))
    if kind < 4:
        return problem
    table = {
        (unit, previous, task): float(chance.choice([0, 0, 1, 2, 5, 20]))
        for unit in range(3)
        for previous in (None, *range(4))
        for task in range(4)
    }
    return replace(problem, set_up=lambda unit, previous, task: table[unit, previous, task])


def test_the_cheapest_sequences_are_those_of_trying_all() -> None:
    """Three places: 0 -> 2 -> 1 for 1 + 2, though 0 -> 1 -> 2 begins as cheaply."""
    ways = [[0.0, 1.0, 1.0], [4.0, 0.0, 9.0], [9.0, 2.0, 0.0]]
    table = cheapest_sequences(ways, [0.0, 100.0, 100.0])
    assert table[0b111][1] == 0.0 + 1.0 + 2.0
    assert table[0b111][2] == 0.0 + 1.0 + 9.0
    assert table[0b011][0] == 100.0 + 4.0
    assert table[0b010] == [float("inf"), 100.0, float("inf")]


def test_too_many_settings_are_merged_where_they_are_nearest_and_the_bound_stays_true() -> None:
    stands = [0, 1, *range(10, 10 * MOST_BATCHES + 10, 10)]
    problem = Problem(tuple(Task(f"t{stand}", (0,), 60.0) for stand in stands), 1, on_a_line(stands))
    batches = batches_on(problem, 0)
    assert len(batches) == MOST_BATCHES
    assert [0, 1] in [batch[:2] for batch in batches]
    assert 10.0 < least_handwork(problem, 0) <= 10.0 * MOST_BATCHES
