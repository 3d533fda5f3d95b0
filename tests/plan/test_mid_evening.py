"""Plans of what is left: units and hands that are not free yet, tasks that stand dialled, units that are still cold."""

from __future__ import annotations

from dataclasses import replace

import pytest

from printq.plan.bound import lower_bound
from printq.plan.problem import Problem, Task
from printq.plan.schedule import Schedule, Slot
from printq.plan.solve import solve
from tests.plan.checker import broken_rules_of
from tests.plan.problems import random_problem


def flat(tasks: list[Task], units: int, seconds: float = 10.0, hands_during_passes: bool = True) -> Problem:
    return Problem(tuple(tasks), units, lambda unit, previous, task: seconds, hands_during_passes=hands_during_passes)


def slot_of(schedule: Schedule, task: int) -> Slot:
    return next(slot for slot in schedule.slots if slot.task == task)


def test_a_busy_unit_is_set_up_when_it_is_free() -> None:
    problem = replace(flat([Task("a", (0,), 60.0), Task("b", (1,), 60.0)], 2), units_free=(100.0, 0.0))
    schedule = solve(problem)
    assert (slot_of(schedule, 0).set_up_start, slot_of(schedule, 0).start) == (100.0, 110.0)
    assert slot_of(schedule, 1).set_up_start == 0.0


def test_busy_hands_begin_when_they_are_free_and_what_needs_none_does_not_wait() -> None:
    tasks = (Task("dialled", (0,), 60.0), Task("b", (1,), 60.0))
    problem = Problem(tasks, 2, lambda unit, previous, task: 10.0 * task, hands_free=30.0)
    schedule = solve(problem)
    assert slot_of(schedule, 0).start == 0.0
    assert (slot_of(schedule, 1).set_up_start, slot_of(schedule, 1).start) == (30.0, 40.0)


def test_a_task_waits_for_a_source_that_is_being_recorded() -> None:
    schedule = solve(flat([Task("a", (0,), 60.0, not_before=200.0)], 1))
    slot = slot_of(schedule, 0)
    assert (slot.set_up_start, slot.set_up_end, slot.start, slot.end) == (0.0, 10.0, 200.0, 260.0)


def test_where_hands_rest_they_wait_for_what_is_in_the_air() -> None:
    problem = flat([Task("a", (1,), 60.0)], 2, hands_during_passes=False)
    slot = slot_of(solve(replace(problem, units_free=(100.0, 0.0))), 0)
    assert (slot.set_up_start, slot.start) == (100.0, 110.0)


def test_what_stands_dialled_comes_first_on_its_unit() -> None:
    """Left to itself the long chain goes first; but the other task of the unit is dialled already."""
    tasks = [Task("dialled", (0,), 60.0), Task("long", (0,), 60.0), Task("after", (1,), 500.0, needs=(1,))]
    assert slot_of(solve(flat(tasks, 2)), 1).start < slot_of(solve(flat(tasks, 2)), 0).start
    schedule = solve(replace(flat(tasks, 2), settled=(0,)))
    assert slot_of(schedule, 0).start < slot_of(schedule, 1).start


def test_cold_units_come_last_where_it_costs_nothing() -> None:
    """Two passes of one length on one unit, one of them with a cold unit beside it, in either order of the job."""
    for cold in (0, 1):
        tasks = [Task(f"t{n}", (0, 1) if n == cold else (0,), 60.0) for n in range(2)]
        schedule = solve(replace(flat(tasks, 2, seconds=0.0), warm_at=(0.0, 50.0)))
        assert slot_of(schedule, cold).start == 60.0


def test_warmth_is_never_bought_with_time() -> None:
    tasks = [Task("cold", (0,), 60.0), Task("after", (1,), 500.0, needs=(0,)), Task("warm", (2,), 60.0)]
    problem = flat(tasks, 3)
    assert solve(replace(problem, warm_at=(1000.0, 0.0, 0.0))).makespan == solve(problem).makespan


@pytest.mark.parametrize("hands_during_passes", [True, False])
def test_what_is_left_of_a_random_evening_keeps_every_rule(hands_during_passes: bool) -> None:
    for seed in range(12):
        problem = random_problem(seed, tasks=9, units=3, hands_during_passes=hands_during_passes, probe_s=5.0)
        first = next(index for index, task in enumerate(problem.tasks) if not task.needs)
        free = (100.0 * (seed % 3), 0.0, 50.0)
        tasks = tuple(replace(task, not_before=30.0 * (index % 2)) for index, task in enumerate(problem.tasks))
        begun = replace(problem, tasks=tasks, units_free=free, hands_free=20.0, settled=(first,))
        schedule = solve(begun)
        assert broken_rules_of(begun, schedule) == []
        assert schedule == solve(begun)
        assert lower_bound(begun) <= schedule.makespan + 1e-6
        for slot in schedule.slots:
            task = begun.tasks[slot.task]
            assert slot.start >= task.not_before
            assert slot.set_up_start >= max(free[unit] for unit in task.units)
            if slot.set_up_end > slot.set_up_start:
                assert slot.set_up_start >= 20.0
                assert hands_during_passes or slot.set_up_start >= max(free)
        for unit in begun.tasks[first].units:
            order = [slot for slot in schedule.slots if unit in begun.tasks[slot.task].units]
            assert min(order, key=lambda slot: slot.start).task == first
