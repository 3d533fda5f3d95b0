"""The library's public face holds what it promises."""

from __future__ import annotations

import subprocess
import sys

import printq


def test_every_public_name_can_be_imported() -> None:
    for name in printq.__all__:
        assert getattr(printq, name) is not None


def test_every_public_name_has_a_home_and_every_home_is_public() -> None:
    assert sorted({*printq._HOMES, "__version__"}) == sorted(printq.__all__)


def test_importing_the_package_loads_nothing_heavy() -> None:
    script = "import sys, printq; print([m for m in ('numpy', 'scipy', 'pydantic', 'typer') if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
