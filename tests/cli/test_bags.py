"""`printq audit` and `printq restore` at the command line: documents, words, exit statuses."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from printq.archive.writer import Item, write_bag


@pytest.fixture
def bag(tmp_path: Path) -> Path:
    """A bag with one text in it."""
    write_bag(tmp_path / "bag", [Item("notes.txt", b"waltz")], {"Contact-Name": "Chamber group"})
    return tmp_path / "bag"


def test_a_whole_bag_is_said_to_be_whole_and_comes_back(bag: Path, tmp_path: Path, type_in: Any) -> None:
    answer = type_in("audit", bag, "--workers", "1", "--json")
    assert answer.status == 0
    assert answer.json["ok"] is True
    assert answer.json["bags"][0]["findings"] == []
    answer = type_in("restore", bag, "--to", tmp_path / "again", "--json")
    assert (answer.status, answer.json["files"], answer.json["bytes"]) == (0, 1, 5)
    assert (tmp_path / "again/notes.txt").read_bytes() == b"waltz"
    again = type_in("restore", bag, "--to", tmp_path / "again")
    assert again.status == 7
    assert "never overwritten" in again.err


def test_restore_says_how_far_it_is(bag: Path, tmp_path: Path, type_in: Any) -> None:
    answer = type_in("restore", bag, "--to", tmp_path / "again")
    lines = [line.strip() for line in answer.err.splitlines()]
    assert [line for line in lines if line.startswith("audit:")][-1] == "audit: 100 %"
    assert [line for line in lines if line.startswith("lay out:")] == ["lay out: 0 %", "lay out: 100 %"]


def test_what_was_broken_when_it_was_archived_is_to_know_and_no_failure(tmp_path: Path, type_in: Any) -> None:
    write_bag(tmp_path / "bag", [Item("cello.wav", b"RIFF and no more")], {})
    answer = type_in("audit", tmp_path / "bag", "--workers", "1")
    assert answer.status == 0
    assert "to know: data/cello.wav: is as it was put in, and was not whole as audio then" in answer.out
    answer = type_in("audit", tmp_path / "bag", "--workers", "1", "--json")
    assert [one["what"] for one in answer.json["bags"][0]["warnings"]] == ["audio"]


def test_a_changed_file_is_named_with_status_3(bag: Path, tmp_path: Path, type_in: Any) -> None:
    (bag / "data/notes.txt").write_bytes(b"polka")
    answer = type_in("audit", tmp_path, "--workers", "1")
    assert answer.status == 3
    assert "data/notes.txt: changed" in answer.out
    assert type_in("restore", bag, "--to", tmp_path / "again").status == 3
    assert not (tmp_path / "again").exists()


def test_what_is_no_bag_is_said_to_be_none(tmp_path: Path, type_in: Any) -> None:
    assert type_in("audit", tmp_path).status == 3
    assert type_in("restore", tmp_path, "--to", tmp_path.parent / "again").status == 3
