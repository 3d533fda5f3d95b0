"""`printq line-check` on the simulated rack: its document, its exit status, what it leaves in the session."""

from __future__ import annotations

import json
from typing import Any

import pytest

from tests.sessions import SmallSession


def test_a_rig_as_described_ends_with_0_and_is_kept_in_the_session(session: SmallSession, type_in: Any) -> None:
    session.simulation["noise_dbfs"] = -100.0
    session.write()
    answer = type_in("line-check", session.folder, "--json")
    assert answer.status == 0
    lines = {line["insert"]: line for line in answer.json["inserts"]}
    assert set(lines) == {"tone", "wire", "bus"}
    assert set(lines["bus"]) >= {
        *("insert", "ok", "latency_samples", "gain_db", "polarity", "noise_dbfs", "hum_dbfs", "heard_on", "problems"),
    }
    assert lines["wire"]["latency_samples"] == pytest.approx(187.0, abs=0.02)
    assert lines["wire"]["heard_on"][0]["return"] == 2
    kept = json.loads((session.folder / ".printq/line-check.json").read_text())
    assert [line["insert"] for line in kept["inserts"]] == ["tone", "wire", "bus"]


@pytest.mark.parametrize(("kind", "fault"), [("dead", "dead"), ("inverted", "inverted"), ("hum", "humming")])
def test_a_faulty_path_ends_with_4_and_is_named(session: SmallSession, type_in: Any, kind: str, fault: str) -> None:
    session.simulation["fault"] = [{"kind": kind, "pass": "line-check/wire", "at_s": 0.0}]
    session.write()
    answer = type_in("line-check", session.folder / "rig.toml", "--json")
    assert answer.status == 4
    wrong = [line for line in answer.json["inserts"] if not line["ok"]]
    assert [line["insert"] for line in wrong] == ["wire"]
    assert wrong[0]["problems"][0]["fault"] == fault


def test_the_text_has_a_line_for_each_insert_and_the_remedy(session: SmallSession, type_in: Any) -> None:
    session.simulation["fault"] = [{"kind": "dead", "pass": "line-check/wire", "at_s": 0.0}]
    session.write()
    answer = type_in("line-check", session.folder)
    assert answer.status == 4
    assert "tone" in answer.out
    assert "what to do:" in answer.out
    assert "monitors and headphones down" in answer.err
    assert "send 2, wire: a short sweep at -30 dBFS" in answer.err


def test_a_rig_file_alone_leaves_nothing_behind(session: SmallSession, type_in: Any, tmp_path: Any) -> None:
    alone = tmp_path / "alone"
    alone.mkdir()
    (alone / "rig.toml").write_text((session.folder / "rig.toml").read_text())
    assert type_in("line-check", alone).status == 0
    assert [path.name for path in alone.iterdir()] == ["rig.toml"]


def test_what_is_no_rig_is_an_error_with_its_place(session: SmallSession, type_in: Any) -> None:
    assert type_in("line-check", session.folder / "nothing.toml").status == 3
