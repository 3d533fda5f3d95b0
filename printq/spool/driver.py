"""Walks a session through the stages; the only module that knows their order.

    survey -> plan -> for each pass: examine its source, set up, roll, time, trim, render and judge, deliver

The plan is a priority, not a timetable: a pass begins when its turn on every unit it needs has come, what it
plays is printed, and its return has fallen silent. Measuring runs in workers while other passes roll.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from printq.audio.port import AudioPort
from printq.deliver import TrimHistory, choose_trim, take_path
from printq.errors import ExitStatus, FileError, PrintqError, StorageError
from printq.files.atomic import write_atomically
from printq.models.delivery import Trim
from printq.models.passes import Job, Pass
from printq.models.plan import Move, Plan
from printq.models.standing import Standing
from printq.models.take import Confirmation
from printq.models.verdict import Check, SourceFacts, Timing, Verdict
from printq.plan import RackState, make_plan, set_up_moves
from printq.run import Ending
from printq.spool.checking import Checked, TakeToCheck, check_take, examine_source, time_take
from printq.spool.delivering import PROGRAM, deliver_kept_take, deliver_take, finish_intended
from printq.spool.identity import identify, source_identity
from printq.spool.journal import Journal, now
from printq.spool.operator import Answer, Listener, Operator, SetUp
from printq.spool.paths import SessionPaths
from printq.spool.recording import Recorder
from printq.spool.sources import names_of, source_parts
from printq.spool.space import space_problem
from printq.spool.standing import PassSituation, look_at, survey, terms_of
from printq.spool.work import Stage, Work
from printq.spool.workers import TaskResult, WorkerPool
from printq.verify import Situation, judge_send

__all__ = ["Driver", "RunReport"]

LUCK = frozenset({"slip", "dropout", "length"})
"""Checks whose failure may be bad luck: taken again. Everything else is held at once."""
SUSPENDING = frozenset({"silent", "channels"})
"""Checks whose failure says that the wiring is not as described: nothing more goes through that insert."""
EXAMINE_AHEAD = 3
"""Sources measured before their turn comes."""
WAIT_S = 1.0


@dataclass
class RunReport:
    """What a run did."""

    standings: list[Standing] = field(default_factory=list)
    delivered: list[str] = field(default_factory=list)
    """Prints written in this run, relative to the session."""
    held: list[str] = field(default_factory=list)
    waiting: list[str] = field(default_factory=list)
    """Passes that could not be done now, each with its reason."""
    stopped: str | None = None
    """Why the run ended before the end, where it did."""
    exit_status: ExitStatus = ExitStatus.DONE
    rolled_s: float = 0.0
    """Length of all takes recorded, in seconds."""


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
    ) -> None:
        self._job = job
        self._journal = journal
        self._paths = paths
        self._operator = operator
        self._listener = listener
        self._pool = WorkerPool(workers)
        self._only = only
        self._rack = RackState(journal.rack()) if rack_untouched else RackState()
        self._recorder = Recorder(job, paths, journal, make_port)
        self._works: dict[str, Work] = {}
        self._suspended: dict[str, str] = {}
        """Insert to why nothing goes through it any more."""
        self._reference: dict[str, float] = {}
        """Insert to the delay of its first take in this stream."""
        self._stopping: str | None = None
        self._fading = False
        self._follows_plan = True
        self._report = RunReport()
        finish_intended(journal, paths, job.passes)
        self._fail_abandoned_takes()
        self._survey = survey(job, journal, paths, remember=True)

    def request_stop(self, why: str, *, fade: bool = True) -> None:
        """Begin nothing more; with `fade`, fade out what is in the air as well. Safe in a signal handler."""
        self._stopping = self._stopping or why
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
        pending = self._choose(self._survey.pending())
        kept = self._choose([name for name, found in self._survey.situations.items() if found.redelivery is not None])
        problem = space_problem(self._job, [self._pass(n) for n in pending], [self._pass(n) for n in kept])
        if problem is not None:
            raise StorageError(problem)
        plan = make_plan(self._job, pending, rack=self._rack)
        self._save_plan(plan)
        self._works = {entry.pass_id: Work(self._pass(entry.pass_id), entry) for entry in plan.entries}
        with self._pool:
            try:
                for name in kept:
                    self._deliver_kept(name)
                self._loop()
            finally:
                self._recorder.close()
        return self._close_report()

    # ---- the loop ----

    def _loop(self) -> None:
        while True:
            if self._stopping is not None:
                self._wind_up()
            else:
                self._move_on()
            if all(work.ended for work in self._works.values()) and not self._pool.open_tasks:
                return
            if self._recorder.rolling or any(work.quiet_since is not None for work in self._works.values()):
                self._recorder.advance()
                self._land()
                self._listener.show(
                    self._recorder.describe(list(self._works.values())),
                    sum(not work.ended for work in self._works.values()),
                )
                results = self._pool.collect()
            elif self._pool.open_tasks:
                results = self._pool.collect(timeout=WAIT_S)
            else:
                results = []
                self._give_up_stuck()
            for result in results:
                self._take_result(result)

    def _move_on(self) -> None:
        """Examine what comes next, dial what can be dialled, roll what can roll: in the plan's order."""
        reserved: set[str] = set()
        """Units and channels that a pass before has a claim on."""
        examining = 0
        for work in self._works.values():
            if work.ended:
                continue
            held = set(self._job.resources_of(work.each))
            if work.stage is Stage.WAITING:
                if self._is_hopeless(work):
                    continue
                if not work.examined and examining < EXAMINE_AHEAD and self._sources_are_printed(work):
                    self._examine(work)
                    if work.ended:
                        continue
                examining += work.source is None
                if not held & (reserved | self._held_in_the_air()):
                    self._set_up_and_roll(work)
                    if self._stopping is not None:
                        return
            keeps = work.stage is not Stage.CHECKING or not self._next_needs_no_hands(work)
            if not work.ended and keeps:
                reserved |= held

    def _set_up_and_roll(self, work: Work) -> None:
        moves = set_up_moves(self._job, work.each, self._rack)
        if moves and not self._hands_may_move(work):
            return
        if (moves or work.confirmed is None) and not self._set_up(work, moves):
            return
        if work.source is None or self._rolls_after_another_set_up(work):
            return
        self._recorder.open([self._job.insert_of(other.each) for other in self._works.values()])
        if self._recorder.is_clear(work, list(self._works.values())):
            self._roll(work)

    def _set_up(self, work: Work, moves: tuple[Move, ...]) -> bool:
        """Have the units set for a pass; False where it does not go on now."""
        each = work.each
        snapshot = self._job.snapshot_of(each)
        work.confirmed = Confirmation(by="nothing-moved", at=now())
        if moves:
            reply = self._operator.set_up(
                SetUp(each.id, each.insert, each.snapshot, moves, snapshot.note, snapshot.photo)
            )
            if reply.answer is Answer.STOP:
                work.confirmed = None
                self.request_stop("stopped at a set-up", fade=False)
                return False
            if reply.answer is Answer.SKIP:
                self._end(work, Stage.SKIPPED, "skipped at its set-up")
                return False
            work.confirmed = reply.confirmation
            self._listener.tell("set-up", each.id, _describe_moves(moves))
        self._rack = self._rack.after(self._job, each)
        with self._journal.step():
            for unit in self._job.units_of(each):
                self._journal.remember_rack(unit.id, each.insert, snapshot.settings.get(unit.id, {}))
            if moves:
                self._journal.tell("set-up", f"{_describe_moves(moves)} ({work.confirmed.by})", each.id)
        return True

    def _roll(self, work: Work) -> None:
        number = self._begin_take(work, work.confirmed or Confirmation(by="nothing-moved", at=now()))
        self._recorder.roll(work, number)
        work.stage = Stage.ROLLING
        self._listener.tell("rolling", work.each.id, f"take {number}, {work.each.layout.total / work.each.rate:.1f} s")

    def _begin_take(self, work: Work, confirmed: Confirmation, *, file: bool = True) -> int:
        """Enter a take into the journal before anything of it exists; returns its number."""
        each = work.each
        number = max((take.number for take in self._journal.takes(each.id)), default=0) + 1
        # Takes that the journal does not know of are somebody's all the same: of a journal that was moved aside, say.
        while self._paths.absolute(take_path(each, number)).exists():
            number += 1
        with self._journal.step():
            self._journal.begin_take(
                each.id,
                number,
                take_path(each, number) if file else "",
                self._recorder.stream,
                work.identity,
                terms_of(self._job, each),
                work.need_source(),
                self._job.snapshot_of(each).settings,
                confirmed,
            )
        return number

    def _land(self) -> None:
        for name, ending in self._recorder.land():
            work = self._works[name]
            work.flight = None
            if ending is Ending.COMPLETE:
                with self._journal.step():
                    self._journal.end_take(work.need_record())
                work.stage = Stage.CHECKING
                self._pool.submit((name, "time"), time_take, self._to_check(work))
            elif ending is Ending.GLITCH:
                self._fail_take(work, "the driver glitched")
                work.glitches += 1
                self._again_or_hold(work, work.glitches, self._job.options.glitch_retries, "the driver glitched")
            else:
                self._fail_take(work, "stopped")
                self._end(work, Stage.SKIPPED, "stopped while it rolled")

    # ---- what workers bring back ----

    def _take_result(self, result: TaskResult) -> None:
        name, what = result.key
        work = self._works[name]
        if result.error is not None:
            self._take_error(work, result.error)
        elif what == "examine":
            self._take_source(work, result.value)
        elif what == "time":
            self._take_timing(work, result.value)
        else:
            self._take_verdict(work, result.value)

    def _take_error(self, work: Work, error: Exception) -> None:
        if isinstance(error, StorageError):
            self._report.exit_status = ExitStatus.STORAGE
            self.request_stop(str(error))
            self._end(work, Stage.SKIPPED, "could not be written; the next run delivers it from its take")
        elif isinstance(error, PrintqError):
            self._end(work, Stage.SKIPPED, str(error))
        else:
            raise error

    def _take_source(self, work: Work, source: SourceFacts) -> None:
        work.source = source
        insert, units = self._job.insert_of(work.each), self._job.units_of(work.each)
        check = judge_send(Situation(work.each, insert, units, self._job.rig.interface, source, None))
        if check.verdict == "fail":
            self._hold_unplayed(work, check)

    def _take_timing(self, work: Work, timing: Timing) -> None:
        record = work.need_record()
        insert = self._job.insert_of(work.each)
        history = self._journal.trim_history(insert.id)
        trim = choose_trim(timing, insert, record.stream, history)
        work.timing, work.trim = timing, trim
        with self._journal.step():
            self._journal.set_take(work.each.id, record.number, timing=timing, trim=trim)
            if trim is not None and (history is None or history.stream != record.stream or not trim.kept):
                self._journal.set_trim_history(insert.id, TrimHistory.decide(record.stream, trim))
        reference = self._reference.get(insert.id)
        if timing.delay_samples is not None:
            self._reference.setdefault(insert.id, timing.delay_samples)
        # Without a delay the take is judged untrimmed: it is held, and says why.
        judged = trim or Trim(frames=0, fraction=0.0, kept=False)
        self._pool.submit((work.each.id, "check"), check_take, self._to_check(work), timing, judged, reference)

    def _take_verdict(self, work: Work, checked: Checked) -> None:
        with self._journal.step():
            self._journal.set_take(
                work.each.id, work.need_record().number, rendered=checked.rendered, verdict=checked.verdict
            )
        failed = checked.verdict.failed()
        if not checked.source_unchanged:
            work.examined, work.source = False, None
            self._take_again(work, "the dry file changed while it was played")
        elif checked.verdict.outcome == "fail" and all(check.check in LUCK for check in failed) and failed:
            self._take_again(work, _say(failed))
        elif checked.verdict.outcome == "fail" or work.trim is None:
            self._hold(work, _say(failed) or "no delay could be measured")
            if any(check.check in SUSPENDING for check in failed):
                self._suspend(work.each.insert, _say(failed))
        else:
            self._use_take(work, checked)

    def _use_take(self, work: Work, checked: Checked) -> None:
        """Deliver the first good take; further ones are kept beside it."""
        work.good_takes += 1
        if work.good_takes == 1:
            try:
                self._deliver(work, checked)
            except StorageError as error:
                self._take_error(work, error)
                return
        else:
            with self._journal.step():
                self._journal.set_take(work.each.id, work.need_record().number, state="spare")
            self._paths.absolute(checked.rendered.staged).unlink(missing_ok=True)
        if work.good_takes < self._job.options.takes:
            work.stage = Stage.WAITING
        else:
            self._end(work, Stage.DONE, "")

    def _deliver(self, work: Work, checked: Checked) -> None:
        assert work.timing is not None
        assert work.trim is not None
        target = deliver_take(
            self._job,
            work.each,
            self._journal,
            self._paths,
            self._journal.take(work.each.id, work.need_record().number),
            checked,
            timing=work.timing,
            trim=work.trim,
            source_files=names_of(self._paths, work.parts),
            identity=work.identity,
        )
        self._report.delivered.append(target)
        warned = [check.check for check in checked.verdict.checks if check.verdict == "warn"]
        delay = f"{work.timing.delay_samples:.2f}" if work.timing.delay_samples is not None else "none"
        also = f", warns: {', '.join(warned)}" if warned else ""
        self._listener.tell("printed", work.each.id, f"{Path(target).name}, delay {delay} samples{also}")

    # ---- endings ----

    def _fail_take(self, work: Work, why: str) -> None:
        with self._journal.step():
            self._journal.set_take(work.each.id, work.need_record().number, state="failed", why=why)
            self._journal.tell("failed", why, work.each.id)
        self._drop_staged(work)

    def _take_again(self, work: Work, why: str) -> None:
        """A take that failed by bad luck."""
        self._fail_take(work, why)
        work.tries += 1
        self._again_or_hold(work, work.tries, self._job.options.retries, why)

    def _again_or_hold(self, work: Work, tries: int, allowed: int, why: str) -> None:
        if self._stopping is not None:
            self._end(work, Stage.SKIPPED, why)
        elif tries <= allowed:
            self._listener.tell("again", work.each.id, why)
            work.stage = Stage.WAITING
        else:
            self._hold(work, f"{why}, {tries} times")

    def _hold(self, work: Work, why: str) -> None:
        with self._journal.step():
            self._journal.set_take(work.each.id, work.need_record().number, state="held", why=why)
            self._journal.tell("held", why, work.each.id)
        self._drop_staged(work)
        self._end(work, Stage.HELD, why)

    def _hold_unplayed(self, work: Work, check: Check) -> None:
        """Hold a pass that must not be played: an entry in the journal without a recording."""
        source = work.need_source()
        why = _say([check])
        verdict = Verdict(outcome="fail", checks=(check,), loudness=source.loudness, true_peak_dbtp=None)
        number = self._begin_take(work, Confirmation(by="nothing-moved", at=now()), file=False)
        with self._journal.step():
            self._journal.set_take(work.each.id, number, state="held", verdict=verdict, why=why)
            self._journal.tell("held", why, work.each.id)
        self._end(work, Stage.HELD, why)

    def _end(self, work: Work, stage: Stage, why: str) -> None:
        work.stage, work.why = stage, why
        work.confirmed = None
        work.quiet_since = None
        if stage is Stage.HELD:
            self._listener.tell("held", work.each.id, why)
        elif stage is Stage.SKIPPED and why != self._stopping:
            self._listener.tell("waits", work.each.id, why)

    def _drop_staged(self, work: Work) -> None:
        self._paths.absolute(self._to_check(work).staged_name).unlink(missing_ok=True)

    def _suspend(self, insert: str, why: str) -> None:
        if not self._operator.may_go_on(insert, why):
            self._suspended[insert] = why
            self._listener.tell("suspended", None, f"insert {insert} is left alone until it has been looked at")

    def _wind_up(self) -> None:
        """The run is to end: begin nothing more, and fade out where that was asked for."""
        if self._fading:
            self._recorder.fade_out()
        for work in self._works.values():
            if work.stage is Stage.WAITING:
                self._end(work, Stage.SKIPPED, self._stopping or "")

    def _give_up_stuck(self) -> None:
        """Nothing rolls and nothing is being measured: what cannot move now will not move in this run."""
        self._follows_plan = False
        for work in self._works.values():
            if not work.ended and not self._sources_are_printed(work):
                waiting = next(name for name in work.each.needs if not self._is_printed(name))
                state = self._survey.situations[waiting].state
                self._end(work, Stage.SKIPPED, f"waits for {waiting}, which is {state}")

    # ---- questions ----

    def _is_hopeless(self, work: Work) -> bool:
        """End a pass whose insert is suspended or whose sources will not come; whether that was so."""
        suspended = self._suspended.get(work.each.insert)
        if suspended is not None:
            self._end(work, Stage.SKIPPED, f"insert {work.each.insert} is left alone: {suspended}")
            return True
        for name in work.each.needs:
            needed = self._works.get(name)
            if needed is not None and needed.stage in (Stage.HELD, Stage.SKIPPED):
                self._end(work, Stage.SKIPPED, f"waits for {name}, which is not printed")
                return True
        return False

    def _is_printed(self, name: str) -> bool:
        work = self._works.get(name)
        return work.stage is Stage.DONE if work is not None else self._survey.situations[name].is_done

    def _sources_are_printed(self, work: Work) -> bool:
        return all(self._is_printed(name) for name in work.each.needs)

    def _held_in_the_air(self) -> set[str]:
        rolling = [work for work in self._works.values() if work.stage is Stage.ROLLING]
        return {name for work in rolling for name in self._job.resources_of(work.each)}

    def _hands_may_move(self, work: Work) -> bool:
        """Whether the operator is called now to set up a pass."""
        if not self._job.options.hands_during_passes:
            return not self._recorder.rolling
        # What stands dialled and only waits for a moment is started first: a set-up may take minutes.
        return not any(
            other is not work
            and other.stage is Stage.WAITING
            and other.confirmed is not None
            and self._sources_are_printed(other)
            for other in self._works.values()
        )

    def _rolls_after_another_set_up(self, work: Work) -> bool:
        """Where hands rest during passes, the plan has everything that is free dialled first, then rolls it together.

        By the times of the plan this cannot lock up: what is dialled before this pass rolls is not made from it.
        """
        if self._job.options.hands_during_passes or not self._follows_plan:
            return False
        return any(
            other is not work
            and other.stage is Stage.WAITING
            and other.confirmed is None
            and other.planned.moves != ()
            and other.planned.set_up_end_s <= work.planned.start_s
            for other in self._works.values()
        )

    def _next_needs_no_hands(self, work: Work) -> bool:
        """Whether the next pass on these units finds them as it wants them: a repeat of this one would, too."""
        held = set(self._job.resources_of(work.each))
        for other in self._works.values():
            if other.stage is Stage.WAITING and held & set(self._job.resources_of(other.each)):
                return not set_up_moves(self._job, other.each, self._rack)
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
            self._end(work, Stage.SKIPPED, str(error))
            return
        if situation.is_done:
            # What it is made from was printed anew and came out the same.
            self._end(work, Stage.DONE, "")
        elif situation.waits:
            self._end(work, Stage.SKIPPED, situation.reason)
        else:
            source = source_identity(self._job, each, self._survey.checksums)
            assert source is not None, f"all that {each.id} needs is printed"
            work.identity = identify(self._job, each, source)
            work.parts = source_parts(self._paths, each, self._survey.prints)
            self._pool.submit((each.id, "examine"), examine_source, each, self._job.insert_of(each), work.parts)

    def _look_again(self, each: Pass) -> PassSituation:
        found = look_at(self._job, each, self._journal, self._paths, self._survey, remember=True)
        self._survey.keep(found)
        return found

    # ---- before and after ----

    def _choose(self, names: list[str]) -> list[str]:
        return [name for name in names if self._only is None or self._pass(name).stem in self._only]

    def _pass(self, name: str) -> Pass:
        found = self._job.find_pass(name)
        assert found is not None, name
        return found

    def _to_check(self, work: Work) -> TakeToCheck:
        return TakeToCheck.make(self._job, work.each, work.parts, work.need_source(), work.need_record(), PROGRAM)

    def _fail_abandoned_takes(self) -> None:
        """Takes that were rolling when an earlier run was killed."""
        for take in self._journal.rolling_takes():
            with self._journal.step():
                self._journal.set_take(take.pass_id, take.number, state="failed", why="the run ended while it rolled")
                self._journal.tell("failed", f"take {take.number} was rolling when the run ended", take.pass_id)

    def _save_plan(self, plan: Plan) -> None:
        write_atomically(self._paths.plan, (plan.model_dump_json(indent=2, by_alias=True) + "\n").encode())

    def _deliver_kept(self, name: str) -> None:
        situation = self._survey.situations[name]
        again = deliver_kept_take(self._job, situation, self._journal, self._paths, self._survey.prints)
        if again.held is not None:
            self._listener.tell("held", name, again.held)
            return
        assert again.target is not None
        self._report.delivered.append(again.target)
        self._listener.tell("printed", name, f"{Path(again.target).name}, from a kept take")
        self._look_again(situation.each)

    def _close_report(self) -> RunReport:
        found = survey(self._job, self._journal, self._paths, remember=True)
        report = self._report
        report.rolled_s = self._recorder.rolled_s
        report.standings = [situation.describe() for situation in found.situations.values()]
        report.held = [name for name, situation in found.situations.items() if situation.state == "held"]
        report.waiting = [
            f"{name}: {self._works[name].why if name in self._works else situation.reason}"
            for name, situation in found.situations.items()
            if not situation.is_done and name not in report.held and self._choose([name])
        ]
        report.stopped = self._stopping
        if report.exit_status is ExitStatus.DONE:
            if report.held:
                report.exit_status = ExitStatus.HELD
            elif self._stopping is not None or report.waiting:
                report.exit_status = ExitStatus.STOPPED
        return report


def _say(checks: list[Check]) -> str:
    return "; ".join(f"{check.check}: {check.cause}" for check in checks)


def _describe_moves(moves: tuple[Move, ...]) -> str:
    words = []
    for move in moves:
        if move.control == "patch":
            words.append(f"patch {move.unit} into {move.to}")
        else:
            words.append(f"{move.unit} {move.control} {_show(move.from_)} -> {_show(move.to)}")
    return ", ".join(words)


def _show(position: float | str | None) -> str:
    if position is None:
        return "?"
    return f"{position:g}" if isinstance(position, float) else position
