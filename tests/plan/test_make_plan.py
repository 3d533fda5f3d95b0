"""From a job to a plan: what is planned, how long it takes, and what it says about the hands."""

from __future__ import annotations

import pytest

from printq.models.job import Options
from printq.models.passes import Job
from printq.models.plan import Plan
from printq.plan import RackState, make_plan, set_up_moves
from tests.plan.builders import build_insert, build_job, build_snapshot, build_switch, build_unit
from tests.plan.checker import Row, broken_rules


def waltz(options: Options | None = None, patch_s: float = 0.0) -> Job:
    """Four stems on two units; the mix is made from three of them. `top` is the equaliser without the opto."""
    snapshots = [
        build_snapshot("on", "solo", {"opto": {"bite": "in"}, "eq": {"air": "in"}}),
        build_snapshot("off", "solo", {"opto": {"bite": "out"}, "eq": {"air": "out"}}),
        build_snapshot("lift", "top", {"eq": {"air": "in"}}),
    ]
    return build_job(
        [build_unit("opto", build_switch("bite")), build_unit("eq", build_switch("air"))],
        [build_insert("solo", "opto", "eq", patch_s=patch_s), build_insert("top", "eq", patch_s=patch_s)],
        snapshots,
        {"clarinet": ["on"], "viola": ["off", "lift"], "cello": ["on"], "harp": ["off"], "mix": ["lift"]},
        made_from={"mix": ["clarinet/solo", "viola/top", "harp/solo"]},
        options=options,
    )


def ids_of(job: Job) -> list[str]:
    return [each.id for each in job.passes]


def broken_rules_of_plan(job: Job, plan: Plan, pending: list[str], rack: RackState) -> list[str]:
    rows = []
    for entry in plan.entries:
        each = job.find_pass(entry.pass_id)
        assert each is not None
        rows.append(
            Row(
                name=each.id,
                units=frozenset(unit.id for unit in job.units_of(each)),
                needs=frozenset(each.needs).intersection(pending),
                duration=job.options.takes * each.layout.total / each.rate,
                set_up_start=entry.set_up_start_s,
                set_up_end=entry.set_up_end_s,
                probe_end=entry.probe_end_s,
                start=entry.start_s,
                end=entry.end_s,
            )
        )

    def set_up(unit: int | str, previous: str | None, name: str) -> float:
        each, before = job.find_pass(name), job.find_pass(previous or "")
        assert each is not None
        stands = rack if before is None else rack.after(job, before)
        return sum(move.seconds for move in set_up_moves(job, each, stands) if move.unit == unit)

    return broken_rules(rows, pending, set_up, hands_during_passes=job.options.hands_during_passes)


KNOWN = RackState({"opto": ("solo", {"bite": "out"}), "eq": ("top", {"air": "in"})})


@pytest.mark.parametrize("hands", [True, False], ids=["hands-any-time", "hands-between"])
@pytest.mark.parametrize("patch_s", [0.0, 20.0], ids=["wired", "patched"])
@pytest.mark.parametrize("rack", [RackState(), KNOWN], ids=["unknown", "untouched"])
def test_a_plan_keeps_every_rule(hands: bool, patch_s: float, rack: RackState) -> None:
    job = waltz(Options(hands_during_passes=hands), patch_s)
    plan = make_plan(job, ids_of(job), rack=rack)
    assert broken_rules_of_plan(job, plan, ids_of(job), rack) == []
    assert plan.lower_bound_s <= plan.makespan_s == max(entry.end_s for entry in plan.entries)
    assert plan.hands_on_s == pytest.approx(sum(e.set_up_end_s - e.set_up_start_s for e in plan.entries))


@pytest.mark.parametrize("patch_s", [0.0, 20.0], ids=["wired", "patched"])
def test_the_moves_of_an_entry_sum_to_its_set_up(patch_s: float) -> None:
    job = waltz(patch_s=patch_s)
    for entry in make_plan(job, ids_of(job), rack=KNOWN).entries:
        set_up = entry.set_up_end_s - entry.set_up_start_s
        assert sum(move.seconds for move in entry.moves) == pytest.approx(set_up, abs=1e-9)


