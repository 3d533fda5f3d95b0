"""From a job to a plan: states the problem, has it solved, and writes the answer in the job's words."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

from printq.models.passes import Job, Pass
from printq.models.plan import Plan, PlanEntry
from printq.plan import exact
from printq.plan.bound import lower_bound
from printq.plan.moves import RackState, set_up_moves, unit_moves
from printq.plan.problem import Problem, Task
from printq.plan.solve import solve

__all__ = ["make_plan", "state_problem"]


def make_plan(job: Job, pending: Sequence[str], *, rack: RackState | None = None, search: bool = False) -> Plan:
    """Plan the passes named in `pending`; what they need beyond those is there already.

    Parameters
    ----------
    job : Job
    pending : sequence of str
        Pass ids, in the job's order.
    rack : RackState, optional
        Where the rack stands; left out, nobody knows, and every control counts.
    search : bool
        Whether there are some ten seconds to look for a shorter plan and a better bound, if the extra `plan` is
        installed and that much can be gained.

    Returns
    -------
    Plan
        Times in seconds from the start; entries by the start of their recording. The same input gives the same
        plan.
    """
    rack = rack or RackState()
    wanted = set(pending)
    passes = [each for each in job.passes if each.id in wanted]
    problem = state_problem(job, passes, rack)
    schedule, bound, by_search = solve(problem), lower_bound(problem), False
    if search and exact.is_worth_it(problem, schedule):
        found = exact.improve(problem, schedule)
        schedule, bound, by_search = found.schedule, found.bound, found.by_search
    entries = []
    stands = rack
    # By set-up: that is the order in which the hands meet the units.
    for slot in sorted(schedule.slots, key=lambda s: (s.set_up_start, s.start, s.task)):
        each = passes[slot.task]
        entries.append(
            PlanEntry(
                pass_id=each.id,
                stem=each.stem,
                insert=each.insert,
                snapshot=each.snapshot,
                set_up_start_s=slot.set_up_start,
                set_up_end_s=slot.set_up_end,
                probe_end_s=slot.probe_end,
                start_s=slot.start,
                end_s=slot.end,
                moves=set_up_moves(job, each, stands),
            )
        )
        stands = stands.after(job, each)
    return Plan(
        makespan_s=schedule.makespan,
        lower_bound_s=min(bound, schedule.makespan),
        bound_by="search" if by_search else "arguments",
        hands_on_s=schedule.hands_on,
        entries=tuple(sorted(entries, key=lambda entry: (entry.start_s, entry.set_up_start_s))),
    )


def state_problem(job: Job, passes: Sequence[Pass], rack: RackState) -> Problem:
    """The problem of some passes on the job's rack: task and unit numbers count `passes` and the ids of units used."""
    names = {each.id: index for index, each in enumerate(passes)}
    # Units come first; channels behind them are held like units, and need no hands.
    used = sorted({unit.id for each in passes for unit in job.units_of(each)})
    held = [*used, *_contended_channels(job, passes)]
    units = {name: index for index, name in enumerate(held)}
    tasks = tuple(
        Task(
            name=each.id,
            units=tuple(units[name] for name in job.resources_of(each) if name in units),
            duration=job.options.takes * each.layout.total / each.rate,
            needs=tuple(names[need] for need in each.needs if need in names),
        )
        for each in passes
    )

    # Passes with one snapshot on one insert cost the same handwork: only the first of them is looked at.
    first_alike: dict[tuple[str, str], int] = {}
    alike = [first_alike.setdefault((each.insert, each.snapshot), index) for index, each in enumerate(passes)]

    @cache
    def seconds(unit: int, previous: int | None, task: int) -> float:
        found = job.rig.find_unit(used[unit])
        assert found is not None
        if previous is None:
            state = rack.of(found.id)
        else:
            before = passes[previous]
            state = (before.insert, job.snapshot_of(before).settings.get(found.id, {}))
        return sum(move.seconds for move in unit_moves(job, passes[task], found, state))

    def set_up(unit: int, previous: int | None, task: int) -> float:
        if unit >= len(used):
            return 0.0
        return seconds(unit, None if previous is None else alike[previous], alike[task])

    return Problem(tasks, len(held), set_up, hands_during_passes=job.options.hands_during_passes)


def _contended_channels(job: Job, passes: Sequence[Pass]) -> list[str]:
    """Channels that inserts share which have no unit in common: nothing else keeps their passes apart."""
    units: dict[str, set[str]] = {}
    contended: set[str] = set()
    for each in passes:
        own = {unit.id for unit in job.units_of(each)}
        for name in set(job.resources_of(each)) - own:
            common = units.setdefault(name, own)
            units[name] = common & own
            if not units[name]:
                contended.add(name)
    return sorted(contended)
