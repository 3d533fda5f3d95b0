"""`printq archive`: what it writes, what it says, and how it ends."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from printq.archive.audit import audit_bag
from printq.archive.session_audit import check_session
from printq.spool.lock import hold_session
from printq.spool.paths import SessionPaths
from tests.sessions import SmallSession


@pytest.fixture(scope="module")
def printed(tmp_path_factory: pytest.TempPathFactory) -> SmallSession:
    """All printed; the commands only add a line to its journal."""
    found = SmallSession(tmp_path_factory.mktemp("printed") / "waltz")
    found.run()
    return found


def test_the_command_archives_and_says_so(type_in: Any, printed: SmallSession, tmp_path: Path) -> None:
    mix = printed.folder / "prints/mix.bus.v1.wav"
    typed = type_in("archive", printed.folder, "--to", tmp_path / "waltz", "--mix", mix, "--json")
    assert typed.status == 0, typed.err
    document = typed.json
    assert document["bag"] == str(tmp_path / "waltz")
    assert document["proof"]["mixes"][0]["verdict"] == "same"
    assert document["proof"]["not_printed"] == []
    assert audit_bag(tmp_path / "waltz", content_checks=[check_session]).ok
    assert "holding prints/mix.bus.v1.wav against the prints" in typed.err
    again = type_in("archive", printed.folder, "--to", tmp_path / "waltz")
    assert again.status == 7
    assert "never overwritten" in again.err


def test_the_command_says_what_a_person_wants_to_read(type_in: Any, printed: SmallSession, tmp_path: Path) -> None:
    typed = type_in("archive", printed.folder, "--to", tmp_path / "waltz", "--flac")
    assert typed.status == 0, typed.err
    assert "5 prints, every pass printed and up to date" in typed.out
    assert "no mix was given" in typed.out


def test_exit_statuses_say_what_stands_in_the_way(type_in: Any, tmp_path: Path) -> None:
    unprinted = SmallSession(tmp_path / "fresh")
    typed = type_in("archive", unprinted.folder, "--to", tmp_path / "shelf")
    assert typed.status == 5
    assert "clarinet/tone is queued" in typed.err
    assert type_in("archive", unprinted.folder).status == 2
    assert type_in("archive", tmp_path / "nowhere", "--to", tmp_path / "shelf").status == 3
    with hold_session(SessionPaths(unprinted.folder)):
        assert type_in("archive", unprinted.folder, "--to", tmp_path / "shelf", "--as-is").status == 5
    assert type_in("archive", unprinted.folder, "--to", tmp_path / "shelf", "--as-is").status == 0
    assert not (tmp_path / "shelf.partial").exists()
