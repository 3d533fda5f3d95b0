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
