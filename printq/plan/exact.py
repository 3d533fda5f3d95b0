"""Better plans and a proven bound by constraint programming: what the extra `plan` is for.

The problem is stated to OR-Tools CP-SAT in whole milliseconds, all of them rounded down: whatever plan there is
stays possible in shorter times, so that a bound on those is a bound on the problem itself. What is found is only an
order of events; the times come from replaying it in the problem's own seconds, and no rounding can break a rule.

A search is limited by a count of its work, not by the clock, and its workers take turns: the same problem gives the
same plan.
"""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass, replace
from importlib.util import find_spec

from printq.plan.bound import lower_bound
from printq.plan.events import events_of, replay
from printq.plan.problem import Problem
from printq.plan.schedule import Schedule

__all__ = ["Exact", "available", "improve", "is_worth_it"]

PER_SECOND = 1000
"""Steps of time in a second: a millisecond is far below what hands can notice."""
EFFORT = 2.0
"""About ten seconds on two cores for a queue of 60 passes, less for shorter ones."""
LARGEST_QUEUE = 100
"""With more passes the model is so large that ten seconds of search find and prove next to nothing."""
IMPORT_S, SECONDS_EACH = 1.0, 1.0 / 6.0
"""What a search costs, roughly: to begin with, and for each pass."""
TIE_SHARE = 0.25
"""Part of the effort that goes to saving handwork once the length is settled."""


@dataclass(frozen=True)
class Exact:
    """The outcome of a search."""

    schedule: Schedule
    """Never worse than the one that the search began with."""
    bound: float
    """Seconds that no schedule can go below."""
    proved: bool
    """Whether none can be shorter, but for the rounding: a millisecond for each set-up and each recording."""
    by_search: bool = False
    """Whether the bound is higher than that of `lower_bound`."""


def available() -> bool:
    """Whether the extra is installed; without importing it."""
    return find_spec("ortools") is not None


def is_worth_it(problem: Problem, schedule: Schedule) -> bool:
    """Whether a search could shorten the schedule by more than the search takes; and could be done at all."""
    count = len(problem.tasks)
    if not available() or _has_begun(problem) or count > LARGEST_QUEUE:
        return False
    return schedule.makespan - lower_bound(problem) > IMPORT_S + SECONDS_EACH * count


def improve(problem: Problem, hint: Schedule, *, effort: float = EFFORT) -> Exact:
    """Look for a shorter schedule than the hint, and for the longest bound that can be proved.

    Among schedules of one length it looks for less handwork, then for fewer interruptions.

    Parameters
    ----------
    problem : Problem
    hint : Schedule
        Keeps every rule of the problem.
    effort : float
        Work to do at most, in CP-SAT's deterministic seconds: of the order of seconds on one core.

    Raises
    ------
    ModuleNotFoundError
        The extra is not installed: ask `available` first.
    ValueError
        The problem starts in the middle of an evening, which the model does not know.
    """
    from printq.plan.constraints import Model

    if not problem.tasks:
        return Exact(hint, 0.0, True)
    if _has_begun(problem):
        raise ValueError("the model starts with free units and hands; plan what is left of an evening with `solve`")
    coarse = _in_steps(problem)
    model = Model(coarse, replay(coarse, events_of(hint)))
    shorter, steps = model.shorten(effort * (1.0 - TIE_SHARE))
    best = min([hint, *(replay(problem, events) for events in shorter)], key=_quality)
    own = lower_bound(problem)
    bound = max(own, steps / PER_SECOND)
    if best.hands_on > 0.0:
        calmer = model.calm(replay(coarse, events_of(best)), effort * TIE_SHARE)
        best = min([best, *(replay(problem, events) for events in calmer)], key=_quality)
    rounding = (2 * len(problem.tasks) + 1) / PER_SECOND
    return Exact(best, min(bound, best.makespan), best.makespan <= bound + rounding, bound > own)


def _has_begun(problem: Problem) -> bool:
    late = (problem.hands_free, *problem.units_free, *(task.not_before for task in problem.tasks))
    return bool(problem.settled) or any(seconds > 0.0 for seconds in late)


def _quality(schedule: Schedule) -> tuple[float, float, int]:
    return (round(schedule.makespan, 6), round(schedule.hands_on, 6), schedule.interruptions)


def _steps(seconds: float) -> float:
    """Whole steps in a stretch of time; what misses one by no more than the last bits is one."""
    return float(math.floor(seconds * PER_SECOND + 1e-6))


def _in_steps(problem: Problem) -> Problem:
    """The same problem with its times in whole steps, none of them longer than it was."""
    on: dict[int, list[int]] = defaultdict(list)
    for index, task in enumerate(problem.tasks):
        for unit in task.units:
            on[unit].append(index)
    table = {
        (unit, previous, task): _steps(problem.set_up(unit, previous, task))
        for unit, tasks in on.items()
        for previous in (None, *tasks)
        for task in tasks
        if previous != task
    }
    return Problem(
        tuple(replace(task, duration=_steps(task.duration)) for task in problem.tasks),
        problem.unit_count,
        lambda unit, previous, task: table[unit, previous, task],
        _steps(problem.probe_s),
        problem.hands_during_passes,
    )
