"""The person at the rack, as the driver sees them: questions go out, answers come back when they come.

The driver never waits for an answer. While a question is open, what needs no hands goes on rolling, and takes are
checked and delivered.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import Enum
from typing import Literal, Protocol

from printq.models.plan import Move
from printq.models.take import Confirmation
from printq.spool.journal import now

__all__ = [
    "Answer",
    "AssumingOperator",
    "InOrder",
    "Listener",
    "Operator",
    "Question",
    "Reply",
    "Rolling",
    "SetUp",
    "SilentListener",
    "Wish",
]


@dataclass(frozen=True)
class SetUp:
    """What the hands have to do before a pass."""

    pass_id: str
    insert: str
    snapshot: str
    moves: tuple[Move, ...]
    note: str
    photo: str | None


@dataclass(frozen=True)
class InOrder:
    """Whether an insert whose return was silent or crossed may be used again."""

    insert: str
    why: str


Question = SetUp | InOrder


class Answer(Enum):
    """What the person says to a question."""

    DONE = "done"
    """It is dialled; or: it is in order again."""
    SKIP = "skip"
    """Not this pass, in this run; or: leave the insert alone."""
    BACK = "back"
    """The set-up before this one was not right."""
    STOP = "stop"
    """Begin nothing more."""


@dataclass(frozen=True)
class Reply:
    """An answer, and how it was given."""

    answer: Answer
    confirmation: Confirmation


@dataclass(frozen=True)
class Wish:
    """What the person wants without having been asked."""

    kind: Literal["redo", "drop", "stop"]
    """Take a pass in the air again; fade one out and leave it; begin nothing more."""
    pass_id: str | None = None


class Operator(Protocol):
    """Somebody who sets up units and answers questions, one at a time."""

    def ask(self, question: Question) -> None:
        """Put a question; the one before has been answered or withdrawn."""
        ...

    def answer(self) -> Reply | None:
        """The answer to the open question, once; None as long as there is none."""
        ...

    def withdraw(self) -> None:
        """The open question is moot."""
        ...

    def wishes(self) -> Sequence[Wish]:
        """What was wanted since the last call."""
        ...

    def wait(self, seconds: float) -> None:
        """Come back when the person has done something, or after so long; nothing else is to be done meanwhile."""
        ...


@dataclass
class AssumingOperator:
    """`--yes`: takes every set-up as done, on the record, and vouches for nothing else."""

    _open: Question | None = field(default=None, init=False)

    def ask(self, question: Question) -> None:
        self._open = question

    def answer(self) -> Reply | None:
        question, self._open = self._open, None
        if question is None:
            return None
        if isinstance(question, InOrder):
            return Reply(Answer.SKIP, Confirmation(by="--yes", at=now()))
        presets_only = all(move.control == "preset" for move in question.moves)
        return Reply(Answer.DONE, Confirmation(by="preset" if presets_only else "--yes", at=now()))

    def withdraw(self) -> None:
        self._open = None

    def wishes(self) -> Sequence[Wish]:
        return ()

    def wait(self, seconds: float) -> None:
        time.sleep(seconds)


@dataclass(frozen=True)
class Rolling:
    """A take in the air."""

    pass_id: str
    insert: str
    done: float
    """Share of the take, 0 to 1."""
    left_s: float
    send_peak_dbfs: float | None = None
    """Since the last look; None for silence."""
    return_peak_dbfs: float | None = None
    glitches: int = 0


class Listener(Protocol):
    """Who is told what happens; the driver does not wait for it."""

    def tell(self, kind: str, pass_id: str | None, text: str) -> None:
        """Something has happened: `kind` is a short word such as `rolling` or `held`."""
        ...

    def show(self, rolling: list[Rolling], left: int, left_s: float) -> None:
        """What is in the air now, how many passes are left, and in about how many seconds all is done."""
        ...


class SilentListener:
    """Nobody listens."""

    def tell(self, kind: str, pass_id: str | None, text: str) -> None:
        pass

    def show(self, rolling: list[Rolling], left: int, left_s: float) -> None:
        pass
