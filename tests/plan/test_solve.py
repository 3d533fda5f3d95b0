"""The planner keeps every rule, on anything that has the shape of a rack."""

from __future__ import annotations

import pytest
from hypothesis import given, settings

from printq.plan.bound import least_handwork, lower_bound
from printq.plan.numbers import Numbers
from printq.plan.problem import Problem, Task
from printq.plan.schedule import Schedule, time_order
from printq.plan.search import Search
from printq.plan.solve import solve
from printq.plan.timing import time_tasks
from tests.plan.checker import broken_rules_of
from tests.plan.exhaustive import shortest
from tests.plan.problems import problems, random_problem

ROUNDING = 1e-6


@given(problems(max_tasks=9))
@settings(max_examples=200, deadline=None)
def test_a_plan_keeps_every_rule(problem: Problem) -> None:
    schedule = solve(problem)
    assert broken_rules_of(problem, schedule) == []
    assert lower_bound(problem) <= schedule.makespan + ROUNDING


@pytest.mark.parametrize("tasks", [1, 2, 5, 8, 13])
def test_a_plan_of_a_few_passes_keeps_every_rule(tasks: int) -> None:
    for seed in range(20):
        _check_random(seed, tasks)


@pytest.mark.parametrize("seed", range(3))
def test_a_plan_of_sixty_passes_keeps_every_rule(seed: int) -> None:
    _check_random(seed, 60)


def _check_random(seed: int, tasks: int) -> None:
    problem = random_problem(
        seed,
        tasks=tasks,
        units=1 + seed % 6,
        like=seed % 2 == 0,
        hands_during_passes=seed % 4 < 2,
        probe_s=12.0 if seed % 3 == 0 else 0.0,
    )
    schedule = solve(problem)
    assert broken_rules_of(problem, schedule) == []
    assert lower_bound(problem) <= schedule.makespan + ROUNDING


@given(problems(max_tasks=4))
@settings(max_examples=150, deadline=None)
def test_the_bound_is_never_above_nor_the_plan_below_the_shortest_there_is(problem: Problem) -> None:
    optimum = shortest(problem)
    assert lower_bound(problem) <= optimum + ROUNDING
    assert optimum <= solve(problem).makespan + ROUNDING


@pytest.mark.parametrize("hands_during_passes", [True, False])
def test_a_plan_of_a_few_passes_is_seldom_far_from_the_shortest_there_is(hands_during_passes: bool) -> None:
    """On average within 3 %: four rules and a local search are no proof, but tiny problems leave little room."""
    factors = []
    for seed in range(60):
        problem = random_problem(seed, tasks=3 + seed % 3, units=1 + seed % 3, hands_during_passes=hands_during_passes)
        optimum = shortest(problem)
        assert lower_bound(problem) <= optimum + ROUNDING
        factors.append(solve(problem).makespan / optimum)
    assert min(factors) >= 1.0 - ROUNDING
    assert sum(factors) / len(factors) < 1.03


def test_the_same_problem_gives_the_same_plan() -> None:
    for hands_during_passes in (True, False):
        first, second = (
            solve(random_problem(7, tasks=12, units=3, hands_during_passes=hands_during_passes)) for _ in range(2)
        )
        assert first == second


def test_nothing_to_do_takes_no_time() -> None:
    empty = Problem((), 0, lambda unit, previous, task: 0.0)
    assert solve(empty).makespan == 0.0
    assert lower_bound(empty) == 0.0


def test_what_stands_on_the_same_positions_runs_back_to_back() -> None:
    """Six passes with two settings in turn cost two set-ups, not six."""
    problem = _one_unit([0, 1, 0, 1, 0, 1])
    schedule = solve(problem)
    assert schedule.interruptions == 2
    assert schedule.makespan == 2 * 10.0 + 6 * 60.0 == lower_bound(problem)


def test_while_one_unit_records_the_hands_set_the_next() -> None:
    """Two units, a pass each: the second set-up lies inside the first recording."""
    problem = Problem(_passes([(0,), (1,)]), 2, lambda unit, previous, task: 10.0)
    first, second = sorted(solve(problem).slots, key=lambda slot: slot.set_up_start)
    assert (first.set_up_end, first.start, second.set_up_start, second.start) == (10.0, 10.0, 10.0, 20.0)


def test_where_the_hands_must_rest_all_units_are_set_before_anything_rolls() -> None:
    """Four units, a pass each: four set-ups in a row, then one recording's time for all of them."""
    problem = Problem(
        _passes([(0,), (1,), (2,), (3,)]), 4, lambda unit, previous, task: 10.0, hands_during_passes=False
    )
    schedule = solve(problem)
    assert [slot.start for slot in schedule.slots] == [40.0] * 4
    assert schedule.makespan == 4 * 10.0 + 60.0 == lower_bound(problem)


