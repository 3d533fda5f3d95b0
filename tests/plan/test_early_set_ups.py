"""A pass may be set up before what it needs has been recorded; it may not start before."""

from __future__ import annotations

from printq.models.job import Options
from printq.models.passes import Job
from printq.plan import make_plan
from printq.plan.solve import solve
from tests.plan.builders import build_insert, build_job, build_snapshot, build_switch, build_unit
from tests.plan.instances import S3


def viola_twice(*, hands_during_passes: bool) -> Job:
    """The viola through the opto, and its print through the equaliser: a switch each, 2 s; each take lasts 14.2 s."""
    return build_job(
        [build_unit("opto", build_switch("bite")), build_unit("eq", build_switch("air"))],
        [build_insert("solo", "opto"), build_insert("top", "eq")],
        [
            build_snapshot("on", "solo", {"opto": {"bite": "in"}}),
            build_snapshot("lift", "top", {"eq": {"air": "in"}}),
        ],
        {"viola": ["on", "lift"]},
        options=Options(hands_during_passes=hands_during_passes),
    )


def times_of(job: Job) -> list[tuple[float, ...]]:
    plan = make_plan(job, [each.id for each in job.passes])
    return [
        tuple(round(time, 6) for time in (entry.set_up_start_s, entry.set_up_end_s, entry.start_s, entry.end_s))
        for entry in plan.entries
    ]


def test_the_second_unit_is_set_while_the_first_records() -> None:
    assert times_of(viola_twice(hands_during_passes=True)) == [(0.0, 2.0, 2.0, 16.2), (2.0, 4.0, 16.2, 30.4)]


def test_where_the_hands_must_rest_both_units_are_set_before_the_first_records() -> None:
    """Set later, the equaliser would cost the same 2 s, but call the hands a second time."""
    assert times_of(viola_twice(hands_during_passes=False)) == [(0.0, 2.0, 4.0, 18.2), (2.0, 4.0, 18.2, 32.4)]


def test_early_set_ups_bring_three_machines_below_what_is_possible_without() -> None:
    """Exhaustive search: 22 with set-ups before the predecessor has ended, 25 without."""
    assert S3.optimum <= solve(S3.problem).makespan < 25.0
