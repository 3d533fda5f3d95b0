"""Published instances: the plan is a schedule, never below the optimum, and not far above it."""

from __future__ import annotations

from itertools import product

import pytest

from printq.plan.bound import lower_bound
from printq.plan.problem import Problem, Task
from printq.plan.solve import solve
from tests.plan.checker import broken_rules_of
from tests.plan.exhaustive import shortest
from tests.plan.instances import PUBLISHED, Instance


@pytest.mark.parametrize("instance", [pytest.param(each, id=name) for name, each in PUBLISHED.items()])
def test_a_plan_lies_between_the_optimum_and_what_is_promised(instance: Instance) -> None:
    schedule = solve(instance.problem)
    assert broken_rules_of(instance.problem, schedule) == []
    assert lower_bound(instance.problem) <= instance.optimum
    assert instance.optimum <= schedule.makespan <= instance.within * instance.optimum


def test_two_machines_that_are_alike_need_fifteen_for_five_jobs() -> None:
    """Set-up and run of five jobs for one person at two identical machines: optimum 15, as (29 + 1) / 2 = 15.

    Who goes where is not the planner's to choose, so every choice is planned; none may come below the optimum.
    """
    jobs = [(2.0, 5.0), (1.0, 4.0), (3.0, 3.0), (1.0, 6.0), (2.0, 2.0)]
    lengths = []
    optima = []
    for choice in product((0, 1), repeat=len(jobs)):
        tasks = tuple(Task(f"J{i + 1}", (choice[i],), run) for i, (_, run) in enumerate(jobs))
        problem = Problem(tasks, 2, lambda unit, previous, task: jobs[task][0])
        schedule = solve(problem)
        assert broken_rules_of(problem, schedule) == []
        lengths.append(schedule.makespan)
        optima.append(shortest(problem))
        assert lower_bound(problem) <= optima[-1] <= schedule.makespan
    assert min(optima) == 15.0
    assert min(lengths) == 15.0
