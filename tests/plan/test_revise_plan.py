"""Plans that are revised in the middle of an evening, on random jobs that are cut anywhere.

A plan is followed to a moment; then what is left is planned anew. That nothing is moved which stands dialled, is being
dialled or rolls is checked from the times alone, by the rules of the rack.
"""

from __future__ import annotations

import random
from dataclasses import replace

import pytest

from printq.models.passes import Job
from printq.models.plan import Plan
from printq.models.rig import Control, Position
from printq.plan import Evening, PassLeft, PassUnderWay, RackState, make_plan, revise_plan
from tests.plan.builders import build_insert, build_job, build_snapshot, build_unit
from tests.plan.checker import Row, broken_rules
from tests.plan.test_random_jobs import Known, handwork, random_job


def cut(job: Job, plan: Plan, now: float) -> Evening:
    """How the run stands at a moment, if everything has gone by its plan so far."""
    rack = RackState()
    left, under_way = [], []
    asked, asked_left_s = None, 0.0
    for entry in sorted(plan.entries, key=lambda entry: (entry.set_up_start_s, entry.start_s)):
        each = job.find_pass(entry.pass_id)
        assert each is not None
        if entry.set_up_end_s <= now and (entry.moves or entry.start_s <= now):
            rack = rack.after(job, each)
        if entry.end_s <= now:
            continue
        if entry.start_s <= now:
            under_way.append(PassUnderWay(each, entry.end_s - now))
            continue
        if entry.set_up_start_s <= now < entry.set_up_end_s:
            asked, asked_left_s = entry.pass_id, entry.set_up_end_s - now
        dialled = bool(entry.moves) and entry.set_up_end_s <= now
        left.append(PassLeft(each, job.options.takes, dialled))
    return Evening(tuple(left), tuple(under_way), rack, asked, asked_left_s)


def without_a_stem(job: Job, evening: Evening, seed: int) -> Evening:
    """The same, but one stem will not come: nothing of it is left, nor of what is made from it."""
    stems = sorted({one.each.stem for one in evening.left if one.each.id != evening.asked and not one.dialled})
    if not stems:
        return evening
    gone: set[str] = set()
    lost = random.Random(seed).choice(stems)
    for each in job.passes:
        if each.stem == lost or gone.intersection(each.needs):
            gone.add(each.id)
    asked, asked_left_s = evening.asked, evening.asked_left_s
    if asked in gone:
        asked, asked_left_s = None, 0.0
    left = tuple(one for one in evening.left if one.each.id not in gone)
    return replace(evening, left=left, asked=asked, asked_left_s=asked_left_s)


def with_one_dialled_early(job: Job, evening: Evening, seed: int) -> tuple[Evening, PassLeft | None]:
    """The same, but somebody has dialled a pass already whose turn has not come; and which one that is."""
    settled = [one.each for one in evening.left if one.dialled or one.each.id == evening.asked]
    busy = {unit.id for each in (*settled, *(one.each for one in evening.under_way)) for unit in job.units_of(each)}
    free = [one for one in evening.left if not busy & {unit.id for unit in job.units_of(one.each)}]
    if not free:
        return evening, None
    early = replace(random.Random(seed).choice(free), dialled=True)
    left = tuple(early if one.each.id == early.each.id else one for one in evening.left)
    return replace(evening, left=left, rack=evening.rack.after(job, early.each)), early


def known_from(job: Job, plan: Plan, now: float) -> Known:
    """Where the units stand at a moment, by the entries of the plan alone."""
    known: Known = {}
    for entry in sorted(plan.entries, key=lambda entry: (entry.set_up_start_s, entry.start_s)):
        if entry.set_up_end_s <= now and (entry.moves or entry.start_s <= now):
            for unit, settings in job.snapshots[entry.snapshot].settings.items():
                known[unit] = (entry.insert, settings)
    return known


def sources_of(job: Job, name: str) -> set[str]:
    """All that a pass is made from."""
    each = job.find_pass(name)
    assert each is not None
    return set(each.needs).union(*(sources_of(job, need) for need in each.needs))


