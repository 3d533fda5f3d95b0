"""A new plan of what is left, in the middle of an evening.

What stands dialled, is being dialled or is in the air stays where it is; everything else may change places. The order
that was followed so far is kept unless another one ends noticeably sooner: hands that have read one list should not be
given another one for nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from printq.models.passes import Job, Pass
from printq.models.plan import Plan, PlanEntry
from printq.plan.bound import lower_bound
from printq.plan.make_plan import number_resources, state_problem, warm_times, write_plan
from printq.plan.moves import RackState
from printq.plan.numbers import Numbers
from printq.plan.problem import Problem, Task
from printq.plan.schedule import Schedule, schedule_of
from printq.plan.search import Search
from printq.plan.solve import solve
from printq.plan.timing import time_tasks
from printq.plan.warmth import cold_last

__all__ = ["Evening", "PassLeft", "PassUnderWay", "revise_plan"]

EFFORT = 0.25
"""Of the work for a plan before a run: 200 passes take about a third of a second."""
IMPROVING_WORK, IMPROVING_WORK_PER_PAIR = 150_000, 500
"""Tasks placed while the order at hand is improved, at most and for each pair of tasks."""
COLD = 0.02
"""Temperature of that search, by the mean length of a task: it stays near the order at hand."""
WORTH_A_CHANGE_S = 5.0
"""Another order has to end sooner by this much; the rig file's dial times are no better than that."""


@dataclass(frozen=True)
class PassLeft:
    """A pass of which something is still to be recorded, and no take of it is in the air or being checked."""

    each: Pass
    takes: int
    """How many takes of it are to come."""
    dialled: bool = False
    """Its units stand as it wants them, and are kept for it."""


@dataclass(frozen=True)
class PassUnderWay:
    """A pass of which a take is in the air or being checked."""

    each: Pass
    left_s: float
    """Until it is printed, further takes included."""


@dataclass(frozen=True)
class Evening:
    """How a run stands at a moment."""

    left: tuple[PassLeft, ...]
    """In the order of the plan that was followed so far."""
    under_way: tuple[PassUnderWay, ...]
    rack: RackState
    asked: str | None = None
    """The pass that the hands are at, if any; it is one of `left`."""
    asked_left_s: float = 0.0
    """How long they will be at it."""
    rack_on_s: float | None = None
    """For how long the rack has been on by now, where anybody knows."""


def revise_plan(job: Job, evening: Evening) -> Plan:
    """Plan what is left of an evening.

    Returns
    -------
    Plan
        Of the passes that are left; times in seconds from now. Passes that stand dialled, and the one that the hands
        are at, come first on their units. For the latter the set-up is what is left of it, while its moves are all
        that were asked for. The same evening gives the same plan.
    """
    # By the job's order: that is what the planner falls back on where nothing else tells passes apart.
    place = {each.id: number for number, each in enumerate(job.passes)}
    left = sorted(evening.left, key=lambda one: place[one.each.id])
    passes = [one.each for one in left]
    at = {each.id: index for index, each in enumerate(passes)}
    followed = [at[one.each.id] for one in evening.left]
    kept = [index for index in followed if left[index].dialled or left[index].each.id == evening.asked]
    problem = _keep_units_for(_state(job, evening, left), kept)
    if evening.asked is not None:
        problem = _with_hands_at(problem, at[evening.asked], evening.asked_left_s)
    beside = [one.each for one in evening.under_way]
    warm_at = warm_times(job, [*passes, *beside], evening.rack_on_s)
    schedule = _choose(problem, _sort_by_needs(problem, [*problem.settled, *kept, *followed]), warm_at)
    plan = write_plan(job, passes, evening.rack, schedule, lower_bound(problem))
    return plan.model_copy(update={"entries": tuple(_with_set_up_left(entry, evening) for entry in plan.entries)})


def _with_set_up_left(entry: PlanEntry, evening: Evening) -> PlanEntry:
    """An entry of the plan; that of the pass which the hands are at says until when they are."""
    if entry.pass_id != evening.asked:
        return entry
    until = max(entry.set_up_end_s, evening.asked_left_s)
    return entry.model_copy(update={"set_up_start_s": 0.0, "set_up_end_s": until, "probe_end_s": until})


