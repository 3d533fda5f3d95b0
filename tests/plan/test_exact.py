"""The planner with the extra: published optima, optima by exhaustion, and no plan that breaks a rule."""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import replace

import pytest
from hypothesis import HealthCheck, given, settings

from printq.plan import exact
from printq.plan.bound import lower_bound
from printq.plan.events import events_of, replay
from printq.plan.problem import Problem, Task
from printq.plan.schedule import Schedule
from printq.plan.solve import solve
from printq.plan.twins import twins
from tests.plan.checker import broken_rules_of
from tests.plan.exhaustive import shortest
from tests.plan.instances import FT10, PUBLISHED, Instance
from tests.plan.problems import problems, random_problem

needs_extra = pytest.mark.skipif(
    not exact.available() and not os.environ.get("CI"), reason="OR-Tools, the extra `plan`, is not installed"
)


@needs_extra
@pytest.mark.slow
@pytest.mark.parametrize("instance", [pytest.param(each, id=name) for name, each in PUBLISHED.items()])
def test_a_published_optimum_is_found_and_proved(instance: Instance) -> None:
    if instance is FT10 and not os.environ.get("PRINTQ_PLANS"):
        pytest.skip("ten seconds and more: set PRINTQ_PLANS")
    found = exact.improve(instance.problem, solve(instance.problem), effort=16.0)
    assert broken_rules_of(instance.problem, found.schedule) == []
    assert found.schedule.makespan == instance.optimum
    assert found.bound == instance.optimum
    assert found.proved


@needs_extra
def test_what_is_left_of_an_evening_is_refused_not_planned_wrong() -> None:
    problem = random_problem(1, tasks=4, units=2)
    for begun in (
        replace(problem, hands_free=1.0),
        replace(problem, units_free=(0.0, 5.0)),
        replace(problem, settled=(0,)),
        replace(problem, tasks=(replace(problem.tasks[0], not_before=2.0), *problem.tasks[1:])),
    ):
        with pytest.raises(ValueError, match="what is left of an evening"):
            exact.improve(begun, solve(problem))


@needs_extra
@settings(max_examples=25, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
@given(problems(max_tasks=4))
def test_the_plan_of_a_tiny_problem_is_as_short_as_any_order_of_its_events(problem: Problem) -> None:
    found = exact.improve(problem, solve(problem))
    assert broken_rules_of(problem, found.schedule) == []
    assert found.schedule.makespan == pytest.approx(shortest(problem), abs=1e-9)
    assert found.bound == pytest.approx(shortest(problem), abs=1e-9)
    assert found.proved


@needs_extra
@pytest.mark.parametrize("hands_during_passes", [True, False])
@pytest.mark.parametrize("probe_s", [0.0, 12.0])
def test_a_better_plan_keeps_every_rule_and_is_the_same_each_time(hands_during_passes: bool, probe_s: float) -> None:
    problem = random_problem(5, tasks=12, units=3, hands_during_passes=hands_during_passes, probe_s=probe_s)
    hint = solve(problem)
    found = exact.improve(problem, hint, effort=0.5)
    assert broken_rules_of(problem, found.schedule) == []
    assert lower_bound(problem) <= found.bound <= found.schedule.makespan <= hint.makespan
    assert exact.improve(problem, hint, effort=0.5) == found


@needs_extra
def test_times_that_are_no_whole_milliseconds_leave_plan_and_bound_true() -> None:
    # Thirds of a second: the bound rounds down, the plan does not round at all.
    tasks = tuple(Task(f"t{n}", (0,), 10.0 / 3.0) for n in range(3))
    problem = Problem(tasks, 1, lambda unit, previous, task: 1.0 / 3.0)
    found = exact.improve(problem, solve(problem))
    assert broken_rules_of(problem, found.schedule) == []
    assert found.schedule.makespan == pytest.approx(11.0, abs=1e-9)
    assert 11.0 - 0.006 <= found.bound <= 11.0
    assert found.proved


@needs_extra
def test_of_plans_of_one_length_the_one_with_less_handwork_is_taken() -> None:
    """A second unit has time for four set-ups, but two snapshots in a row need only two of them."""
    tasks = (Task("long", (0,), 100.0), *(Task(f"t{n}", (1,), 5.0) for n in range(4)))
    stands = [0, 1, 2, 1, 2]
    problem = Problem(
        tasks, 2, lambda unit, previous, task: 2.0 if previous is None or stands[previous] != stands[task] else 0.0
    )
    order = [0, 1, 2, 3, 4]
    by_job = replay(problem, [(task, records) for task in order for records in (False, True)])
    assert (by_job.makespan, by_job.hands_on) == (102.0, 10.0)
    found = exact.improve(problem, by_job)
    assert (found.schedule.makespan, found.schedule.hands_on, found.schedule.interruptions) == (102.0, 6.0, 3)


@needs_extra
def test_an_empty_queue_takes_no_time() -> None:
    assert exact.improve(Problem((), 1, lambda *_: 0.0), Schedule(())) == exact.Exact(Schedule(()), 0.0, True)


def test_asking_whether_the_extra_is_there_does_not_import_it() -> None:
    code = "import sys; from printq.plan.exact import available; available(); sys.exit('ortools' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


@pytest.mark.parametrize("hands_during_passes", [True, False])
def test_a_replayed_plan_is_no_longer_than_it_was(hands_during_passes: bool) -> None:
    for seed in range(20):
        problem = random_problem(seed, tasks=15, units=4, hands_during_passes=hands_during_passes, probe_s=12.0)
        schedule = solve(problem)
        again = replay(problem, events_of(schedule))
        assert broken_rules_of(problem, again) == []
        assert again.makespan <= schedule.makespan + 1e-9


def test_an_order_that_leaves_a_set_up_out_comes_to_a_standstill() -> None:
    problem = Problem((Task("a", (0,), 1.0),), 1, lambda *_: 0.0)
    with pytest.raises(ValueError, match="no event of the order can happen next"):
        replay(problem, [(0, True)])


def test_twins_are_chains_that_nobody_can_tell_apart() -> None:
    """Two stems in series through units 0 and 1, alike; a third is longer, and a fourth stands on other positions."""
    lengths = [(10.0, 10.0), (10.0, 10.0), (20.0, 20.0), (10.0, 10.0)]
    tasks = []
    for stem, (first, second) in enumerate(lengths):
        tasks += [Task(f"{stem}.0", (0,), first), Task(f"{stem}.1", (1,), second, (len(tasks),))]
    stands = [0, 0, 0, 0, 0, 0, 1, 1]
    problem = Problem(
        tuple(tasks),
        2,
        lambda unit, previous, task: float(stands[task] != (stands[previous] if previous is not None else 9)),
    )
    assert twins(problem) == [[[0, 1], [2, 3]]]
