"""Plans of any size for pictures: made by a plain rule in the tests, so that they stay what they are."""

from __future__ import annotations

import random

from printq.models.passes import Job
from printq.models.plan import Move, Plan, PlanEntry
from printq.models.rig import Control
from tests.plan.builders import build_insert, build_job, build_snapshot, build_unit

LABELS = ["Opto compressor", "Valve equaliser", "Parametric equaliser A", "Parametric equaliser B", "Transient shaper"]
INSERTS = {"solo": ("u0", "u1"), "strings": ("u2",), "wide": ("u2", "u3"), "speech": ("u4",)}


def make_job(passes: int) -> Job:
    """Stems of one or two passes through a rack of five units, four inserts and twelve snapshots."""
    chance = random.Random(passes)
    units = [
        build_unit(f"u{number}", Control(id="gain", kind="knob", range=(0, 10))).model_copy(update={"label": label})
        for number, label in enumerate(LABELS)
    ]
    inserts = [build_insert(name, *through, channel=1 + n) for n, (name, through) in enumerate(INSERTS.items())]
    snapshots = [
        build_snapshot(f"{insert.id}-{word}", insert.id, {unit: {"gain": float(n)} for unit in insert.each_unit()})
        for insert in inserts
        for n, word in enumerate(("soft", "firm", "open"))
    ]
    stems: dict[str, list[str]] = {}
    left = passes
    while left:
        through = chance.sample(inserts, min(left, chance.choice([1, 2])))
        instrument = chance.choice(["clarinet", "viola", "cello", "harp", "harmonium", "narrator"])
        stems[f"{instrument}-{len(stems) + 1}"] = [
            f"{insert.id}-{chance.choice(['soft', 'firm', 'open'])}" for insert in through
        ]
        left -= len(through)
    return build_job(units, inserts, snapshots, stems, seconds=1.0)


def make_timetable(job: Job, lengths: tuple[float, float], probe_s: float = 0.0) -> Plan:
    """The job in its order, each pass as soon as the hands and its units are free; lengths in seconds, by chance."""
    chance = random.Random(len(job.passes))
    free: dict[str, float] = {}
    last: dict[str, str] = {}
    ends: dict[str, float] = {}
    hands = 0.0
    entries = []
    for each in job.passes:
        units = [unit.id for unit in job.units_of(each)]
        begin = max(free.get(unit, 0.0) for unit in units)
        moves: tuple[Move, ...] = ()
        if any(last.get(unit) != each.snapshot for unit in units):
            moves = tuple(Move(unit=unit, control="gain", to=1.0, seconds=chance.uniform(4.0, 40.0)) for unit in units)
            begin = max(begin, hands)
        set_up_end = begin + sum(move.seconds for move in moves)
        hands = max(hands, set_up_end)
        probe_end = set_up_end + (probe_s if moves else 0.0)
        start = max(probe_end, *(ends[need] for need in each.needs), 0.0)
        ends[each.id] = start + chance.uniform(*lengths)
        for unit in units:
            free[unit], last[unit] = ends[each.id], each.snapshot
        entries.append(
            PlanEntry(
                pass_id=each.id,
                stem=each.stem,
                insert=each.insert,
                snapshot=each.snapshot,
                set_up_start_s=begin,
                set_up_end_s=set_up_end,
                probe_end_s=probe_end,
                start_s=start,
                end_s=ends[each.id],
                moves=moves,
            )
        )
    return Plan(
        makespan_s=max(ends.values()),
        lower_bound_s=0.9 * max(ends.values()),
        hands_on_s=sum(entry.set_up_end_s - entry.set_up_start_s for entry in entries),
        entries=tuple(sorted(entries, key=lambda entry: (entry.start_s, entry.set_up_start_s))),
    )
