"""Units that are still cold come last where that costs nothing, and only there."""

from __future__ import annotations

import random

import pytest

from printq.models.passes import Job
from printq.plan import make_plan
from tests.plan.builders import build_insert, build_job, build_snapshot, build_unit
from tests.plan.test_random_jobs import random_job


def with_warm_up(job: Job, **minutes: float) -> Job:
    units = [unit.model_copy(update={"warm_up_min": minutes.get(unit.id)}) for unit in job.rig.unit]
    return job.model_copy(update={"rig": job.rig.model_copy(update={"unit": units})})


def two_ways(first: str) -> Job:
    """Two passes of 14.2 s that need no hands on one unit; that of the viola has the valve stage beside it."""
    inserts = [build_insert("both", "opto", "valve"), build_insert("one", "opto")]
    snapshots = [build_snapshot("b", "both", {"opto": {}, "valve": {}}), build_snapshot("o", "one", {"opto": {}})]
    stems = {"viola": ["b"], "cello": ["o"]} if first == "viola" else {"cello": ["o"], "viola": ["b"]}
    job = build_job([build_unit("opto"), build_unit("valve")], inserts, snapshots, stems)
    return with_warm_up(job, valve=20.0)


def order_of(job: Job, rack_on_s: float | None) -> list[str]:
    plan = make_plan(job, [each.id for each in job.passes], rack_on_s=rack_on_s)
    return [entry.stem for entry in plan.entries]


@pytest.mark.parametrize("first", ["viola", "cello"])
def test_a_cold_unit_comes_last_in_either_order_of_the_job(first: str) -> None:
    # By the time that the cello is done the valve stage has been on for 20 min.
    assert order_of(two_ways(first), 20.0 * 60.0 - 10.0) == ["cello", "viola"]


@pytest.mark.parametrize(
    "rack_on_s",
    [
        pytest.param(None, id="nobody knows"),
        pytest.param(20.0 * 60.0, id="warm already"),
        pytest.param(0.0, id="cold throughout"),
    ],
)
def test_the_order_of_the_job_stays_where_warmth_has_no_say(rack_on_s: float | None) -> None:
    assert order_of(two_ways("viola"), rack_on_s) == ["viola", "cello"]


@pytest.mark.parametrize("seed", range(4))
def test_warmth_costs_neither_time_nor_handwork(seed: int) -> None:
    chance = random.Random(seed)
    job = with_warm_up(random_job(seed), opto=chance.uniform(1, 10), tape=chance.uniform(1, 10), eq=2.0)
    names = [each.id for each in job.passes]
    plan, warmed = make_plan(job, names), make_plan(job, names, rack_on_s=30.0)
    assert warmed.makespan_s <= plan.makespan_s + 1e-6
    assert warmed.hands_on_s <= plan.hands_on_s + 1e-6
