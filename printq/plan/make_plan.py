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
from printq.plan.schedule import Schedule
from printq.plan.solve import solve
from printq.plan.warmth import cold_last

__all__ = ["make_plan", "number_resources", "state_problem", "warm_times", "write_plan"]


def make_plan(
    job: Job,
    pending: Sequence[str],
    *,
    rack: RackState | None = None,
    rack_on_s: float | None = None,
    search: bool = False,
) -> Plan:
    """Plan the passes named in `pending`; what they need beyond those is there already.

    Parameters
    ----------
    job : Job
    pending : sequence of str
        Pass ids, in the job's order.
    rack : RackState, optional
        Where the rack stands; left out, nobody knows, and every control counts.
    rack_on_s : float, optional
        For how long the rack has been on: of two plans that cost the same time and handwork, the one that records less
        on units that are still cold is taken. Left out, nobody knows, and warmth plays no part.
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
    schedule = cold_last(problem, schedule, warm_times(job, passes, rack_on_s))
    return write_plan(job, passes, rack, schedule, bound, by_search=by_search)


def write_plan(
    job: Job, passes: Sequence[Pass], rack: RackState, schedule: Schedule, bound: float, *, by_search: bool = False
) -> Plan:
    """A schedule in the job's words; its tasks count `passes`, and `rack` is how the units stand as it begins."""
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


def number_resources(job: Job, passes: Sequence[Pass]) -> dict[str, int]:
    """What some passes hold, numbered as in their problem: units by id, then channels of the interface.

    Channels are held like units, and need no hands; only those count that keep passes apart which share no unit.
    """
    used = sorted({unit.id for each in passes for unit in job.units_of(each)})
    return {name: index for index, name in enumerate([*used, *_contended_channels(job, passes)])}


def warm_times(job: Job, passes: Sequence[Pass], rack_on_s: float | None) -> tuple[float, ...]:
    """In how many seconds each of the passes' resources is warm; empty where nobody knows how long the rack is on."""
    if rack_on_s is None:
        return ()
    units = [job.rig.find_unit(name) for name in number_resources(job, passes)]
    return tuple(
        max(0.0, 60.0 * unit.warm_up_min - rack_on_s) if unit is not None and unit.warm_up_min else 0.0
        for unit in units
    )


def state_problem(job: Job, passes: Sequence[Pass], rack: RackState, *, beside: Sequence[Pass] = ()) -> Problem:
    """The problem of some passes on the job's rack.

    Tasks count `passes`; what they hold counts as in `number_resources` of them and of those `beside`, which hold
    something as well but are no tasks.
    """
    names = {each.id: index for index, each in enumerate(passes)}
    units = number_resources(job, [*passes, *beside])
    known_units = {index: job.rig.find_unit(name) for name, index in units.items()}
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
        found = known_units[unit]
        if found is None:
            return 0.0  # a channel
        if previous is None:
            state = rack.of(found.id)
        else:
            before = passes[previous]
            state = (before.insert, job.snapshot_of(before).settings.get(found.id, {}))
        return sum(move.seconds for move in unit_moves(job, passes[task], found, state))

    def set_up(unit: int, previous: int | None, task: int) -> float:
        return seconds(unit, None if previous is None else alike[previous], alike[task])

    return Problem(tasks, len(units), set_up, hands_during_passes=job.options.hands_during_passes)


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
