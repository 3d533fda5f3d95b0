"""Walks a session through the stages; the only module that knows their order.

    survey -> plan -> for each pass: examine its source, set up, roll, time, trim, render and judge, deliver

The plan is a priority, not a timetable: a pass begins when its turn on every unit it needs has come, what it
plays is printed, and its return has fallen silent. Measuring runs in workers while other passes roll.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

from printq.audio.port import AudioPort
from printq.errors import ExitStatus, FileError, PrintqError, RigError, StorageError, UnmeasurableError
from printq.files.atomic import write_atomically
from printq.models.passes import Job, Pass
from printq.models.plan import Plan
from printq.models.take import Confirmation
from printq.plan import RackState, make_plan
from printq.run import Ending
from printq.spool.checking import examine_source
from printq.spool.delivering import deliver_kept_take, finish_intended
from printq.spool.hands import Hands
from printq.spool.identity import identify, source_identity
from printq.spool.journal import Journal, now
from printq.spool.operator import Listener, Operator
from printq.spool.outcomes import Outcomes, RunReport
from printq.spool.paths import SessionPaths
from printq.spool.recording import Recorder
from printq.spool.revision import Revision
from printq.spool.sources import source_parts
from printq.spool.space import space_problem
from printq.spool.standing import PassSituation, Survey, look_at, survey
from printq.spool.turns import Turns
from printq.spool.work import Stage, Work
from printq.spool.workers import WorkerPool

__all__ = ["Driver"]

EXAMINE_AHEAD = 3
"""Sources measured before their turn comes."""
WAIT_S = 1.0
QUESTION_WAIT_S = 0.1


class Driver:
    """One run of one session.

    Parameters
    ----------
    job : Job
    journal, paths
        Of the session, which the caller holds locked.
    make_port : callable
        Gives the interface; called once, when the first pass is about to roll, with the number of
        times that a stream has been started in this session.
    operator, listener
        Who sets up units, and who is told.
    workers : int
        Processes for measuring; 0 measures in this one.
    only : frozenset of str, optional
        Stems to print; left out, all.
    rack_untouched : bool
        The operator's word that the units stand as the last run left them.
    rack_on_s : float, optional
        For how long the rack has been switched on; left out, nobody says which units are cold.
    on_plan : callable, optional
        Is handed the plan before anything of it is done; not those that it is revised to.
    clock : callable, optional
        Seconds by which the hands are timed, from any start; never goes back.
    """

    def __init__(
        self,
        job: Job,
        journal: Journal,
        paths: SessionPaths,
        make_port: Callable[[int], AudioPort],
        operator: Operator,
        listener: Listener,
        *,
        workers: int = 1,
        only: frozenset[str] | None = None,
        rack_untouched: bool = False,
        rack_on_s: float | None = None,
        on_plan: Callable[[Plan], None] = lambda _: None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._job = job
        self._journal = journal
        self._paths = paths
        self._operator = operator
        self._listener = listener
        self._pool = WorkerPool(workers)
        self._only = only
        self._on_plan = on_plan
        self._clock = clock
        self._recorder = Recorder(job, paths, journal, make_port, rack_on_s)
        self._fading = False
        self._stuck: list[tuple[str, bool, bool, int]] = []
        """What was left, and how far it had come, when nothing moved the last time."""
        self._report = RunReport()
        self._outcomes = Outcomes(
            job, journal, paths, listener, self._pool, self._report, self.request_stop, self._doubt
        )
        self._hands = Hands(
            job,
            journal,
            operator,
            listener,
            RackState(journal.rack()) if rack_untouched else RackState(),
            skip=lambda work, why: self._outcomes.end(work, Stage.SKIPPED, why),
            take_back=self._take_back,
            stop=lambda why: self.request_stop(why, fade=False),
            clock=self._now,
        )
        self._turns = Turns(job, self._hands, lambda name: self._survey.situations[name].is_done)
        self._revision = Revision(job, self._turns, self._hands, self._recorder, listener, self._now)
        finish_intended(journal, paths, job.passes)
        self._outcomes.fail_abandoned_takes()
        self._survey = survey(job, journal, paths, remember=True)

    def request_stop(self, why: str, *, fade: bool = True) -> None:
        """Begin nothing more; with `fade`, fade out what is in the air as well. Safe in a signal handler."""
        self._report.stopped = self._report.stopped or why
        self._fading = self._fading or fade

    def run(self) -> RunReport:
        """Do what is left to do.

        Raises
        ------
        StorageError
            It would not fit on the disk, or the journal cannot be written.
        RigError
            The interface is not as described.
        FileError
            A dry file cannot be read.
        """
        pending = self._survey.pending(self._only)
        kept = self._choose([name for name, found in self._survey.situations.items() if found.redelivery is not None])
        problem = space_problem(self._job, [self._pass(n) for n in pending], [self._pass(n) for n in kept])
        if problem is not None:
            raise StorageError(problem)
        with self._pool:
            try:
                tried: set[tuple[str, int]] = set()
                while kept:
                    for name in kept:
                        tried.add(self._kept_take(name))
                        self._deliver_kept(name)
                    self._survey = survey(self._job, self._journal, self._paths, remember=True)
                    pending = self._survey.pending(self._only)
                    # A take that was judged only now may be the last that a choice was waiting for.
                    again = [name for name, found in self._survey.situations.items() if found.redelivery is not None]
                    kept = [name for name in self._choose(again) if self._kept_take(name) not in tried]
                plan = make_plan(
                    self._job, pending, rack=self._hands.rack, rack_on_s=self._recorder.rack_on_s, search=True
                )
                self._save_plan(plan)
                self._on_plan(plan)
                self._turns.begin(Work(self._pass(entry.pass_id), entry) for entry in plan.entries)
                self._revision.begin()
                self._loop()
            finally:
                self._recorder.close()
        return self._close_report()

    # ---- the loop ----

    def _loop(self) -> None:
        while True:
            self._hear_wishes()
            if self._report.stopped is not None:
                self._wind_up()
            else:
                self._hands.tend()
                self._go_on()
            if not self._turns.left() and not self._pool.open_tasks:
                self._hands.withdraw()
                return
            if self._recorder.rolling or any(work.quiet_since is not None for work in self._turns):
                self._advance()
                self._land()
                self._show()
                results = self._pool.collect()
            elif self._hands.has_open_question:
                if self._recorder.is_live:
                    self._advance()  # a real interface may be lost, or howl, while nobody plays
                else:
                    self._operator.wait(QUESTION_WAIT_S)
                self._show()
                results = self._pool.collect()
            elif self._pool.open_tasks:
                results = self._pool.collect(timeout=WAIT_S)
            else:
                results = []
                self._give_up_stuck()
            if results or self._recorder.rolling:
                self._stuck = []
            for result in results:
                self._outcomes.take_result(self._turns.need(result.key[0]), result)

    def _go_on(self) -> None:
        """Do all that can be done now; what is said to a set-up may change what comes next."""
        heard = -1
        while heard != self._hands.answers and self._report.stopped is None:
            heard = self._hands.answers
            self._revise()
            self._move_on()

    def _revise(self) -> None:
        """Go on by a new plan, where something has come out otherwise than the last one had it."""
        if not self._revision.is_due():
            return
        for work in self._turns:
            if work.stage is Stage.WAITING:
                self._is_hopeless(work)
        self._hands.tend()  # one of those may be what the hands were asked for
        self._revision.revise()

    def _move_on(self) -> None:
        """Examine what comes next, dial what can be dialled, roll what can roll: in the plan's order."""
        reserved: set[str] = set()
        """Units and channels that a pass before has a claim on."""
        examining, heard = 0, self._hands.answers
        for work in self._turns:
            if work.ended:
                continue
            held = set(self._job.resources_of(work.each))
            if work.stage is Stage.WAITING:
                if self._is_hopeless(work):
                    continue
                if self._hands.is_doubted(work.each.insert):
                    work.blocked, work.quiet_since = True, None
                    reserved |= held
                    continue
                if not work.examined and examining < EXAMINE_AHEAD and self._turns.sources_are_printed(work):
                    self._examine(work)
                    if work.ended:
                        continue
                examining += work.examined and work.source is None
                work.blocked = bool(held & (reserved | self._turns.held_in_the_air()))
                if work.blocked:
                    work.quiet_since = None
                else:
                    self._set_up_and_roll(work)
                    if self._hands.answers != heard or self._report.stopped is not None:
                        return
            keeps = work.stage is not Stage.CHECKING or not self._turns.next_needs_no_hands(work)
            if not work.ended and keeps:
                reserved |= held

    def _set_up_and_roll(self, work: Work) -> None:
        moves = self._hands.moves_for(work)
        if moves and not self._turns.hands_may_move(work, rolling=self._recorder.rolling):
            return
        if (moves or work.confirmed is None) and not self._hands.set_up(work):
            return
        if work.source is None or self._turns.rolls_after_another_set_up(work):
            return
        self._recorder.open([self._job.insert_of(other.each) for other in self._turns])
        if self._recorder.is_clear(work, list(self._turns)):
            self._roll(work)

    def _roll(self, work: Work) -> None:
        confirmed = work.confirmed or Confirmation(by="nothing-moved", at=now())
        number = self._outcomes.begin_take(work, self._recorder.stream, confirmed)
        try:
            self._recorder.roll(work, number)
        except PrintqError as error:
            # A stem that is gone, or no room for the take: the others go on.
            self._outcomes.fail(work, error)
            return
        work.stage = Stage.ROLLING
        cold = work.need_record().cold_units
        also = f", {' and '.join(cold)} still cold" if cold else ""
        length = f"{work.each.layout.total / work.each.rate:.1f} s"
        self._listener.tell("rolling", work.each.id, f"take {number}, {length}{also}")

    def _land(self) -> None:
        for flight, ending in self._recorder.land():
            work = self._turns.need(flight.name)
            work.flight = None
            if ending is Ending.COMPLETE:
                self._outcomes.end_take(work)
            elif ending is Ending.FAILED:
                assert flight.error is not None
                self._outcomes.fail(work, flight.error)
            elif ending is Ending.GLITCH:
                self._outcomes.glitch(work)
            elif work.discarded is not None:
                self._outcomes.discard(work)
            else:
                self._outcomes.abort(work)

    def _take_back(self, work: Work) -> None:
        """A set-up was not right: what came of it is done again."""
        name = work.each.id
        if work.stage is Stage.WAITING:
            work.confirmed = None
            self._outcomes.forget_good(work, "its set-up was not right")
        elif work.stage is Stage.ROLLING or work.stage is Stage.CHECKING:
            self._again(work, "its set-up was not right")
        else:
            request = f"printq reprint {name} --note …"
            self._listener.tell("back", name, f"is {work.stage.value} already: {request} prints it again")

    def _again(self, work: Work, why: str) -> None:
        """Discard the take at hand and record another."""
        work.discarded = why
        if work.flight is not None:
            work.flight.abort()
        work.confirmed = None

    def _hear_wishes(self) -> None:
        for wish in self._operator.wishes():
            work = self._turns.find(wish.pass_id) if wish.pass_id is not None else None
            if wish.kind == "stop":
                self.request_stop("stopped by the operator", fade=False)
            elif work is None or work.flight is None:
                self._listener.tell("wish", wish.pass_id, "it is not in the air any more")
            elif wish.kind == "redo":
                self._again(work, "the operator wants another take")
            else:
                work.flight.abort()

    def _wind_up(self) -> None:
        """The run is to end: begin nothing more, and fade out where that was asked for."""
        self._hands.withdraw()
        if self._fading:
            self._recorder.fade_out()
        for work in self._turns:
            if work.stage is Stage.WAITING:
                self._outcomes.end(work, Stage.SKIPPED, self._report.stopped or "")

    def _give_up_stuck(self) -> None:
        """Nothing rolls and nothing is being measured: what cannot move now will not move in this run."""
        self._turns.follows_plan = False
        left = self._turns.left()
        heard = self._hands.answers
        now_stuck = [(work.each.id, work.examined, work.confirmed is None, heard) for work in left]
        for work in left:
            if not self._turns.sources_are_printed(work):
                waiting = next(name for name in work.each.needs if not self._turns.is_printed(name))
                state = self._survey.situations[waiting].state
                self._outcomes.end(work, Stage.SKIPPED, f"waits for {waiting}, which is {state}")
            elif now_stuck == self._stuck:
                self._outcomes.end(work, Stage.SKIPPED, "could not be started; run again")
        self._stuck = now_stuck

    def _advance(self) -> None:
        try:
            self._recorder.advance()
        except RigError as error:
            self._report.exit_status = ExitStatus.RIG
            self.request_stop(str(error))
            self._land()
            for name in self._recorder.lose():
                work = self._turns.need(name)
                work.flight = None
                self._outcomes.abort(work)

    def _doubt(self, insert: str, why: str) -> None:
        self._hands.doubt(insert, why)
        self._hands.tend()

    def _show(self) -> None:
        works = list(self._turns)
        self._listener.show(self._recorder.describe(works), len(self._turns.left()), self._revision.left_s())

    # ---- questions ----

    def _is_hopeless(self, work: Work) -> bool:
        """End a pass whose insert is suspended or whose sources will not come; whether that was so."""
        suspended = self._hands.left_alone.get(work.each.insert)
        if suspended is not None:
            self._outcomes.end(work, Stage.SKIPPED, f"insert {work.each.insert} is left alone: {suspended}")
            return True
        for name in work.each.needs:
            needed = self._turns.find(name)
            if needed is not None and needed.stage in (Stage.HELD, Stage.SKIPPED):
                self._outcomes.end(work, Stage.SKIPPED, f"waits for {name}, which is not printed")
                return True
        return False

    # ---- sources ----

    def _examine(self, work: Work) -> None:
        """Look at a pass again now that its sources are there, and have them measured."""
        each = work.each
        work.examined = True
        try:
            for name in each.needs:
                self._look_again(self._pass(name))
            situation = self._look_again(each)
        except FileError as error:
            self._outcomes.end(work, Stage.SKIPPED, str(error))
            return
        if situation.is_done:
            # What it is made from was printed anew and came out the same.
            self._outcomes.end(work, Stage.DONE, "")
        elif situation.waits:
            self._outcomes.end(work, Stage.SKIPPED, situation.reason)
        else:
            source = source_identity(self._job, each, self._survey.checksums)
            assert source is not None, f"all that {each.id} needs is printed"
            work.identity = identify(self._job, each, source)
            work.good = [take.number for take in situation.good]
            work.parts = source_parts(self._paths, each, self._survey.prints)
            self._pool.submit((each.id, "examine"), examine_source, each, self._job.insert_of(each), work.parts)

    def _look_again(self, each: Pass) -> PassSituation:
        found = look_at(self._job, each, self._journal, self._paths, self._survey, remember=True, fresh=True)
        self._survey.keep(found)
        return found

    # ---- before and after ----

    def _now(self) -> float:
        # On the simulated rack an evening passes in seconds: what rolls takes the stream's time, hands the clock's.
        return self._clock() + self._recorder.virtual_s

    def _choose(self, names: list[str]) -> list[str]:
        return [name for name in names if self._only is None or self._pass(name).stem in self._only]

    def _pass(self, name: str) -> Pass:
        found = self._job.find_pass(name)
        assert found is not None, name
        return found

    def _save_plan(self, plan: Plan) -> None:
        write_atomically(self._paths.plan, (plan.model_dump_json(indent=2, by_alias=True) + "\n").encode())

    def _kept_take(self, name: str) -> tuple[str, int]:
        redelivery = self._survey.situations[name].redelivery
        assert redelivery is not None
        return name, redelivery.take.number if redelivery.take.state != "good" else -1

    def _deliver_kept(self, name: str) -> None:
        situation = self._survey.situations[name]
        assert situation.redelivery is not None
        try:
            again = deliver_kept_take(self._job, situation, self._journal, self._paths, self._survey.prints)
        except (FileError, UnmeasurableError) as error:
            # It cannot be used: the pass is recorded anew, and the take stays where it is.
            with self._journal.step():
                self._journal.set_take(name, situation.redelivery.take.number, state="failed", why=str(error))
                self._journal.tell("failed", str(error), name)
            self._listener.tell("again", name, str(error))
            return
        if again.held is not None:
            self._listener.tell("held", name, again.held)
            return
        if again.target is None:
            self._listener.tell("kept", name, f"take {situation.redelivery.take.number}, judged now")
            return
        self._report.delivered.append(again.target)
        self._listener.tell("printed", name, f"{Path(again.target).name}, from a kept take")
        self._look_again(situation.each)

    def _close_report(self) -> RunReport:
        report = self._report
        try:
            found = survey(self._job, self._journal, self._paths, remember=True)
        except FileError as error:
            # A dry file that is gone must not take the story of the run with it.
            found = self._survey
            report.stopped = report.stopped or str(error)
        report.rolled_s = self._recorder.rolled_s
        report.standings = [situation.describe() for situation in found.situations.values()]
        report.held = [name for name, situation in found.situations.items() if situation.state == "held"]
        report.waiting = [
            f"{name}: {self._why_left(name, found)}"
            for name, situation in found.situations.items()
            if not situation.is_done and name not in report.held and self._choose([name])
        ]
        if report.exit_status is ExitStatus.DONE:
            if report.held:
                report.exit_status = ExitStatus.HELD
            elif self._report.stopped is not None or report.waiting:
                report.exit_status = ExitStatus.STOPPED
        return report

    def _why_left(self, name: str, found: Survey) -> str:
        work = self._turns.find(name)
        return work.why if work is not None else found.why_it_waits(name, self._only)
