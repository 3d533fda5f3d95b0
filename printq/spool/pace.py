"""Times kept while a run goes on, and what they come to afterwards.

The clock stands between the driver and the person: a question is timed from when it is asked to when it is answered.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from printq.models.pace import Experience, RunOutcome
from printq.models.passes import Job
from printq.models.plan import Plan
from printq.spool.dial_times import count_set_ups, learn_dial_times
from printq.spool.journal import Journal
from printq.spool.operator import Answer, Operator, Question, Reply, SetUp, Wish
from printq.spool.outcomes import RunReport

__all__ = ["TimedOperator", "look_back"]


class TimedOperator:
    """An operator with a clock beside it: hands everything on, and keeps what set-ups took in the journal.

    Kept are set-ups that a person answered as done. A set-up that was asked for before in this run is not: the person
    may have been at it already. Nor is one of stored presets alone, which are no handwork.

    Parameters
    ----------
    operator : Operator
        Who is asked.
    job, journal
        Of the session.
    clock : callable
        Seconds, from any start; never goes back.
    """

    def __init__(self, operator: Operator, job: Job, journal: Journal, clock: Callable[[], float]) -> None:
        self._operator = operator
        self._job = job
        self._journal = journal
        self._clock = clock
        self._begun = 0.0
        self._planned: tuple[str, ...] = ()
        self._run: int | None = None
        self._open: tuple[SetUp, float] | None = None
        self._asked: set[str] = set()

    def ask(self, question: Question) -> None:
        """See `Operator`."""
        self._open = None
        if isinstance(question, SetUp):
            by_hand = any(move.control != "preset" for move in question.moves)
            if by_hand and question.pass_id not in self._asked:
                self._open = question, self._clock()
            self._asked.add(question.pass_id)
        self._operator.ask(question)

    def answer(self) -> Reply | None:
        """See `Operator`."""
        reply = self._operator.answer()
        if reply is not None and self._open is not None:
            question, asked = self._open
            self._open = None
            by_a_person = reply.answer is Answer.DONE and reply.confirmation.by == "operator"
            if by_a_person and self._run is not None:
                self._journal.keep_set_up(self._run, question.pass_id, question.moves, self._clock() - asked)
        return reply

    def withdraw(self) -> None:
        """See `Operator`."""
        self._open = None
        self._operator.withdraw()

    def wishes(self) -> Sequence[Wish]:
        """See `Operator`."""
        return self._operator.wishes()

    def wait(self, seconds: float) -> None:
        """See `Operator`."""
        self._operator.wait(seconds)

    def begin(self, plan: Plan) -> None:
        """The run begins, with this plan to be held against; one that has nothing to print is not remembered."""
        if plan.entries:
            self._begun = self._clock()
            self._planned = tuple(entry.pass_id for entry in plan.entries)
            simulated = self._job.rig.interface.driver == "simulated"
            self._run = self._journal.begin_run(plan.makespan_s, len(plan.entries), simulated=simulated)

    def end(self, report: RunReport) -> None:
        """The run is over."""
        if self._run is not None:
            done = {standing.pass_id for standing in report.standings if standing.state == "printed"}
            self._journal.end_run(self._run, self._clock() - self._begun, len(done.intersection(self._planned)))


def look_back(job: Job, journal: Journal, *, running: bool) -> Experience:
    """The last run beside its plan, and dial times that would plan closer.

    `running`: another process has the session, so that a run without an end is under way.
    """
    set_ups = journal.set_ups()
    last = journal.last_run()
    outcome = None
    if last is not None:
        kept, left_out = count_set_ups([each.time for each in set_ups if each.run == last.number])
        outcome = RunOutcome(
            at=last.at,
            state="ended" if last.took_s is not None else "under way" if running else "broken off",
            simulated=last.simulated,
            planned_s=last.planned_s,
            took_s=last.took_s,
            passes=last.passes,
            printed=last.printed,
            set_ups=len(kept),
            left_out=left_out,
            hands_planned_s=sum(each.planned_s for each in kept) if kept else None,
            hands_took_s=sum(each.took_s for each in kept) if kept else None,
        )
    # Nobody has to turn a knob in a rehearsal: it says nothing of a real rack.
    simulated = job.rig.interface.driver == "simulated"
    alike = [each.time for each in set_ups if each.simulated == simulated]
    return Experience(last_run=outcome, dial_times=learn_dial_times(job.rig, alike))
