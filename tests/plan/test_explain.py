"""Why a pass stands where it stands: every cause there is, on plans made by hand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import pytest

from printq.errors import UsageError
from printq.models.explanation import Explanation
from printq.models.job import Options
from printq.models.passes import Job, SumPart, SumSource
from printq.models.plan import Move, Plan, PlanEntry
from printq.plan import explain_pass, make_plan
from tests.pictures.plans import make_job
from tests.plan.builders import build_insert, build_job, build_snapshot, build_switch, build_unit


def build(options: Options | None = None) -> Job:
    """Clarinet and cello share the opto, the viola has a unit of its own, and so has the harp, on the viola's send."""
    return build_job(
        [build_unit(name, build_switch("air")) for name in ("opto", "eq", "shaper", "tape")],
        [
            build_insert("solo", "opto", channel=1),
            build_insert("strings", "eq", channel=2),
            build_insert("speech", "shaper", channel=3),
            build_insert("reel", "tape", channel=2),
        ],
        [
            build_snapshot("soft", "solo", {"opto": {"air": "in"}}),
            build_snapshot("lift", "strings", {"eq": {"air": "in"}}),
            build_snapshot("close", "speech", {"shaper": {"air": "in"}}),
            build_snapshot("warm", "reel", {"tape": {"air": "in"}}),
        ],
        {"clarinet": ["soft", "close"], "cello": ["soft"], "viola": ["lift"], "harp": ["warm"], "mix": ["close"]},
        made_from={"mix": ["viola/strings"]},
        options=options,
    )


def entry(
    pass_id: str, set_up: tuple[float, float] | None, rolls: tuple[float, float], probe: float = 0.0
) -> PlanEntry:
    """A pass by hand: seconds of its set-up (None where nothing moves) and of its recording."""
    stem, insert = pass_id.split("/")
    unit = {"solo": "opto", "strings": "eq", "speech": "shaper", "reel": "tape"}[insert]
    begin, end = set_up or (rolls[0], rolls[0])
    moves = (Move(unit=unit, control="air", to="in", seconds=end - begin),) if set_up else ()
    return PlanEntry(
        pass_id=pass_id,
        stem=stem,
        insert=insert,
        snapshot="soft",
        set_up_start_s=begin,
        set_up_end_s=end,
        probe_end_s=end + probe,
        start_s=rolls[0],
        end_s=rolls[1],
        moves=moves,
    )


def plan(*entries: PlanEntry) -> Plan:
    return Plan(
        makespan_s=max(each.end_s for each in entries),
        lower_bound_s=0.0,
        hands_on_s=sum(each.set_up_end_s - each.set_up_start_s for each in entries),
        entries=entries,
    )


CLARINET = entry("clarinet/solo", (0.0, 10.0), (10.0, 40.0))
RESTING = Options(hands_during_passes=False)


@dataclass(frozen=True)
class Row:
    """A plan, the pass asked about, and what holds it: (kind, pass it waits for, until), from its start back."""

    entries: tuple[PlanEntry, ...]
    asked: str
    chain: list[tuple[str, str | None, float]]
    sooner_s: float
    says: str
    options: Options | None = None


