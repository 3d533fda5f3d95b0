"""What is asked of the person at the rack, one question at a time, and what follows from the answers.

A set-up that is open holds the units of its pass, and nothing else: takes go on rolling, being checked and delivered.
"""

from __future__ import annotations

from collections.abc import Callable

from printq.models.passes import Job
from printq.models.plan import Move
from printq.models.take import Confirmation
from printq.plan import RackState, set_up_moves
from printq.spool.journal import Journal, now
from printq.spool.operator import Answer, InOrder, Listener, Operator, Reply, SetUp
from printq.spool.work import Stage, Work

__all__ = ["Hands"]


class Hands:
    """Set-ups and questions of one run.

    Parameters
    ----------
    job, journal, operator, listener
        Of the run.
    rack : RackState
        Where the units stand as it begins.
    skip : callable
        Ends a pass for this run (work, why).
    take_back : callable
        Asked to undo what came of a set-up that was not right.
    stop : callable
        Ends the run when what is in the air has landed (why).
    clock : callable
        Seconds, from any start; never goes back.
    """

    def __init__(
        self,
        job: Job,
        journal: Journal,
        operator: Operator,
        listener: Listener,
        rack: RackState,
        *,
        skip: Callable[[Work, str], None],
        take_back: Callable[[Work], None],
        stop: Callable[[str], None],
        clock: Callable[[], float],
    ) -> None:
        self._job = job
        self._journal = journal
        self._operator = operator
        self._listener = listener
        self._rack = rack
        self._skip, self._take_back, self._stop = skip, take_back, stop
        self._clock = clock
        self._asked: Work | None = None
        self._asked_at = 0.0
        self.overrun_s = 0.0
        """By how much a person took longer than the rig file says, since somebody set this to 0; a set-up that was not
        done is planned with nothing."""
        self._confirmed: list[tuple[Work, bool]] = []
        """Passes that were set up in this run, in order, and whether anything had to move for them."""
        self.answers = 0
        """Answers that have been heard."""
        self._doubted: dict[str, str] = {}
        """Insert to why it is doubted; the first one is being asked about, unless a set-up is."""
        self._asking_about: str | None = None
        self.left_alone: dict[str, str] = {}
        """Insert to why nothing goes through it any more."""

    @property
    def rack(self) -> RackState:
        """Where the units stand, as far as is known."""
        return self._rack

    @property
    def asked(self) -> Work | None:
        """The pass whose set-up is open."""
        return self._asked

    @property
    def asked_s(self) -> float:
        """For how long it has been open."""
        return self._clock() - self._asked_at

    @property
    def has_open_question(self) -> bool:
        return self._asked is not None or bool(self._doubted)

    def moves_for(self, work: Work) -> tuple[Move, ...]:
        """What would have to move now before a pass."""
        return set_up_moves(self._job, work.each, self._rack)

    def set_up(self, work: Work) -> bool:
        """Have the units set for a pass; False while they are not."""
        moves = self.moves_for(work)
        if not moves:
            self._withdraw_from(work)
            self._confirm(work, moves, Confirmation(by="nothing-moved", at=now()))
            return True
        if self._asked is None and not self._doubted:
            each, snapshot = work.each, self._job.snapshot_of(work.each)
            self._operator.ask(SetUp(each.id, each.insert, each.snapshot, moves, snapshot.note, snapshot.photo))
            self._asked, self._asked_at = work, self._clock()
        if self._asked is not work:
            return False
        reply = self._operator.answer()
        if reply is None:
            return False
        self._asked = None
        self.answers += 1
        return self._follow(work, moves, reply)

    def doubt(self, insert: str, why: str) -> None:
        """Leave an insert alone until somebody has looked at it."""
        self._doubted.setdefault(insert, why)

    def is_doubted(self, insert: str) -> bool:
        """Whether somebody is still to look at an insert."""
        return insert in self._doubted

    def tend(self) -> None:
        """Drop a question that is moot; hear what was said about an insert that is doubted."""
        asked = self._asked
        if asked is not None and (asked.stage is not Stage.WAITING or asked.each.insert in self._doubted):
            self._withdraw_from(asked)
        while self._asked is None and self._doubted:
            insert, why = next(iter(self._doubted.items()))
            if self._asking_about != insert:
                self._operator.ask(InOrder(insert, why))
                self._asking_about = insert
            reply = self._operator.answer()
            if reply is None:
                return
            self._asking_about = None
            self.answers += 1
            del self._doubted[insert]
            if reply.answer is Answer.DONE:
                self.left_alone.pop(insert, None)
                self._listener.tell("in order", None, f"insert {insert} goes on")
                continue
            self.left_alone[insert] = why
            self._listener.tell("suspended", None, f"insert {insert} is left alone until it has been looked at")
            if reply.answer is Answer.STOP:
                self._stop("stopped at a question")

    def withdraw(self) -> None:
        """The run is to end: nothing is asked any more."""
        if self._asked is not None or self._asking_about is not None:
            self._operator.withdraw()
        self._asked = self._asking_about = None
        self.left_alone.update(self._doubted)
        self._doubted.clear()

    def _withdraw_from(self, work: Work) -> None:
        if self._asked is work:
            self._operator.withdraw()
            self._asked = None

    def _follow(self, work: Work, moves: tuple[Move, ...], reply: Reply) -> bool:
        if reply.confirmation.by == "operator":
            planned_s = sum(move.seconds for move in moves) if reply.answer is Answer.DONE else 0.0
            self.overrun_s += self.asked_s - planned_s
        if reply.answer is Answer.DONE:
            self._confirm(work, moves, reply.confirmation)
            self._listener.tell("set-up", work.each.id, describe_moves(moves))
            return True
        if reply.answer is Answer.STOP:
            self._stop("stopped at a set-up")
        elif reply.answer is Answer.SKIP:
            self._skip(work, "skipped at its set-up")
        else:
            self._go_back(work)
        return False

    def _go_back(self, work: Work) -> None:
        """Undo the last set-up for which something moved, and whatever was recorded with it since."""
        place = next((n for n in reversed(range(len(self._confirmed))) if self._confirmed[n][1]), None)
        if place is None:
            self._listener.tell("back", work.each.id, "nothing was set up before this")
            return
        before, since = self._confirmed[place][0], [each for each, _ in self._confirmed[place + 1 :]]
        del self._confirmed[place:]
        units = {unit.id for unit in self._job.units_of(before.each)}
        self._rack = self._rack.without(self._job, before.each)
        for each in (before, *since):
            if units & {unit.id for unit in self._job.units_of(each.each)}:
                self._take_back(each)

    def _confirm(self, work: Work, moves: tuple[Move, ...], confirmation: Confirmation) -> None:
        work.confirmed = confirmation
        self._confirmed.append((work, bool(moves)))
        each, snapshot = work.each, self._job.snapshot_of(work.each)
        self._rack = self._rack.after(self._job, each)
        with self._journal.step():
            for unit in self._job.units_of(each):
                self._journal.remember_rack(unit.id, each.insert, snapshot.settings.get(unit.id, {}))
            if moves:
                self._journal.tell("set-up", f"{describe_moves(moves)} ({confirmation.by})", each.id)


def describe_moves(moves: tuple[Move, ...]) -> str:
    """A set-up in one line: `opto: gain 46 -> 44, mode limit; tape: preset reed warmth`."""
    words: dict[str, list[str]] = {}
    for move in moves:
        if move.control == "patch":
            what = f"plug into {move.to}"
        elif move.from_ is None:
            what = f"{move.control} {_show(move.to)}"
        else:
            what = f"{move.control} {_show(move.from_)} -> {_show(move.to)}"
        words.setdefault(move.unit, []).append(what)
    return "; ".join(f"{unit}: {', '.join(of_unit)}" for unit, of_unit in words.items())


def _show(position: float | str | None) -> str:
    return f"{position:g}" if isinstance(position, float) else str(position)
