"""The JSON Schemas of the files that people write, judged by another library."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from printq.intake import make_schema
from tests.intake.builders import JOB, RIG, SNAPSHOTS

SAMPLE = Path(__file__).parents[2] / "sample_sessions" / "lighthouse_waltz"
SMALL = {"rig": RIG, "snapshots": SNAPSHOTS, "job": JOB}
KINDS = sorted(SMALL)


def errors_of(kind: str, document: dict[str, Any]) -> list[str]:
    validator = Draft202012Validator(make_schema(kind))
    return [f"{error.json_path}: {error.message}" for error in validator.iter_errors(document)]


@pytest.mark.parametrize("kind", KINDS)
def test_a_schema_is_valid_draft_2020_12_and_says_so(kind: str) -> None:
    schema = make_schema(kind)
    Draft202012Validator.check_schema(schema)
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert kind in schema["$id"]


@pytest.mark.parametrize("kind", KINDS)
def test_the_files_of_the_sample_session_fit_their_schemas(kind: str) -> None:
    assert errors_of(kind, tomllib.loads((SAMPLE / f"{kind}.toml").read_text(encoding="utf-8"))) == []
    assert errors_of(kind, tomllib.loads(SMALL[kind])) == []


@pytest.mark.parametrize(
    ("kind", "old", "new", "place"),
    [
        ("rig", "rate = 48000", 'rate = "48000"', "$.interface.rate"),
        ("rig", "tail_s = 0.25", "tial_s = 0.25", "$.insert[0]"),
        ("rig", "tail_s = 0.25", "tail_s = -1", "$.insert[0].tail_s"),
        ("rig", 'kind = "stepped"', 'kind = "steped"', "$.unit[1].control[1].kind"),
        ("rig", "printq-rig/1", "printq-rig/2", "$.format"),
        ("rig", "full_scale_send_dbu = 20.0", "timing_loop = { send = 1, return_ = 2 }", "$.interface.timing_loop"),
        ("snapshots", "reduction = 45", "reduction = [45]", "$.snapshot[0].settings.opto.reduction"),
        ("snapshots", 'id = "solo-soft"', 'id = "Solo soft"', "$.snapshot[0].id"),
        ("job", "lead_s = 0.5", "lead_s = 0.1", "$.options.lead_s"),
        ("job", "send_db", "send_bd", "$.stem[1].through[1]"),
        ("job", 'rig = "rig.toml"\n', "", "$"),
    ],
)
def test_a_mistake_does_not_fit_the_schema(kind: str, old: str, new: str, place: str) -> None:
    assert SMALL[kind].count(old) == 1
    errors = errors_of(kind, tomllib.loads(SMALL[kind].replace(old, new)))
    assert [error.split(": ")[0] for error in errors] == [place]


@pytest.mark.parametrize("kind", KINDS)
def test_every_key_is_described_for_the_editor(kind: str) -> None:
    schema = make_schema(kind)
    for model in (schema, *schema["$defs"].values()):
        for key, field in model.get("properties", {}).items():
            assert field.get("description"), f"{model['title']}.{key}"
