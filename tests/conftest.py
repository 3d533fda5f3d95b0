"""What tests of every folder share."""

from __future__ import annotations

import os
import shutil

import pytest


def need_program(name: str) -> str:
    """Path of an external program; without it the test is skipped, but on a build server it fails."""
    path = shutil.which(name)
    if path is None:
        (pytest.fail if os.environ.get("CI") else pytest.skip)(f"{name} is not installed")
    return path
