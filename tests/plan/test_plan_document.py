"""What `printq plan` says: the JSON document that others rely on, and the page for people."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from printq.cli.plan_text import gap_text, plan_lines
from printq.cli.render import json_text, plan_document
from printq.models.passes import Job
from printq.models.plan import Plan
from printq.models.rig import Control
from printq.models.standing import Standing
from printq.plan import RackState, make_plan
from tests.plan.builders import build_insert, build_job, build_snapshot, build_switch, build_unit

NUMBER = {"type": "number", "minimum": 0}
POSITION = {"type": ["number", "string", "null"]}


def closed(**keys: object) -> dict[str, object]:
    return {"type": "object", "properties": keys, "required": list(keys), "additionalProperties": False}


SCHEMA = closed(
    makespan_s=NUMBER,
    lower_bound_s=NUMBER,
    hands_on_s=NUMBER,
    entries={
        "type": "array",
        "items": closed(
            **{"pass": {"type": "string"}, "stem": {"type": "string"}, "insert": {"type": "string"}},
            snapshot={"type": "string"},
            set_up_start_s=NUMBER,
            set_up_end_s=NUMBER,
            probe_end_s=NUMBER,
            start_s=NUMBER,
            end_s=NUMBER,
            moves={
                "type": "array",
                "items": closed(
                    **{"unit": {"type": "string"}, "control": {"type": "string"}, "from": POSITION, "to": POSITION},
                    seconds=NUMBER,
                ),
            },
        ),
    },
)
"""The keys of docs/reference/json.md, each of them required, and no others."""


@pytest.fixture
def job() -> Job:
    """Two stems through an equaliser that another insert shares, a third through a unit with presets."""
    gain = Control(id="gain", kind="knob", range=("7:00", "5:00"), measure="clock")
    return build_job(
        [build_unit("opto", gain), build_unit("eq", build_switch("air")), build_unit("tape", recall="preset")],
        [
            build_insert("solo", "opto", "eq", patch_s=20.0),
            build_insert("top", "eq", patch_s=20.0),
            build_insert("reel", "tape"),
        ],
        [
            build_snapshot("soft", "solo", {"opto": {"gain": "1:30"}, "eq": {"air": "out"}}),
            build_snapshot("lift", "top", {"eq": {"air": "in"}}),
            build_snapshot("warm", "reel", {"tape": {"preset": "reed 3"}}),
        ],
        {"clarinet": ["soft", "lift"], "cello": ["soft"], "harmonium": ["warm"]},
    )


def plan_of(job: Job, rack: RackState | None = None) -> Plan:
    return make_plan(job, [each.id for each in job.passes], rack=rack)


def document_of(job: Job) -> Any:
    return json.loads(json_text(plan_document(plan_of(job))))


def test_the_document_has_the_keys_that_others_rely_on_and_no_others(job: Job) -> None:
    Draft202012Validator(SCHEMA).validate(document_of(job))


def test_moves_name_dials_presets_and_plugs_with_what_was_and_what_will_be(job: Job) -> None:
    moves = {entry["pass"]: entry["moves"] for entry in document_of(job)["entries"]}
    assert moves["harmonium/reel"] == [
        {"unit": "tape", "control": "preset", "from": None, "to": "reed 3", "seconds": 5.0}
    ]
    assert moves["clarinet/top"] == [
        {"unit": "eq", "control": "patch", "from": "solo", "to": "top", "seconds": 20.0},
        {"unit": "eq", "control": "air", "from": "out", "to": "in", "seconds": 2.0},
    ]


def test_moves_sum_to_the_set_up_and_entries_come_by_start(job: Job) -> None:
    entries = document_of(job)["entries"]
    assert [entry["start_s"] for entry in entries] == sorted(entry["start_s"] for entry in entries)
    for entry in entries:
        seconds = sum(move["seconds"] for move in entry["moves"])
        assert entry["set_up_end_s"] - entry["set_up_start_s"] == pytest.approx(seconds, abs=1e-9)
        assert entry["set_up_end_s"] <= entry["probe_end_s"] <= entry["start_s"] < entry["end_s"]


def test_without_moves_the_set_up_has_no_length_and_waits_for_its_units(job: Job) -> None:
    """Clarinet and cello share a snapshot: whichever comes second needs no hands, and begins when the first ends."""
    first, second = (e for e in document_of(job)["entries"] if e["insert"] == "solo")
    assert second["moves"] == []
    assert second["set_up_start_s"] == second["set_up_end_s"] >= first["end_s"]


@dataclass
class Shown:
    """As much of a plan report as the page needs."""

    plan: Plan
    standings: list[Standing] = field(default_factory=list)


def lines_of(job: Job, plan: Plan, width: int = 80) -> list[str]:
    return plan_lines(job, Shown(plan), width)  # type: ignore[arg-type]


def test_the_page_gives_the_order_and_by_the_clock_what_the_hands_do(job: Job) -> None:
    assert lines_of(job, plan_of(job)) == [
        "Lighthouse waltz: 4 passes, done after 1:13",
        "",
        "    rolls     ends  pass            snapshot",
        "     0:08     0:22  clarinet/solo   soft",
        "     0:13     0:27  harmonium/reel  warm",
        "     0:22     0:36  cello/solo      soft",
        "     0:58     1:13  clarinet/top    lift",
        "",
        "the hands: 0:35 at work, 0:38 free",
        "       at     for  what they do",
        "     0:00    0:08  clarinet/solo",
        "                     opto: gain 1:30",
        "                     eq: air out",
        "     0:08    0:05  harmonium/reel",
        "                     tape: preset reed 3",
        "     0:13    0:23  free",
        "     0:36    0:22  clarinet/top",
        "                     eq: plug solo -> top, air out -> in",
        "     0:58    0:14  free",
        "",
        # The equaliser: 0:08 and 0:22 of set-ups, and three takes of 14.2 s.
        "no plan can be shorter than this one, by the load of units and hands",
    ]


def test_what_a_plan_may_be_too_long_is_said_in_percent(job: Job) -> None:
    plan = plan_of(job).model_copy(update={"makespan_s": 73.2, "lower_bound_s": 67.0})
    assert lines_of(job, plan)[-2:] == [
        "no plan can be shorter than 1:07, by the load of units and hands: this one is at",
        "most 9.3 % longer",
    ]


def test_a_wide_page_puts_the_moves_beside_the_pass(job: Job) -> None:
    lines = lines_of(job, plan_of(job), width=100)
    assert "     0:00    0:08  clarinet/solo   opto: gain 1:30" in lines
    assert "                                   eq: air out" in lines


@pytest.mark.parametrize("width", [80, 100, 140])
def test_the_page_keeps_to_its_width_and_breaks_between_moves(width: int) -> None:
    controls = [Control(id=f"band-{number}-gain", kind="knob", range=(-12, 12)) for number in range(9)]
    stands = {"eq": {control.id: -11.5 for control in controls}}
    wanted = {"eq": {control.id: 10.5 for control in controls}}
    insert = build_insert("tone", "eq")
    snapshots = [build_snapshot("one", "tone", stands), build_snapshot("two", "tone", wanted)]
    job = build_job([build_unit("eq", *controls)], [insert], snapshots, {"clarinet": ["one"], "viola": ["two"]})
    lines = lines_of(job, plan_of(job), width)
    assert max(len(line) for line in lines) <= width
    for number in range(9):
        assert any(f"band-{number}-gain -11.5 -> 10.5" in line for line in lines)


def test_a_plan_that_meets_its_bound_cannot_be_shorter(job: Job) -> None:
    least = plan_of(job).model_copy(update={"lower_bound_s": plan_of(job).makespan_s})
    assert gap_text(least) == "no plan can be shorter than this one, by the load of units and hands"
    searched = least.model_copy(update={"bound_by": "search"})
    assert gap_text(searched) == "no plan can be shorter than this one, as a search has proved"


def test_what_a_search_has_proved_is_said_on_the_page_and_in_the_document(job: Job) -> None:
    plan = plan_of(job).model_copy(update={"bound_by": "search", "makespan_s": 102.0, "lower_bound_s": 100.0})
    least, gap = "no plan can be shorter than 1:40", "this one is at most 2.0 % longer"
    assert gap_text(plan) == f"{least}, as a search has proved: {gap}"
    assert plan_document(plan)["bound_by"] == "search"


def test_hands_without_work_are_said_to_have_none(job: Job) -> None:
    plan = plan_of(job)
    idle = [entry.model_copy(update={"moves": (), "set_up_end_s": entry.set_up_start_s}) for entry in plan.entries]
    lines = lines_of(job, plan.model_copy(update={"entries": tuple(idle), "hands_on_s": 0.0}))
    assert "the hands have nothing to do" in lines


def test_the_page_of_one_pass_speaks_of_one_pass(job: Job) -> None:
    (first, *_) = lines_of(job, make_plan(job, ["cello/solo"]))
    assert first == "Lighthouse waltz: 1 pass, done after 0:22"


def test_the_page_of_nothing_to_do_says_so(job: Job) -> None:
    assert lines_of(job, make_plan(job, [])) == ["nothing to print"]
