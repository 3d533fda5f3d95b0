"""`printq plan` as typed: the picture, and what the hands do."""

from __future__ import annotations

from pathlib import Path
from typing import Any
from xml.etree import ElementTree

from printq.errors import ExitStatus
from tests.sessions import SmallSession


def test_the_picture_is_drawn_beside_the_page(session: SmallSession, tmp_path: Path, type_in: Any) -> None:
    target = tmp_path / "plan.svg"
    answer = type_in("plan", session.folder, "--picture", target)
    assert answer.status == ExitStatus.DONE
    assert "plan.svg" in answer.err
    drawn = {rect.get("data-pass") for rect in ElementTree.parse(target).iter() if rect.get("data-kind") == "pass"}
    assert drawn == {"clarinet/tone", "viola/tone", "viola/wire", "harp/bus", "mix/bus"}
    first = target.read_bytes()
    as_json = type_in("plan", session.folder, "--picture", target, "--json")
    assert len(as_json.json["entries"]) == 5  # standard output is the document and nothing else
    assert target.read_bytes() == first
    assert not (session.folder / ".printq").exists()


def test_a_picture_never_takes_the_place_of_something_else(session: SmallSession, type_in: Any) -> None:
    before = session.files()
    (session.folder / "notes.svg").write_text("<svg/>")
    answer = type_in("plan", session.folder, "--picture", session.folder / "notes.svg")
    assert answer.status == ExitStatus.STORAGE
    assert (session.folder / "notes.svg").read_text() == "<svg/>"
    assert type_in("plan", session.folder, "--picture", session.folder / "dry/harp.wav").status == ExitStatus.USAGE
    assert session.files() == {**before, "notes.svg": b"<svg/>"}


def test_explain_goes_back_from_the_pass_to_the_start(session: SmallSession, type_in: Any) -> None:
    answer = type_in("plan", session.folder, "--explain", "mix/bus")
    assert answer.status == ExitStatus.DONE
    assert answer.out.startswith("mix/bus: ")
    assert "a part of the sum that it plays" in " ".join(answer.out.split())
    assert "to start sooner: " in answer.out
    assert "the end of the plan hangs on it" in answer.out
    assert max(len(line) for line in answer.out.splitlines()) <= 80


def test_explain_as_json_is_a_key_beside_the_plan(session: SmallSession, type_in: Any) -> None:
    plan = type_in("plan", session.folder, "--json").json
    explained = type_in("plan", session.folder, "--explain", "viola/wire", "--json").json
    explanation = explained.pop("explanation")
    assert explained == plan
    assert set(explanation) == {"pass", "start_s", "causes", "chain", "critical", "sooner_s", "sooner"}
    assert explanation["causes"][0]["because_of"] == "viola/tone"
    for cause in explanation["chain"]:
        assert set(cause) == {"pass", "event", "at_s", "kind", "until_s", "because_of", "units", "text"}


def test_explain_of_a_pass_that_is_not_there_names_those_that_are(session: SmallSession, type_in: Any) -> None:
    answer = type_in("plan", session.folder, "--explain", "oboe/tone")
    assert answer.status == ExitStatus.USAGE
    for name in ("clarinet/tone", "viola/tone", "viola/wire", "harp/bus", "mix/bus"):
        assert name in answer.err


def test_explain_of_a_pass_that_is_not_planned_says_why(session: SmallSession, type_in: Any) -> None:
    answer = type_in("plan", session.folder, "--explain", "harp/bus", "--only", "clarinet")
    assert answer.status == ExitStatus.USAGE
    assert "harp/bus is not in this plan; it is queued, and was not asked for" in answer.err
    assert type_in("run", session.folder, "--yes", "--workers", 0).status == ExitStatus.DONE
    answer = type_in("plan", session.folder, "--explain", "harp/bus")
    assert answer.status == ExitStatus.USAGE
    assert "harp/bus is not in this plan; it is printed" in answer.err


def test_a_usage_error_draws_no_picture(session: SmallSession, tmp_path: Path, type_in: Any) -> None:
    target = tmp_path / "plan.svg"
    assert type_in("plan", session.folder, "--explain", "x", "--picture", target).status == ExitStatus.USAGE
    assert not target.exists()
