"""Broken files at the command line: a line for each problem, exit status 3, and nothing is written."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest

from printq.cli.app import run_command_line
from tests.intake import test_broken_files, test_broken_job, test_broken_rig, test_broken_snapshots
from tests.intake.broken import Edit
from tests.intake.builders import SmallSession

TABLES = {
    "rig.toml": {
        **test_broken_rig.KEYS,
        **test_broken_rig.RULES,
        **test_broken_rig.MODELS,
        **test_broken_files.SYNTAX,
    },
    "snapshots.toml": test_broken_snapshots.SNAPSHOTS,
    "job.toml": {**test_broken_job.KEYS, **test_broken_job.RULES},
}
MARKED = {"unit left out", "control left out", "no preset", "neither file nor sum", "file and sum"}
"""Cases whose lines are told apart by comments that their own tests put in."""
CASES = [
    pytest.param(file, edit, id=f"{file}, {name}")
    for file, table in TABLES.items()
    for name, edit in table.items()
    if name not in MARKED
]


@pytest.mark.parametrize(("file", "edit"), CASES)
def test_check_says_what_is_wrong_and_what_would_be_right_in_one_line(
    file: str, edit: Edit, session: SmallSession, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    session.replace(file, edit.old, edit.new)
    before = session.listing()
    monkeypatch.chdir(session.folder)
    monkeypatch.setattr(sys, "argv", ["printq", "check"])
    assert run_command_line() == 3
    told = capsys.readouterr()
    key = f"{edit.key}: " if edit.key else ""
    start = f"{file}:{session.line_of(file, edit.at)}: {key}"
    lines = [line for line in told.err.splitlines() if line.startswith(start)]
    assert any(edit.says in line and edit.hint in line for line in lines), told.err
    assert "Traceback" not in told.err
    assert "to mend before anything can print" in told.out
    assert session.listing() == before


def test_check_gives_the_same_problems_as_a_document(
    session: SmallSession, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    session.replace("job.toml", "send_db", "send_bd")
    session.replace("rig.toml", "[2, 3]\nreturns", "[2, 7]\nreturns")
    monkeypatch.chdir(session.folder)
    monkeypatch.setattr(sys, "argv", ["printq", "check", "--json"])
    assert run_command_line() == 3
    document = json.loads(capsys.readouterr().out)
    assert document["ok"] is False
    assert [(problem["file"], problem["line"], problem["key"]) for problem in document["problems"]] == [
        ("job.toml", session.line_of("job.toml", "send_bd"), "stem[harp].through[1].send_bd"),
        ("rig.toml", session.line_of("rig.toml", "[2, 7]"), "insert[reel].sends[1]"),
    ]
    assert set(document["problems"][0]) >= {"file", "line", "column", "key", "message", "hint"}


@pytest.mark.parametrize("command", [["check"], ["plan"], ["status"], ["run", "--yes"]])
def test_no_command_starts_with_broken_files(command: list[str], session: SmallSession) -> None:
    """As a program of its own, with nobody at a terminal."""
    session.replace("rig.toml", "[2, 3]\nreturns", "[2, 7]\nreturns")
    before = session.listing()
    done = subprocess.run(
        [sys.executable, "-m", "printq", *command],
        cwd=session.folder,
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=60,
        stdin=subprocess.DEVNULL,
        check=False,
    )
    assert done.returncode == 3
    assert f"rig.toml:{session.line_of('rig.toml', '[2, 7]')}: insert[reel].sends[1]: send 7 is reserved" in done.stderr
    assert "Traceback" not in done.stderr
    assert session.listing() == before


def test_the_job_may_be_named_from_anywhere(
    session: SmallSession, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    session.replace("job.toml", "send_db", "send_bd")
    monkeypatch.chdir(session.folder.parent)
    monkeypatch.setattr(sys, "argv", ["printq", "check", "waltz/job.toml"])
    assert run_command_line() == 3
    assert capsys.readouterr().err.startswith("waltz/job.toml:")
