from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import pytest

from printq.cli.app import run_command_line
from tests.sessions import SmallSession


@pytest.fixture
def session(tmp_path: Path) -> SmallSession:
    """A small session that has not been run."""
    return SmallSession(tmp_path)


class Typed:
    """What a command answered."""

    def __init__(self, status: int, out: str, err: str) -> None:
        self.status, self.out, self.err = status, out, err

    @property
    def json(self) -> Any:
        return json.loads(self.out)


@pytest.fixture
def type_in(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Any:
    """Types a command line in this process."""

    def type_words(*words: object) -> Typed:
        monkeypatch.setattr(sys, "argv", ["printq", *map(str, words)])
        status = run_command_line()
        captured = capsys.readouterr()
        return Typed(status, captured.out, captured.err)

    return type_words
