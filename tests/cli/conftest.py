from __future__ import annotations

from pathlib import Path

import pytest

from tests.sessions import SmallSession


@pytest.fixture
def session(tmp_path: Path) -> SmallSession:
    """A small session that has not been run."""
    return SmallSession(tmp_path)
