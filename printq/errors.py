"""Every error that printq raises on purpose, in one tree, each with its exit status.

    PrintqError
    ├── UsageError            2  the words of a command are off
    ├── FileError             3  a file is missing, unreadable or wrong
    │   └── JobError          3  rig, snapshot or job file: carries the list of problems
    ├── UnmeasurableError     3  a quantity cannot be had from this signal
    │   └── UnlikeError       3  of two signals, nothing of the one is in the other
    ├── RigError              4  the rig is not as described
    ├── StoppedError          5  stopped; the next run goes on
    │   └── SessionBusyError  5  another run has this session
    ├── HeldError             6  something is held, and has to be decided first
    └── StorageError          7  could not be written, or would not fit

A bad *measurement* is no error: it is a finding in a `Verdict`. Messages say what happened, where, and what to do next.
"""

from __future__ import annotations

from collections.abc import Sequence
from enum import IntEnum
from typing import Protocol

__all__ = [
    "ExitStatus",
    "FileError",
    "HeldError",
    "JobError",
    "PrintqError",
    "ProblemLike",
    "RigError",
    "SessionBusyError",
    "StoppedError",
    "StorageError",
    "UnlikeError",
    "UnmeasurableError",
    "UsageError",
]


class ExitStatus(IntEnum):
    """What the program tells the shell; documented in docs/reference/exit-codes.md."""

    DONE = 0
    INTERNAL = 1
    USAGE = 2
    FILE = 3
    RIG = 4
    STOPPED = 5
    HELD = 6
    STORAGE = 7


class PrintqError(Exception):
    """Root of all expected errors: shown as one line, without a traceback."""

    exit_status: ExitStatus = ExitStatus.INTERNAL


class UsageError(PrintqError):
    """A command was asked for something that does not exist or does not go together."""

    exit_status = ExitStatus.USAGE


class FileError(PrintqError):
    """A file is missing, unreadable, damaged or not what it should be."""

    exit_status = ExitStatus.FILE


class ProblemLike(Protocol):
    """What a `JobError` lists (the record is `printq.models.problem.Problem`)."""

    def line_of_text(self) -> str: ...


class JobError(FileError):
    """The files of a job do not describe a session that can run.

    `problems` holds all of them, in the order of file and line.
    """

    def __init__(self, problems: Sequence[ProblemLike]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(problem.line_of_text() for problem in self.problems))


class RigError(PrintqError):
    """The interface or the wiring is not as the rig file says."""

    exit_status = ExitStatus.RIG


class StoppedError(PrintqError):
    """Work stopped before the end; nothing is lost and the next run goes on."""

    exit_status = ExitStatus.STOPPED


class SessionBusyError(StoppedError):
    """Another process is working on the same session."""


class HeldError(PrintqError):
    """A take is held, and has to be accepted or printed again first."""

    exit_status = ExitStatus.HELD


class StorageError(PrintqError):
    """A delivery or archive could not be written, or would not fit."""

    exit_status = ExitStatus.STORAGE


class UnmeasurableError(PrintqError):
    """A quantity has no answer in this signal (silence, too short, no clear peak). Never a guess."""

    exit_status = ExitStatus.FILE


class UnlikeError(UnmeasurableError):
    """Two signals have nothing in common that one could be lined up with the other by."""
