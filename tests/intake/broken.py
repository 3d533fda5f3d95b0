"""One mistake in a session that is otherwise in order, and what must be said about it."""

from __future__ import annotations

from typing import NamedTuple

import pytest
from _pytest.mark import ParameterSet

from printq.models.problem import Problem
from tests.intake.builders import SmallSession

__all__ = ["Edit", "edits", "matches"]


class Edit(NamedTuple):
    """One place of a file that is changed, and the problem that follows."""

    old: str
    """What is replaced; it is in the file exactly once."""
    new: str
    at: str
    """Words of the line that is to blame, once in the changed file."""
    key: str
    """The key as it is named, whole."""
    says: str
    """A part of what is wrong."""
    hint: str
    """A part of what would be right."""


def edits(rows: dict[str, Edit]) -> list[ParameterSet]:
    """A table of edits as parameters of a test."""
    return [pytest.param(edit, id=name) for name, edit in rows.items()]


def matches(problem: Problem, session: SmallSession, file: str, edit: Edit) -> bool:
    """Whether a problem is the one that an edit must lead to."""
    return (
        problem.file.endswith(file)
        and problem.line == session.line_of(file, edit.at)
        and problem.key == edit.key
        and edit.says in problem.message
        and edit.hint in problem.hint
    )