def _state(job: Job, evening: Evening, left: Sequence[PassLeft]) -> Problem:
    passes = [one.each for one in left]
    beside = [one.each for one in evening.under_way]
    problem = state_problem(job, passes, evening.rack, beside=beside)
    numbers = number_resources(job, [*passes, *beside])
    free = [0.0] * problem.unit_count
    printed = {}
    for one in evening.under_way:
        printed[one.each.id] = one.left_s
        for name in job.resources_of(one.each):
            if name in numbers:
                free[numbers[name]] = max(free[numbers[name]], one.left_s)
    tasks = tuple(
        replace(
            task,
            duration=one.takes * one.each.layout.total / one.each.rate,
            not_before=max((printed.get(need, 0.0) for need in one.each.needs), default=0.0),
        )
        for task, one in zip(problem.tasks, left, strict=True)
    )
    return replace(problem, tasks=tasks, units_free=tuple(free))


def _keep_units_for(problem: Problem, kept: Sequence[int]) -> Problem:
    """The problem in which nothing comes before some tasks on their units, but what those are made from.

    Said as a need, and not as `settled`: what is dialled may have to wait for a print that nobody has begun with. Of
    two tasks on one unit the first in `kept` stays first; both can only be dialled where they stand alike.
    """
    tasks = list(problem.tasks)
    for first in kept:
        made_from = _all_needs(tasks, first)
        units = set(tasks[first].units)
        for index, task in enumerate(tasks):
            if index != first and index not in made_from and units.intersection(task.units):
                tasks[index] = replace(task, needs=(*task.needs, first))
    return replace(problem, tasks=tuple(tasks))


def _all_needs(tasks: Sequence[Task], first: int) -> set[int]:
    """Everything that has to have ended before a task starts."""
    found: set[int] = set()
    open_ends = [first]
    while open_ends:
        for need in tasks[open_ends.pop()].needs:
            if need not in found:
                found.add(need)
                open_ends.append(need)
    return found


def _with_hands_at(problem: Problem, asked: int, left_s: float) -> Problem:
    """The problem in which the hands are at a task, and will be for so long."""
    known, first_unit = problem.set_up, problem.tasks[asked].units[0]
    rests = not problem.hands_during_passes

    def set_up(unit: int, previous: int | None, task: int) -> float:
        if task != asked or previous is not None:
            return known(unit, previous, task)
        return left_s if rests and unit == first_unit else 0.0

    if rests:
        # Set-ups before a roll are one stop: that the hands are in the middle of it must not end it.
        settled = () if problem.tasks[asked].needs else (asked,)
        return replace(problem, set_up=set_up, settled=settled)
    tasks = list(problem.tasks)
    tasks[asked] = replace(tasks[asked], not_before=max(left_s, tasks[asked].not_before))
    return replace(problem, set_up=set_up, tasks=tuple(tasks), hands_free=left_s)


def _sort_by_needs(problem: Problem, wanted: Sequence[int]) -> list[int]:
    """An order as near to the wanted one as needs allow; a task may be named again."""
    order: list[int] = []
    placed: set[int] = set()
    # No recursion: a chain may be longer than the stack is deep.
    stack = list(reversed(wanted))
    while stack:
        missing = [need for need in problem.tasks[stack[-1]].needs if need not in placed]
        if missing:
            stack += reversed(missing)
            continue
        task = stack.pop()
        if task not in placed:
            placed.add(task)
            order.append(task)
    return order


def _choose(problem: Problem, order: Sequence[int], warm_at: Sequence[float]) -> Schedule:
    """The schedule of an order that is followed already, or that of another which is worth the change."""
    if not problem.tasks:
        return Schedule(())
    numbers = Numbers(problem)
    timing = time_tasks(numbers, order)
    assert timing is not None
    followed = schedule_of(timing, problem.probe_s)
    search = Search(numbers, timing)
    mean = sum(numbers.durations) / numbers.count
    search.anneal(min(IMPROVING_WORK, IMPROVING_WORK_PER_PAIR * numbers.count**2), COLD * mean)
    others = [schedule_of(search.best, problem.probe_s), solve(problem, effort=EFFORT)]
    best = min(others, key=lambda schedule: (round(schedule.makespan, 6), round(schedule.hands_on, 6)))
    if best.makespan > followed.makespan - WORTH_A_CHANGE_S:
        return followed
    return cold_last(problem, best, warm_at)