TABLE = {
    "nothing is to be done first": Row(
        (entry("viola/strings", None, (0.0, 30.0)),), "viola/strings", [("start", None, 0.0)], 0.0, "starts at once"
    ),
    "its own set-up": Row(
        (CLARINET,), "clarinet/solo", [("set-up", None, 10.0), ("start", None, 0.0)], 10.0, "less to dial"
    ),
    "a probe after its set-up": Row(
        (entry("clarinet/solo", (0.0, 10.0), (22.0, 50.0), probe=12.0),),
        "clarinet/solo",
        [("probe", None, 22.0), ("start", None, 0.0)],
        10.0,
        "less to dial",
    ),
    "a unit, where nothing moves": Row(
        (CLARINET, entry("cello/solo", None, (40.0, 60.0))),
        "cello/solo",
        [("unit", "clarinet/solo", 40.0), ("set-up", None, 10.0), ("start", None, 0.0)],
        40.0,
        "a second opto, or clarinet/solo later than this pass (up to 0:40 gained)",
    ),
    "a unit, before its set-up": Row(
        (CLARINET, entry("cello/solo", (40.0, 45.0), (45.0, 60.0))),
        "cello/solo",
        [("set-up", None, 45.0), ("unit", "clarinet/solo", 40.0), ("set-up", None, 10.0), ("start", None, 0.0)],
        # After the clarinet's set-up the hands are free from 10 on: 30 s before they begin.
        30.0,
        "from then on it waits until the hands have set up clarinet/solo",
    ),
    "a channel that two inserts share": Row(
        (entry("viola/strings", (0.0, 5.0), (5.0, 35.0)), entry("harp/reel", None, (35.0, 60.0))),
        "harp/reel",
        [("unit", "viola/strings", 35.0), ("set-up", None, 5.0), ("start", None, 0.0)],
        35.0,
        "send 2",
    ),
    "the hands, at another pass": Row(
        (CLARINET, entry("viola/strings", (10.0, 15.0), (15.0, 45.0))),
        "viola/strings",
        [("set-up", None, 15.0), ("hands", "clarinet/solo", 10.0), ("start", None, 0.0)],
        10.0,
        "less to dial for clarinet/solo, or another pair of hands",
    ),
    "the print that it plays": Row(
        (CLARINET, entry("clarinet/speech", (10.0, 12.0), (40.0, 70.0))),
        "clarinet/speech",
        [("source", "clarinet/solo", 40.0), ("set-up", None, 10.0), ("start", None, 0.0)],
        28.0,
        "to be printed sooner (up to 0:28 gained); from then on it waits until its set-up ends",
    ),
    "the print that its file is made from": Row(
        (entry("viola/strings", (0.0, 5.0), (5.0, 35.0)), entry("mix/speech", (5.0, 10.0), (35.0, 60.0))),
        "mix/speech",
        [("source", "viola/strings", 35.0), ("set-up", None, 5.0), ("start", None, 0.0)],
        25.0,
        "viola/strings would have to be printed sooner",
    ),
    "hands that rest while anything records": Row(
        (CLARINET, entry("viola/strings", (40.0, 45.0), (45.0, 75.0))),
        "viola/strings",
        [("set-up", None, 45.0), ("recording", "clarinet/solo", 40.0), ("set-up", None, 10.0), ("start", None, 0.0)],
        30.0,
        "hands_during_passes = true",
        RESTING,
    ),
    "hands that dial something else first, where nothing rolls meanwhile": Row(
        (entry("clarinet/solo", (0.0, 10.0), (15.0, 45.0)), entry("viola/strings", (10.0, 15.0), (15.0, 45.0))),
        "clarinet/solo",
        [("dialling", "viola/strings", 15.0), ("hands", "clarinet/solo", 10.0), ("start", None, 0.0)],
        5.0,
        "less to dial for viola/strings, or hands_during_passes = true",
        RESTING,
    ),
    "nothing, where a plan leaves room before it rolls": Row(
        (entry("clarinet/solo", (0.0, 10.0), (25.0, 55.0)),),
        "clarinet/solo",
        [("nothing", None, 10.0)],
        15.0,
        "nothing holds it",
    ),
    "nothing, where a plan leaves room before its set-up": Row(
        (entry("clarinet/solo", (7.0, 17.0), (17.0, 47.0)),),
        "clarinet/solo",
        [("set-up", None, 17.0), ("nothing", None, 0.0)],
        7.0,
        "nothing holds it",
    ),
}


def explained(row: Row) -> Explanation:
    return explain_pass(build(row.options), plan(*row.entries), row.asked)


