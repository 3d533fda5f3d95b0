"""A mistake in a file that a person wrote: what is wrong, where, and what would be right."""

from __future__ import annotations

from typing import Literal

from printq.models.base import Record

__all__ = ["Problem"]


class Problem(Record):
    """One finding of `printq check`."""

    file: str
    """Path as shown to the person, with `/`."""
    line: int
    """Line, counted from 1; 1 where the file as a whole is meant."""
    column: int
    """Column, counted from 1."""
    key: str
    """Path of the key, such as `unit[opto].control[ratio].range`; empty for the file as a whole."""
    message: str
    """What is wrong."""
    hint: str
    """What would be right, or what to do."""
    severity: Literal["error", "caution"] = "error"
    """A caution is shown and does not keep the job from running."""

    def line_of_text(self) -> str:
        """The finding as one line: `file:line: key: what is wrong; what would be right`."""
        where = f"{self.file}:{self.line}: "
        key = f"{self.key}: " if self.key else ""
        hint = f"; {self.hint}" if self.hint else ""
        return f"{where}{key}{self.message}{hint}"