def rows_of(job: Job, evening: Evening, plan: Plan) -> list[Row]:
    """The timetable from now on, what is under way and what the hands are at included."""
    rows = []
    for one in evening.under_way:
        units = frozenset(job.snapshots[one.each.snapshot].settings)
        rows.append(Row(one.each.id, units, frozenset(), one.left_s, 0.0, 0.0, 0.0, 0.0, one.left_s))
    takes = {one.each.id: one for one in evening.left}
    planned = {*takes, *(one.each.id for one in evening.under_way)}
    for entry in plan.entries:
        each = takes[entry.pass_id].each
        rows.append(
            Row(
                name=each.id,
                units=frozenset(job.snapshots[each.snapshot].settings),
                needs=frozenset(each.needs) & planned,
                duration=takes[each.id].takes * 34.2,
                set_up_start=entry.set_up_start_s,
                set_up_end=entry.set_up_end_s,
                probe_end=entry.probe_end_s,
                start=entry.start_s,
                end=entry.end_s,
            )
        )
    return rows


def moments(plan: Plan, seed: int) -> list[float]:
    chance = random.Random(seed)
    edges = [entry.start_s for entry in plan.entries if entry.start_s > 0.0]
    return [chance.uniform(0.0, plan.makespan_s) for _ in range(2)] + [chance.choice(edges)]


