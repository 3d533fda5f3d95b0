"""What tests of every folder share."""

from __future__ import annotations

import importlib
import os
import shutil
from typing import Any

import pytest


def need_package(name: str) -> Any:
    """A package of an extra; without it the test is skipped, but on a build server it fails."""
    try:
        return importlib.import_module(name)
    except ImportError:
        (pytest.fail if os.environ.get("CI") else pytest.skip)(f"{name} is not installed")


def need_program(name: str) -> str:
    """Path of an external program; without it the test is skipped, but on a build server it fails."""
    path = shutil.which(name)
    if path is None:
        (pytest.fail if os.environ.get("CI") else pytest.skip)(f"{name} is not installed")
    return path
