"""What planning saves against the naive order, and that the documentation says so.

The naive order: pass after pass as the job names them, one at a time, each set up when the one before has ended.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from pathlib import Path

import pytest

from printq.intake import load_job
from printq.models.passes import Job
from printq.models.rig import Position
from printq.plan import make_plan
from tests.plan.forty_stems import forty_stems
from tests.plan.test_random_jobs import handwork

ROOT = Path(__file__).parents[2]


def load_waltz() -> Job:
    return load_job(ROOT / "sample_sessions" / "lighthouse_waltz")


def naive_seconds(job: Job) -> tuple[float, float]:
    """Length and handwork of the naive order, added up from the rules for handwork as written."""
    known: dict[str, tuple[str, Mapping[str, Position]]] = {}
    done: set[str] = set()
    recorded = hands = 0.0
    for each in job.passes:
        assert done.issuperset(each.needs), "the job names a pass before its sources"
        insert = next(insert for insert in job.rig.insert if insert.id == each.insert)
        for unit in insert.each_unit():
            hands += handwork(job, unit, known.get(unit), each.id)
            known[unit] = (insert.id, job.snapshots[each.snapshot].settings.get(unit, {}))
        recorded += job.options.takes * each.layout.total / each.rate
        done.add(each.id)
    return recorded + hands, hands


def clock(seconds: float) -> str:
    """As the page shows times, to the second."""
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02}:{rest:02}" if hours else f"{minutes}:{rest:02}"


@pytest.mark.parametrize(
    ("name", "make_job", "stems"),
    [("the sample session", load_waltz, 7), ("forty stems of four minutes", forty_stems, 41)],
)
def test_the_documented_savings_are_those_of_the_plan(name: str, make_job: Callable[[], Job], stems: int) -> None:
    job = make_job()
    assert len({each.stem for each in job.passes}) == stems
    naive, by_hand = naive_seconds(job)
    plan = make_plan(job, [each.id for each in job.passes])
    row = [
        name,
        str(len(job.passes)),
        clock(naive),
        clock(plan.makespan_s),
        f"{100.0 * (1.0 - plan.makespan_s / naive):.0f} %",
        clock(by_hand),
        clock(plan.hands_on_s),
        clock(plan.lower_bound_s),
    ]
    page = (ROOT / "docs" / "planning.md").read_text(encoding="utf-8")
    documented = re.search(rf"^\| {re.escape(name)} \|.*$", page, re.MULTILINE)
    assert documented is not None
    assert [cell.strip() for cell in documented.group().strip("|").split("|")] == row
    assert naive > plan.makespan_s
