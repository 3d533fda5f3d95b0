"""The import rule of pyproject.toml holds."""

from __future__ import annotations

from pathlib import Path

from importlinter.cli import lint_imports


def test_imports_point_down() -> None:
    root = Path(__file__).parent.parent
    assert lint_imports(config_filename=str(root / "pyproject.toml"), no_cache=True) == 0
