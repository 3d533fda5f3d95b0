"""What `printq plan` says: the JSON document that others rely on, and the page for people."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from printq.cli.render import json_text, plan_document, plan_lines
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


def lines_of(job: Job, plan: Plan) -> list[str]:
    return plan_lines(job, Shown(plan))  # type: ignore[arg-type]


def test_the_page_says_when_the_hands_are_wanted_and_what_for_unit_by_unit(job: Job) -> None:
    assert lines_of(job, plan_of(job)) == [
        "Lighthouse waltz: 4 passes, done after 1:13",
        "",
        "  hands at    rolls     ends  pass            what the hands do",
        "      0:00     0:08     0:22  clarinet/solo   opto: gain 1:30",
        "                                              eq: air out",
        "      0:08     0:13     0:27  harmonium/reel  tape: preset reed 3",
        "         -     0:22     0:36  cello/solo      nothing",
        "      0:36     0:58     1:13  clarinet/top    eq: plug into top, air in",
        "",
        "hands at work 0:35; no plan can be shorter than 1:07 (0:06 less than this one)",
    ]


def test_the_page_of_one_pass_speaks_of_one_pass(job: Job) -> None:
    (first, *_) = lines_of(job, make_plan(job, ["cello/solo"]))
    assert first == "Lighthouse waltz: 1 pass, done after 0:22"


def test_the_page_of_nothing_to_do_says_so(job: Job) -> None:
    assert lines_of(job, make_plan(job, [])) == ["nothing to print"]