def test_a_short_set_up_is_fitted_in_before_one_that_has_to_wait() -> None:
    """The hands turn to another unit while the one that was placed first in the order is still recording."""
    problem = Problem(_passes([(0,), (0,), (1,)]), 2, lambda unit, previous, task: 10.0)
    schedule = time_order(problem, [0, 1, 2])
    assert [slot.set_up_start for slot in schedule.slots] == [0.0, 70.0, 10.0]
    assert broken_rules_of(problem, schedule) == []


def test_of_two_plans_of_one_length_the_one_with_less_handwork_is_taken() -> None:
    """Unit 0 is busy for longest; the order on unit 1 makes no difference to the end, but to the hands."""
    stands = [0, 0, 5, 1, 5]
    tasks = (Task("long", (0,), 500.0), *(Task(f"t{i}", (1,), 50.0) for i in range(1, 5)))
    problem = Problem(
        tasks, 2, lambda unit, before, task: abs((0 if before is None else stands[before]) - stands[task])
    )
    schedule = solve(problem)
    assert schedule.makespan == 500.0
    assert schedule.hands_on == 5.0 == least_handwork(problem, 1)


def _passes(units: list[tuple[int, ...]]) -> tuple[Task, ...]:
    return tuple(Task(f"t{index}", on, 60.0) for index, on in enumerate(units))


def _one_unit(settings_of: list[int]) -> Problem:
    def set_up(unit: int, previous: int | None, task: int) -> float:
        same = previous is not None and settings_of[previous] == settings_of[task]
        return 0.0 if same else 10.0

    return Problem(_passes([(0,)] * len(settings_of)), 1, set_up)


@pytest.mark.parametrize(
    ("problem", "bound", "why"),
    [
        pytest.param(
            Problem(_passes([(0,), (0,)]), 1, lambda unit, previous, task: 7.0),
            2 * 67.0,
            "both set-ups and both recordings of the one unit",
            id="load",
        ),
        pytest.param(
            Problem(
                (Task("a", (0,), 5.0), Task("b", (1,), 50.0, (0,)), Task("c", (2,), 9.0, (1,))),
                3,
                lambda unit, previous, task: 1.0,
            ),
            1.0 + 5.0 + 50.0 + 9.0,
            "the chain, and the set-up of its first",
            id="chain",
        ),
        pytest.param(
            Problem(_passes([(0,), (1,), (2,)]), 3, lambda unit, previous, task: 100.0),
            300.0 + 60.0,
            "all set-ups, and a recording after the last of them",
            id="hands",
        ),
        pytest.param(
            Problem(_passes([(0,), (0,), (1,)]), 2, lambda unit, previous, task: 100.0, hands_during_passes=False),
            300.0 + 2 * 60.0,
            "all set-ups, and both recordings of the busier unit",
            id="resting-hands",
        ),
        pytest.param(
            Problem(
                (
                    Task("a", (0,), 5.0),
                    Task("b", (1,), 50.0, (0,)),
                    Task("c", (1,), 40.0, (0,)),
                    Task("d", (2,), 3.0, (1, 2)),
                ),
                3,
                lambda unit, previous, task: 0.0,
            ),
            5.0 + 50.0 + 40.0 + 3.0,
            "what leads to the unit, its load, what follows from it",
            id="load-between-chains",
        ),
    ],
)
def test_each_bound_by_hand(problem: Problem, bound: float, why: str) -> None:
    assert lower_bound(problem) == bound, why


def test_each_batch_costs_at_least_the_way_into_it() -> None:
    """Settings at 0, 3 and 9 on a line, two passes each, from 0: no order costs less than 3 + 6."""
    at = [0, 0, 3, 3, 9, 9]
    problem = Problem(
        _passes([(0,)] * 6), 1, lambda unit, before, task: abs((0 if before is None else at[before]) - at[task])
    )
    assert least_handwork(problem, 0) == 9.0
    assert solve(problem).hands_on == 9.0


def test_a_schedule_counts_hands_and_interruptions() -> None:
    schedule: Schedule = time_order(_one_unit([0, 0, 1]), [0, 1, 2])
    assert (schedule.hands_on, schedule.interruptions, schedule.makespan) == (20.0, 2, 200.0)


@pytest.mark.slow
@pytest.mark.parametrize("tasks", [20, 30, 45, 60])
def test_a_plan_of_many_passes_keeps_every_rule(tasks: int) -> None:
    for seed in range(8):
        _check_random(seed, tasks)


def test_a_plan_that_nothing_can_beat_is_not_searched_on() -> None:
    """Six like passes on one unit: any order of them has the length and the handwork of the bound."""
    numbers = Numbers(_one_unit([0] * 6))
    start = time_tasks(numbers, range(6))
    assert start is not None
    search = Search(numbers, start, (lower_bound(numbers.problem), least_handwork(numbers.problem, 0)))
    assert search.is_settled
    search.anneal(10**12, 1.0)  # would take days
    assert search.best == start
