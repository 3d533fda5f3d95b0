"""A small session in a folder of its own for every test."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.intake.builders import SmallSession


@pytest.fixture
def session(tmp_path: Path) -> SmallSession:
    """A session that is in order."""
    return SmallSession(tmp_path / "waltz")