def test_whoever_sets_up_in_the_order_of_the_plan_is_asked_for_the_moves_of_the_plan() -> None:
    job = waltz(patch_s=20.0)
    rack = KNOWN
    for entry in sorted(make_plan(job, ids_of(job), rack=KNOWN).entries, key=lambda e: (e.set_up_start_s, e.start_s)):
        each = job.find_pass(entry.pass_id)
        assert each is not None
        assert set_up_moves(job, each, rack) == entry.moves
        rack = rack.after(job, each)


@pytest.mark.parametrize(
    ("options", "recover_s", "seconds"),
    [
        # lead 1 + marker 0.1 + gap 1 + material 10 + tail 0.5 + gap 1 + marker 0.1 + rest 0.5
        pytest.param(Options(), 0.0, 14.2, id="defaults"),
        # 1 + 0.1 + (1 + 3) + 10 + 0.5 + (1 + 3) + 0.1 + 0.5
        pytest.param(Options(), 3.0, 20.2, id="recovering"),
        # the same, and 2 s of the opening with another 3 s to recover
        pytest.param(Options(settle_s=2.0), 3.0, 25.2, id="settling"),
        pytest.param(Options(takes=3), 0.0, 42.6, id="three-takes"),
    ],
)
def test_a_pass_lasts_as_long_as_its_takes(options: Options, recover_s: float, seconds: float) -> None:
    job = build_job(
        [build_unit("opto")],
        [build_insert("solo", "opto", recover_s=recover_s)],
        [build_snapshot("soft", "solo", {})],
        {"clarinet": ["soft"]},
        options=options,
    )
    plan = make_plan(job, ids_of(job))
    assert plan.makespan_s == pytest.approx(seconds, abs=1e-9)
    assert plan.lower_bound_s == pytest.approx(seconds, abs=1e-9)


def test_passes_that_are_not_pending_are_neither_planned_nor_waited_for() -> None:
    job = waltz()
    plan = make_plan(job, ["mix/top"])
    assert [(entry.pass_id, entry.set_up_start_s) for entry in plan.entries] == [("mix/top", 0.0)]


def test_nothing_to_do_is_an_empty_plan() -> None:
    plan = make_plan(waltz(), [])
    assert (plan.entries, plan.makespan_s, plan.lower_bound_s, plan.hands_on_s) == ((), 0.0, 0.0, 0.0)


def test_a_rack_that_is_known_to_be_in_place_needs_no_hands_and_no_time_for_them() -> None:
    job = waltz()
    there = RackState({"opto": ("solo", {"bite": "in"}), "eq": ("solo", {"air": "in"})})
    plan = make_plan(job, ["clarinet/solo", "cello/solo"], rack=there)
    assert plan.hands_on_s == 0.0
    for entry, start in zip(plan.entries, (0.0, 14.2), strict=True):
        assert entry.moves == ()
        assert entry.set_up_start_s == entry.set_up_end_s == entry.start_s == pytest.approx(start)


def test_passes_with_one_snapshot_follow_each_other() -> None:
    """The two snapshots alternate in the job; the switch is turned twice, not four times."""
    job = build_job(
        [build_unit("opto", build_switch("bite"))],
        [build_insert("solo", "opto")],
        [
            build_snapshot("on", "solo", {"opto": {"bite": "in"}}),
            build_snapshot("off", "solo", {"opto": {"bite": "out"}}),
        ],
        {"clarinet": ["on"], "viola": ["off"], "cello": ["on"], "harp": ["off"]},
    )
    plan = make_plan(job, ids_of(job))
    assert [entry.stem for entry in plan.entries] == ["clarinet", "cello", "viola", "harp"]
    assert plan.hands_on_s == pytest.approx(2 * 2.0)
    assert plan.makespan_s == plan.lower_bound_s == pytest.approx(4 * 14.2 + 2 * 2.0)


def test_the_same_input_gives_the_same_plan() -> None:
    job = waltz(patch_s=20.0)
    assert make_plan(job, ids_of(job)) == make_plan(waltz(patch_s=20.0), ids_of(job))
