"""Plans of random jobs, held against the rules for handwork as written, not against the planner's own moves."""

from __future__ import annotations

import random
from collections.abc import Mapping

import pytest

from printq.models.job import Options
from printq.models.passes import Job
from printq.models.rig import Control, Position
from printq.plan import RackState, make_plan
from tests.plan.builders import build_insert, build_job, build_snapshot, build_switch, build_unit
from tests.plan.checker import Row, broken_rules

UNITS = ("opto", "eq", "tape", "shaper")
Known = dict[str, tuple[str, Mapping[str, Position]]]


def random_job(seed: int) -> Job:
    """Up to ten stems over five inserts that share four units, one of them with presets, some to be plugged."""
    chance = random.Random(seed)
    knob = Control(id="drive", kind="knob", range=(0, 10))
    step = Control(id="tone", kind="stepped", positions=[1, 2, 3], dial_s=4.5)
    units = [
        build_unit(name, knob, step, build_switch("air"), build_switch("meter", fixed="out"))
        if name != "tape"
        else build_unit(name, recall="preset", preset_s=7.0)
        for name in UNITS
    ]
    inserts = [
        build_insert(f"path-{n}", *chance.sample(UNITS, chance.choice([1, 1, 2])), patch_s=chance.choice([0.0, 25.0]))
        for n in range(5)
    ]
    snapshots = []
    for insert in inserts:
        for letter in "ab":
            settings: dict[str, dict[str, Position]] = {
                unit: {"preset": chance.choice(["reed", "rope"])}
                if unit == "tape"
                else {
                    "drive": float(chance.randrange(3)),
                    "tone": chance.choice([1, 2]),
                    "air": chance.choice(["in", "out"]),
                }
                for unit in insert.each_unit()
            }
            snapshots.append(build_snapshot(f"{insert.id}-{letter}", insert.id, settings))
    stems = {}
    for n in range(chance.randint(1, 10)):
        through = chance.sample(inserts, chance.choice([1, 1, 2, 3]))
        stems[f"stem-{n}"] = [f"{insert.id}-{chance.choice('ab')}" for insert in through]
    options = Options(takes=chance.choice([1, 2]), hands_during_passes=seed % 2 == 0)
    last = {stem: f"{stem}/{through[-1].rsplit('-', 1)[0]}" for stem, through in stems.items()}
    mix = {"mix": list(last.values())}
    return build_job(
        units, inserts, snapshots, {**stems, "mix": [snapshots[0].id]}, seconds=30.0, made_from=mix, options=options
    )


def handwork(job: Job, unit_id: str, before: tuple[str, Mapping[str, Position]] | None, pass_id: str) -> float:
    """Seconds on one unit: what differs is dialled, a preset is loaded once, a plug is moved after another insert."""
    each = next(each for each in job.passes if each.id == pass_id)
    insert = next(insert for insert in job.rig.insert if insert.id == each.insert)
    unit = next(unit for unit in job.rig.unit if unit.id == unit_id)
    wanted = job.snapshots[each.snapshot].settings[unit_id]
    came_from, stands = before if before is not None else (None, {})
    seconds = insert.patch_s if came_from not in (None, insert.id) else 0.0
    if unit.recall == "preset":
        return seconds + (unit.preset_s if stands != wanted else 0.0)
    usual = {"knob": 6.0, "stepped": 3.0, "switch": 2.0}
    for control in unit.control:
        if control.fixed is None and (control.id not in stands or stands[control.id] != wanted[control.id]):
            seconds += usual[control.kind] if control.dial_s is None else control.dial_s
    return seconds


@pytest.mark.parametrize("seed", range(40))
def test_a_plan_of_a_random_job_keeps_every_rule(seed: int) -> None:
    job = random_job(seed)
    known: Known = {}
    if seed % 3 == 0:
        known = {
            "opto": ("path-0", {"drive": 1.0, "tone": 2, "air": "in"}),
            "tape": ("elsewhere", {"preset": "rope"}),
        }
    passes = {each.id: each for each in job.passes}
    plan = make_plan(job, list(passes), rack=RackState(known))

    def set_up(unit: int | str, previous: str | None, name: str) -> float:
        before = known.get(str(unit))
        if previous is not None:
            settings = job.snapshots[passes[previous].snapshot].settings[str(unit)]
            before = (passes[previous].insert, settings)
        return handwork(job, str(unit), before, name)

    rows = [
        Row(
            name=entry.pass_id,
            units=frozenset(job.snapshots[entry.snapshot].settings),
            needs=frozenset(passes[entry.pass_id].needs),
            # 1 + 0.1 + 1 + 30 of material + 0.5 + 1 + 0.1 + 0.5
            duration=job.options.takes * 34.2,
            set_up_start=entry.set_up_start_s,
            set_up_end=entry.set_up_end_s,
            probe_end=entry.probe_end_s,
            start=entry.start_s,
            end=entry.end_s,
        )
        for entry in plan.entries
    ]
    assert broken_rules(rows, passes, set_up, hands_during_passes=job.options.hands_during_passes) == []
    for row, entry in zip(rows, plan.entries, strict=True):
        assert sum(move.seconds for move in entry.moves) == pytest.approx(row.set_up_end - row.set_up_start, abs=1e-9)
    assert plan.lower_bound_s <= plan.makespan_s == max(row.end for row in rows)
    assert plan.hands_on_s == pytest.approx(sum(row.set_up_end - row.set_up_start for row in rows))