@pytest.mark.parametrize("name", TABLE, ids=lambda name: name.replace(" ", "-"))
def test_each_cause_is_found_and_followed_back(name: str) -> None:
    row = TABLE[name]
    found = explained(row)
    assert [(cause.kind, cause.because_of, cause.until_s) for cause in found.chain] == row.chain
    assert found.sooner_s == pytest.approx(row.sooner_s)
    assert row.says in found.sooner
    assert found.start_s == next(each.start_s for each in row.entries if each.pass_id == row.asked)


def test_every_kind_of_cause_is_in_the_table() -> None:
    from typing import get_args

    from printq.models.explanation import CauseKind

    assert {kind for row in TABLE.values() for kind, _, _ in row.chain} == set(get_args(CauseKind))


def test_two_things_that_end_together_are_both_named() -> None:
    first = entry("clarinet/solo", (0.0, 10.0), (10.0, 40.0))
    second = entry("clarinet/speech", (10.0, 40.0), (40.0, 70.0))
    found = explain_pass(build(), plan(first, second), "clarinet/speech")
    assert [cause.kind for cause in found.causes] == ["set-up", "source"]
    assert "its own set-up and clarinet/solo would all have to end sooner" in found.sooner
    # Its set-up, as long as it is, can begin no sooner than the plan does.
    assert found.sooner_s == 10.0


def test_a_sum_waits_for_its_parts() -> None:
    job = build()
    parts = tuple(
        SumPart(
            stem="viola",
            pass_id="viola/strings",
            path=None,
            gain_db=0.0,
            pan=0.0,
            offset_frames=0,
            channels=1,
            frames=1,
        )
        for _ in range(1)
    )
    passes = tuple(
        each.model_copy(update={"source": SumSource(parts=parts)}) if each.stem == "mix" else each
        for each in job.passes
    )
    job = job.model_copy(update={"passes": passes})
    entries = (entry("viola/strings", (0.0, 5.0), (5.0, 35.0)), entry("mix/speech", None, (35.0, 60.0)))
    (cause,) = explain_pass(job, plan(*entries), "mix/speech").causes
    assert cause.text == "viola/strings has been recorded, a part of the sum that it plays"


def test_the_end_hangs_on_what_leads_to_it_without_a_gap() -> None:
    entries = (
        entry("viola/strings", (0.0, 5.0), (5.0, 15.0)),
        entry("clarinet/solo", (5.0, 15.0), (15.0, 45.0)),
        entry("clarinet/speech", (15.0, 20.0), (45.0, 75.0)),
    )
    critical = [each.pass_id for each in entries if explain_pass(build(), plan(*entries), each.pass_id).critical]
    # The viola's set-up keeps the clarinet's waiting, and so the end hangs on it too; its recording is over by then.
    assert critical == ["viola/strings", "clarinet/solo", "clarinet/speech"]
    late = entry("harp/reel", (45.0, 46.0), (46.0, 60.0))
    assert not explain_pass(build(), plan(*entries, late), "harp/reel").critical


@pytest.mark.parametrize("asked", ["oboe/solo", "cello/solo", ""])
def test_a_pass_that_is_not_planned_is_a_usage_error_with_the_names_there_are(asked: str) -> None:
    with pytest.raises(UsageError, match=r"there are: clarinet/solo$"):
        explain_pass(build(), plan(CLARINET), asked)


def order(found: Explanation) -> Sequence[float]:
    return [cause.at_s for cause in found.chain]


def test_in_plans_of_our_own_every_chain_goes_back_to_the_start() -> None:
    job = make_job(24)
    made = make_plan(job, [each.id for each in job.passes])
    for each in made.entries:
        found = explain_pass(job, made, each.pass_id)
        assert found.chain[-1].kind in ("start", "nothing")
        assert order(found) == sorted(order(found), reverse=True)
        assert found.chain[0].at_s == each.start_s
        for cause, before in zip(found.chain, found.chain[1:], strict=False):
            assert cause.until_s == pytest.approx(cause.at_s, abs=1e-3)
            assert before.at_s < cause.at_s