@pytest.mark.parametrize("seed", range(8))
def test_what_is_left_of_a_random_job_keeps_every_rule_and_moves_nothing(
    seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("printq.plan.revising.WORTH_A_CHANGE_S", 0.01)  # so that the order often changes
    job = random_job(seed)
    passes = {each.id: each for each in job.passes}
    first = make_plan(job, list(passes))
    for now in moments(first, seed):
        evening, early = with_one_dialled_early(job, without_a_stem(job, cut(job, first, now), seed), seed)
        plan = revise_plan(job, evening)
        known = known_from(job, first, now)
        if early is not None:
            settings = job.snapshots[early.each.snapshot].settings
            known |= {unit: (early.each.insert, settings[unit]) for unit in settings}

        def set_up(
            unit: int | str, previous: str | None, name: str, known: Known = known, evening: Evening = evening
        ) -> float:
            if name in {one.each.id for one in evening.under_way}:
                return 0.0
            if name == evening.asked:  # the rest of it, whatever it was; asked for once, for the first of its units
                return evening.asked_left_s if unit == min(job.snapshots[passes[name].snapshot].settings) else 0.0
            before = known.get(str(unit))
            if previous is not None:
                settings = job.snapshots[passes[previous].snapshot].settings[str(unit)]
                before = (passes[previous].insert, settings)
            return handwork(job, str(unit), before, name)

        rows = rows_of(job, evening, plan)
        names = {row.name for row in rows}
        assert names == {one.each.id for one in (*evening.left, *evening.under_way)}
        assert broken_rules(rows, names, set_up, hands_during_passes=job.options.hands_during_passes) == []
        stays = {one.each.id for one in evening.left if one.dialled} | {evening.asked} - {None}
        entries = {entry.pass_id: entry for entry in plan.entries}
        for name in stays:
            assert name is not None
            assert name == evening.asked or entries[name].set_up_end_s == entries[name].set_up_start_s
            units = set(job.snapshots[passes[name].snapshot].settings)
            others = [entry for entry in plan.entries if units & set(job.snapshots[entry.snapshot].settings)]
            before = {entry.pass_id for entry in others if entry.start_s < entries[name].start_s}
            assert before <= stays | sources_of(job, name)
    assert plan == revise_plan(job, evening)


@pytest.mark.parametrize("seed", range(2))
def test_where_nothing_has_come_out_otherwise_the_end_stays_where_it_was(seed: int) -> None:
    job = random_job(seed)
    first = make_plan(job, [each.id for each in job.passes])
    for now in moments(first, seed):
        evening = cut(job, first, now)
        rows = rows_of(job, evening, revise_plan(job, evening))
        # Another order has to be worth 5 s; so much it may cost to keep the one at hand.
        assert max((row.end for row in rows), default=0.0) <= first.makespan_s - now + 5.0


def through(*stems: tuple[str, list[str]], **mixes: list[str]) -> Job:
    """Two knobs on units of their own, and a wire; snapshots `a` and `b` turn the first, `c` the second."""
    knob = Control(id="drive", kind="knob", range=(0, 10), dial_s=10)

    def stands(unit: str, at: float) -> dict[str, dict[str, Position]]:
        return {unit: {"drive": at}}

    return build_job(
        [build_unit("opto", knob), build_unit("eq", knob), build_unit("cable")],
        [build_insert("solo", "opto"), build_insert("top", "eq"), build_insert("wire", "cable")],
        [
            build_snapshot("a", "solo", stands("opto", 1.0)),
            build_snapshot("b", "solo", stands("opto", 2.0)),
            build_snapshot("c", "top", stands("eq", 1.0)),
            build_snapshot("w", "wire", {"cable": {}}),
        ],
        dict(stems),
        made_from=mixes,
        seconds=30.0,
    )


def left_of(job: Job, *names: str, **of: object) -> Evening:
    found = [job.find_pass(name) for name in names]
    passes = tuple(PassLeft(each, 1) for each in found if each is not None)
    return replace(Evening(passes, (), RackState()), **of)  # type: ignore[arg-type]


def order_of(plan: Plan) -> list[str]:
    return [entry.pass_id for entry in plan.entries]


def test_when_a_chain_will_not_come_what_leads_to_another_goes_first() -> None:
    """Both on one unit, 34.2 s each: the one with a pass after it first, whatever came first for the sake of others."""
    job = through(("viola", ["a"]), ("cello", ["b", "w"]))
    plan = revise_plan(job, left_of(job, "viola/solo", "cello/solo", "cello/wire"))
    assert order_of(plan)[0] == "cello/solo"
    assert plan.makespan_s == pytest.approx(10 + 34.2 + 10 + 34.2)


def test_what_stands_dialled_is_first_although_another_order_would_end_sooner() -> None:
    job = through(("viola", ["a"]), ("cello", ["b", "w"]))
    rack = RackState({"opto": ("solo", {"drive": 1.0})})
    evening = left_of(job, "viola/solo", "cello/solo", "cello/wire", rack=rack)
    stays = replace(evening, left=(replace(evening.left[0], dialled=True), *evening.left[1:]))
    assert order_of(revise_plan(job, stays))[0] == "viola/solo"
    # Positions that nobody waits for are not kept: there the other order wins.
    assert order_of(revise_plan(job, evening))[0] == "cello/solo"


def test_what_waits_dialled_for_a_print_keeps_its_unit() -> None:
    """The mix stands dialled and waits for the viola; nothing else gets its unit before."""
    job = through(("viola", ["c"]), ("mix", ["a"]), ("cello", ["b"]), mix=["viola/top"])
    rack = RackState({"opto": ("solo", {"drive": 1.0})})
    evening = left_of(job, "viola/top", "mix/solo", "cello/solo", rack=rack)
    evening = replace(evening, left=tuple(replace(one, dialled=one.each.stem == "mix") for one in evening.left))
    plan = revise_plan(job, evening)
    assert order_of(plan) == ["viola/top", "mix/solo", "cello/solo"]
    assert [entry.set_up_end_s - entry.set_up_start_s for entry in plan.entries] == [10.0, 0.0, 10.0]


def test_an_order_that_is_followed_is_not_given_up_for_nothing() -> None:
    """Two of a kind: neither order ends sooner, and the job's order is the other one."""
    job = through(("viola", ["a"]), ("cello", ["b"]))
    assert order_of(make_plan(job, ["viola/solo", "cello/solo"])) == ["viola/solo", "cello/solo"]
    assert order_of(revise_plan(job, left_of(job, "cello/solo", "viola/solo"))) == ["cello/solo", "viola/solo"]


def test_takes_that_are_good_are_not_planned_again() -> None:
    job = through(("viola", ["a"]))
    evening = left_of(job, "viola/solo")
    two = replace(evening, left=(replace(evening.left[0], takes=2),))
    assert revise_plan(job, two).makespan_s - revise_plan(job, evening).makespan_s == pytest.approx(34.2)


def test_a_channel_in_the_air_is_held_for_an_insert_that_shares_no_unit() -> None:
    job = build_job(
        [build_unit("opto"), build_unit("eq")],
        [build_insert("solo", "opto", channel=3), build_insert("top", "eq", channel=3)],
        [build_snapshot("s", "solo", {"opto": {}}), build_snapshot("t", "top", {"eq": {}})],
        {"viola": ["s"], "cello": ["t"]},
    )
    viola, cello = job.passes
    evening = Evening((PassLeft(cello, 1),), (PassUnderWay(viola, 20.0),), RackState())
    (entry,) = revise_plan(job, evening).entries
    assert entry.start_s == 20.0
