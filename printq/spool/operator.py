"""The person at the rack, as the driver sees them."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import Protocol

from printq.models.plan import Move
from printq.models.take import Confirmation
from printq.spool.journal import now

__all__ = ["Answer", "AssumingOperator", "Listener", "Operator", "Reply", "Rolling", "SetUp", "SilentListener"]


@dataclass(frozen=True)
class SetUp:
    """What the hands have to do before a pass."""

    pass_id: str
    insert: str
    snapshot: str
    moves: tuple[Move, ...]
    note: str
    photo: str | None


class Answer(Enum):
    """What the person says to a set-up."""

    DONE = "done"
    SKIP = "skip"
    STOP = "stop"


@dataclass(frozen=True)
class Reply:
    """An answer, and how it was given."""

    answer: Answer
    confirmation: Confirmation


class Operator(Protocol):
    """Somebody who sets up units and answers questions."""

    def set_up(self, wanted: SetUp) -> Reply:
        """Have a set-up done; comes back when it is, or when it will not be."""
        ...

    def may_go_on(self, insert: str, why: str) -> bool:
        """Whether an insert whose return was silent or crossed may be used again."""
        ...


class AssumingOperator:
    """`--yes`: takes every set-up as done, on the record, and vouches for nothing else."""

    def set_up(self, wanted: SetUp) -> Reply:
        presets_only = all(move.control == "preset" for move in wanted.moves)
        return Reply(Answer.DONE, Confirmation(by="preset" if presets_only else "--yes", at=now()))

    def may_go_on(self, insert: str, why: str) -> bool:
        return False


@dataclass(frozen=True)
class Rolling:
    """A take in the air."""

    pass_id: str
    done: float
    """Share of the take, 0 to 1."""
    left_s: float


class Listener(Protocol):
    """Who is told what happens; the driver does not wait for it."""

    def tell(self, kind: str, pass_id: str | None, text: str) -> None:
        """Something has happened: `kind` is a short word such as `rolling` or `held`."""
        ...

    def show(self, rolling: list[Rolling], left: int) -> None:
        """What is in the air now, and how many passes are left."""
        ...


class SilentListener:
    """Nobody listens."""

    def tell(self, kind: str, pass_id: str | None, text: str) -> None:
        pass

    def show(self, rolling: list[Rolling], left: int) -> None:
        pass
