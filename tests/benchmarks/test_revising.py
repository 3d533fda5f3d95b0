"""A plan of what is left against the plan that a run begins with."""

from __future__ import annotations

import random
import time
from typing import Any

import pytest

from printq.models.job import Options
from printq.models.rig import Control
from printq.plan import make_plan
from printq.plan.revising import revise_plan
from tests.plan.builders import build_insert, build_job, build_snapshot, build_unit
from tests.plan.test_revise_plan import cut


@pytest.mark.parametrize("hands", [True, False], ids=["hands-any-time", "hands-between"])
def test_two_hundred_passes_are_revised(benchmark: Any, hands: bool) -> None:
    chance = random.Random(3)
    knob = Control(id="drive", kind="knob", range=(0, 10))
    names = [f"unit-{n}" for n in range(6)]
    snapshots = [
        build_snapshot(f"{name}-{n}", f"on-{name}", {name: {"drive": float(n)}}) for name in names for n in range(5)
    ]
    stems = {f"stem-{n}": [f"{name}-{chance.randrange(5)}" for name in chance.sample(names, 2)] for n in range(100)}
    inserts = [build_insert(f"on-{name}", name, channel=place) for place, name in enumerate(names, start=1)]
    options = Options(hands_during_passes=hands)
    job = build_job([build_unit(name, knob) for name in names], inserts, snapshots, stems, options=options)
    begun = time.perf_counter()
    first = make_plan(job, [each.id for each in job.passes])
    reference = time.perf_counter() - begun
    evening = cut(job, first, 60.0)
    benchmark.pedantic(lambda: revise_plan(job, evening), rounds=3)
    share = benchmark.stats.stats.min / reference
    benchmark.extra_info["share_of_a_plan"] = round(share, 2)
    print(f"\n{share:.2f} of the time of a first plan")
