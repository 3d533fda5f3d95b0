"""The journal: what is in it is true, and what is not a journal is said to be none."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest

from printq.errors import FileError
from printq.models.plan import Move
from printq.spool.journal import FileStamp, Journal
from printq.spool.session import list_standings
from tests.sessions import SmallSession


def test_a_step_is_all_or_nothing(tmp_path: Path) -> None:
    with Journal(tmp_path / "journal.sqlite") as journal:
        with pytest.raises(ZeroDivisionError):
            write_and_fail(journal)
        with journal.step():
            journal.tell("second", "…")
        assert [kind for _, kind, _, _ in journal.story()] == ["second"]


def write_and_fail(journal: Journal) -> None:
    with journal.step():
        journal.tell("first", "…")
        _ = 1 / 0


def test_what_was_written_is_there_when_it_is_opened_again(tmp_path: Path) -> None:
    stamp = FileStamp(12, 34, "file", "audio")
    with Journal(tmp_path / "journal.sqlite") as journal:
        journal.set_stamp("dry/viola.wav", stamp)
        journal.ask_reprint("viola/tone", "less bite")
        assert journal.begin_stream("simulated", "rack") == "1"
    with Journal(tmp_path / "journal.sqlite", read_only=True) as journal:
        assert journal.stamp("dry/viola.wav") == stamp
        assert [request.note for request in journal.reprints("viola/tone")] == ["less bite"]
        assert journal.count_streams() == 1


def test_reading_makes_no_journal(tmp_path: Path) -> None:
    with Journal(tmp_path / "journal.sqlite", read_only=True) as journal:
        assert journal.story() == []
    assert list(tmp_path.iterdir()) == []


def test_a_file_that_is_no_journal_is_said_to_be_none(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    path.write_bytes(b"this is no database at all, however long it is" * 100)
    with pytest.raises(FileError, match="cannot be read"):
        Journal(path)


def test_a_journal_of_a_later_version_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    with Journal(path):
        pass
    database = sqlite3.connect(path)
    database.execute("UPDATE meta SET value = '99' WHERE key = 'schema'")
    database.commit()
    database.close()
    with pytest.raises(FileError, match="later version"):
        Journal(path)


def test_a_damaged_entry_is_one_clear_sentence(tmp_path: Path) -> None:
    session = SmallSession(tmp_path)
    session.keep_stems("clarinet")
    session.run()
    database = sqlite3.connect(tmp_path / ".printq/journal.sqlite")
    database.execute("UPDATE take SET source = '{'")
    database.commit()
    database.close()
    with pytest.raises(FileError, match="move it aside"):
        list_standings(session.load())


def make_first_version(path: Path) -> None:
    """What a journal of version 1 was: without the tables that came with version 2."""
    with Journal(path) as journal:
        journal.ask_reprint("viola/tone", "less bite")
    database = sqlite3.connect(path)
    database.execute("DROP TABLE run")
    database.execute("DROP TABLE set_up")
    database.execute("UPDATE meta SET value = '1' WHERE key = 'schema'")
    database.commit()
    database.close()


def version_of(path: Path) -> str:
    database = sqlite3.connect(path)
    (version,) = database.execute("SELECT value FROM meta WHERE key = 'schema'").fetchone()
    database.close()
    return str(version)


def test_a_journal_of_the_first_version_can_be_looked_at_and_stays_as_it_is(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    make_first_version(path)
    with Journal(path, read_only=True) as journal:
        assert journal.last_run() is None
        assert journal.set_ups() == []
        assert [request.note for request in journal.reprints("viola/tone")] == ["less bite"]
    assert version_of(path) == "1"


def test_a_journal_of_the_first_version_is_brought_up_when_it_is_written_to(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    make_first_version(path)
    with Journal(path) as journal:
        number = journal.begin_run(60.0, 3, simulated=False)
        journal.keep_set_up(number, "viola/tone", [Move(unit="eq", control="low", from_=1.0, to=2.0, seconds=6.0)], 7.5)
        journal.end_run(number, 71.5, 2)
    assert version_of(path) == "2"
    with Journal(path, read_only=True) as journal:
        last = journal.last_run()
        assert last is not None
        assert (last.planned_s, last.passes, last.took_s, last.printed) == (60.0, 3, 71.5, 2)
        (set_up,) = journal.set_ups()
        assert (set_up.run, set_up.simulated, set_up.time.pass_id) == (last.number, False, "viola/tone")
        assert (set_up.time.planned_s, set_up.time.took_s) == (6.0, 7.5)
        assert (set_up.time.moves[0].from_, set_up.time.moves[0].to) == (1.0, 2.0)
        assert [request.note for request in journal.reprints("viola/tone")] == ["less bite"]
