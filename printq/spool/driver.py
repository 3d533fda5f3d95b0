"""Walks a session through the stages; the only module that knows their order.

    survey -> plan -> for each pass: examine its source, set up, roll, time, trim, render and judge, deliver

The plan is a priority, not a timetable: a pass begins when its turn on every unit it needs has come, what it
plays is printed, and its return has fallen silent. Measuring runs in workers while other passes roll.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from printq.audio.port import AudioPort
from printq.deliver import TrimHistory, choose_trim, take_path
from printq.errors import ExitStatus, FileError, PrintqError, StorageError
from printq.files.atomic import write_atomically
from printq.files.soundfiles import TakeWriter
from printq.files.stems import StemPart, StemReader
from printq.models.delivery import Trim
from printq.models.passes import Job, Pass
from printq.models.plan import Move, Plan
from printq.models.standing import Standing
from printq.models.take import Confirmation, TakeRecord
from printq.models.verdict import Check, SourceFacts, Timing, Verdict
from printq.plan import RackState, make_plan, set_up_moves
from printq.run import Ending, Flight, PassEngine, Playout, PlayoutPlan
from printq.spool.checking import Checked, TakeToCheck, check_take, examine_source, time_take
from printq.spool.delivering import PROGRAM, deliver_take, finish_intended
from printq.spool.identity import identify, source_identity
from printq.spool.journal import Journal, now
from printq.spool.operator import Answer, Listener, Operator, Rolling, SetUp
from printq.spool.paths import SessionPaths
from printq.spool.sources import source_parts
from printq.spool.space import space_problem
from printq.spool.standing import PassSituation, limits_of, look_at, survey
from printq.spool.workers import TaskResult, WorkerPool
from printq.verify import Situation, judge_send, marker_of

__all__ = ["Driver", "RunReport", "Stage"]

LUCK = frozenset({"slip", "dropout", "length"})
"""Checks whose failure may be bad luck: taken again. Everything else is held at once."""
SUSPENDING = frozenset({"silent", "channels"})
"""Checks whose failure says that the wiring is not as described: nothing more goes through that insert."""
STEP_S = 0.5
"""How far the stream runs between two looks at the queue: well within the buffers."""
START_MARGIN_S = 0.2
"""How far ahead of the stream a take is started."""
QUIET_DBFS = -60.0
QUIET_PATIENCE_S = 10.0
"""A return that has not fallen silent after this long is noisy by itself; the take begins."""
LOOP_CLEARANCE_S = 1.0
"""Markers of two takes on the timing loop keep this far apart."""
EXAMINE_AHEAD = 3
"""Sources measured before their turn comes."""


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


class Stage:
    """How far a pass has come in this run."""

    WAITING = "waiting"
    ROLLING = "rolling"
    CHECKING = "checking"
    DONE = "done"
    HELD = "held"
    SKIPPED = "skipped"

    ENDED = frozenset({DONE, HELD, SKIPPED})


@dataclass
class _Work:
    """One pass of this run."""

    each: Pass
    stage: str = Stage.WAITING
    source: SourceFacts | None = None
    examined: bool = False
    parts: list[StemPart] = field(default_factory=list)
    identity: dict[str, Any] = field(default_factory=dict)
    confirmed: Confirmation | None = None
    """Set while its units are dialled for it."""
    flight: Flight | None = None
    record: TakeRecord | None = None
    timing: Timing | None = None
    trim: Trim | None = None
    tries: int = 0
    glitches: int = 0
    good_takes: int = 0
    quiet_since: int | None = None
    why: str = ""

    @property
    def ended(self) -> bool:
        return self.stage in Stage.ENDED


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
        self._make_port = make_port
        self._operator = operator
        self._listener = listener
        self._pool = WorkerPool(workers)
        self._only = only
        self._rack = RackState(journal.rack()) if rack_untouched else RackState()
        self._survey = survey(job, journal, paths, remember=True)
        self._works: dict[str, _Work] = {}
        self._suspended: dict[str, str] = {}
        self._reference: dict[str, float] = {}
        self._port: AudioPort | None = None
        self._engine: PassEngine | None = None
        self._stream = ""
        self._stopping: str | None = None
        self._storage_error: StorageError | None = None
        self._report = RunReport()

    def request_stop(self, why: str = "stopped on request") -> None:
        """Fade out what is in the air and end the run; finished work is kept. Safe in a signal handler."""
        self._stopping = self._stopping or why

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
        self._clean_up_after_kill()
        pending = self._choose(self._survey.pending())
        again = [
            self._survey.situations[name]
            for name in self._choose([n for n, s in self._survey.situations.items() if s.redelivery is not None])
        ]
        self._check_space(pending, again)
        plan = make_plan(self._job, pending, rack=self._rack)
        self._save_plan(plan)
        with self._pool:
            try:
                for situation in again:
                    self._deliver_again(situation)
                for entry in plan.entries:
                    work = _Work(self._need_pass(entry.pass_id))
                    self._works[entry.pass_id] = work
                self._loop()
            finally:
                if self._port is not None:
                    self._port.close()
        return self._close_report()

    # ---- the loop ----

    def _loop(self) -> None:
        while True:
            if self._stopping is not None:
                self._abort()
            else:
                self._move_on()
            if all(work.ended for work in self._works.values()) and self._pool.open_tasks == 0:
                return
            rolling = self._engine is not None and self._engine.in_the_air() > 0
            waiting = self._engine is not None and any(work.quiet_since is not None for work in self._works.values())
            if (rolling or waiting) and self._port is not None and self._engine is not None:
                self._port.advance(STEP_S)
                self._engine.service()
                self._land()
                self._show()
                results = self._pool.collect()
            elif self._pool.open_tasks:
                results = self._pool.collect(timeout=1.0)
            else:
                results = []
                if not self._can_move():
                    self._give_up()
            for result in results:
                self._take_result(result)

    def _move_on(self) -> None:
        """Examine what comes next, dial what can be dialled, roll what can roll: in the plan's order."""
        taken: set[str] = set()
        examining = 0
        for work in self._works.values():
            if work.ended:
                continue
            insert = self._job.insert_of(work.each)
            units = set(insert.each_unit())
            if work.stage == Stage.WAITING:
                if self._is_hopeless(work):
                    continue
                if not work.examined and examining < EXAMINE_AHEAD and self._sources_are_ready(work):
                    self._examine(work)
                    if work.ended:
                        continue
                if work.source is None:
                    examining += 1
                if not units & taken:
                    self._set_up_and_roll(work)
                    if self._stopping is not None:
                        return
            if work.stage == Stage.CHECKING and work.confirmed is not None and self._next_needs_no_hands(work):
                continue
            if not work.ended:
                taken |= units

    def _set_up_and_roll(self, work: _Work) -> None:
        each = work.each
        if work.confirmed is None:
            moves = set_up_moves(self._job, each, self._rack)
            if moves and not self._job.options.hands_during_passes and self._anything_rolls():
                return
            if not self._set_up(work, moves):
                return
        if work.source is None or not self._sources_are_ready(work):
            return
        self._open_stream()
        assert self._engine is not None
        assert self._port is not None
        insert = self._job.insert_of(each)
        if work.quiet_since is None:
            work.quiet_since = self._port.played_frames
        waited = (self._port.played_frames - work.quiet_since) / each.rate
        loud = self._engine.mean_square(insert.returns) > 10 ** (QUIET_DBFS / 10)
        if (loud and waited < QUIET_PATIENCE_S) or not self._loop_is_clear(work):
            return
        self._roll(work)

    def _set_up(self, work: _Work, moves: tuple[Move, ...]) -> bool:
        each = work.each
        snapshot = self._job.snapshot_of(each)
        if moves:
            self._listener.tell("set-up", each.id, _describe_moves(moves))
            reply = self._operator.set_up(
                SetUp(each.id, each.insert, each.snapshot, moves, snapshot.note, snapshot.photo)
            )
            if reply.answer is Answer.STOP:
                self.request_stop("stopped at a set-up")
                return False
            if reply.answer is Answer.SKIP:
                self._end(work, Stage.SKIPPED, "skipped at its set-up")
                return False
            work.confirmed = reply.confirmation
        else:
            work.confirmed = Confirmation(by="nothing-moved", at=now())
        self._rack = self._rack.after(self._job, each)
        with self._journal.step():
            for unit in self._job.units_of(each):
                self._journal.remember_rack(unit.id, each.insert, snapshot.settings.get(unit.id, {}))
            if moves:
                self._journal.tell("set-up", f"{_describe_moves(moves)} ({work.confirmed.by})", each.id)
        return True

    # ---- one take ----

    def _roll(self, work: _Work) -> None:
        each, job = work.each, self._job
        assert self._port is not None
        assert self._engine is not None
        assert work.source is not None
        assert work.confirmed is not None
        insert = job.insert_of(each)
        snapshot = job.snapshot_of(each)
        loop = job.rig.interface.timing_loop
        with_loop = loop is not None and (insert.timing == "loop" or insert.trim == "loop")
        number = self._next_number(each)
        file = take_path(each, number)
        plan = PlayoutPlan(
            each.layout,
            insert.mode,
            each.rate,
            each.send_db,
            marker_of(insert, each.rate),
            marker_on_path=insert.timing == "markers",
            loop=with_loop,
        )
        send_channels = [*insert.sends, *([loop.send] if with_loop and loop else [])]
        return_channels = [*insert.returns, *([loop.return_] if with_loop and loop else [])]
        with self._journal.step():
            self._journal.begin_take(
                each.id,
                number,
                file,
                self._stream,
                work.identity,
                limits_of(each),
                work.source,
                snapshot.settings,
                work.confirmed,
            )
        start = self._port.played_frames + round(START_MARGIN_S * each.rate)
        self._port.dial(insert.id, snapshot.settings)
        completed = self._journal.completed_takes(each.id)
        self._port.announce_take(insert.id, each.id, completed, start, each.layout.total)
        stem = StemReader(work.parts, each.source_channels, each.source_frames)
        work.flight = Flight(
            each.id,
            Playout(plan, stem),
            TakeWriter(self._paths.absolute(file), each.rate, len(return_channels)),
            [self._engine.sends.index(channel) for channel in send_channels],
            [self._engine.returns.index(channel) for channel in return_channels],
            start,
            each.layout.total,
            each.rate,
            self._port.facts.block,
        )
        work.record = TakeRecord(
            pass_id=each.id,
            number=number,
            file=file,
            rate=each.rate,
            channels=insert.channels,
            loop_channel=with_loop,
            frames=each.layout.total,
            layout=each.layout,
            recorded_at=datetime.now(UTC).replace(microsecond=0).isoformat(),
            glitches=0,
            driver=self._port.facts.driver,
            device=self._port.facts.device,
            stream=self._stream,
        )
        work.stage = Stage.ROLLING
        work.quiet_since = None
        self._engine.start(work.flight)
        self._listener.tell("rolling", each.id, f"take {number}, {each.layout.total / each.rate:.1f} s")

    def _land(self) -> None:
        assert self._engine is not None
        for flight, ending in self._engine.land():
            work = self._works[flight.name]
            assert work.record is not None
            work.flight = None
            self._report.rolled_s += flight.heard_frames / flight.rate
            if ending is Ending.COMPLETE:
                with self._journal.step():
                    self._journal.end_take(work.record)
                work.stage = Stage.CHECKING
                self._pool.submit((flight.name, "time"), time_take, self._to_check(work))
            elif ending is Ending.GLITCH:
                self._fail_take(work, "the driver glitched")
                work.glitches += 1
                self._again_or_hold(work, work.glitches, self._job.options.glitch_retries, "the driver glitched")
            else:
                self._fail_take(work, "stopped")
                self._end(work, Stage.SKIPPED, "stopped while rolling")

    def _to_check(self, work: _Work) -> TakeToCheck:
        assert work.source is not None
        assert work.record is not None
        return TakeToCheck.make(self._job, work.each, work.parts, work.source, work.record, PROGRAM)

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

    def _take_error(self, work: _Work, error: Exception) -> None:
        if isinstance(error, StorageError):
            self._storage_error = error
            self.request_stop(str(error))
            self._end(work, Stage.SKIPPED, "could not be written; delivered by the next run")
        elif isinstance(error, PrintqError):
            self._end(work, Stage.SKIPPED, str(error))
        else:
            raise error

    def _take_source(self, work: _Work, source: SourceFacts) -> None:
        work.source = source
        check = judge_send(
            Situation(
                work.each,
                self._job.insert_of(work.each),
                self._job.units_of(work.each),
                self._job.rig.interface,
                source,
                None,
            )
        )
        if check.verdict == "fail":
            self._hold_unplayed(work, check)

    def _take_timing(self, work: _Work, timing: Timing) -> None:
        assert work.record is not None
        insert = self._job.insert_of(work.each)
        history = self._journal.trim_history(insert.id)
        trim = choose_trim(timing, insert, self._stream, history)
        work.timing, work.trim = timing, trim
        reference = self._reference.get(insert.id)
        with self._journal.step():
            self._journal.set_take(work.each.id, work.record.number, timing=timing, trim=trim)
            delay = timing.loop_delay_samples if insert.trim == "loop" else timing.delay_samples
            if (
                trim is not None
                and delay is not None
                and not (history is not None and trim.kept and history.stream == self._stream)
            ):
                kept = TrimHistory(stream=self._stream, frames=trim.frames, residual=trim.fraction, delay_samples=delay)
                self._journal.set_trim_history(insert.id, kept)
        if timing.delay_samples is not None:
            self._reference.setdefault(insert.id, timing.delay_samples)
        # Without a delay the take is judged at no trim at all: it is held, and says why.
        self._pool.submit(
            (work.each.id, "check"),
            check_take,
            self._to_check(work),
            timing,
            trim or Trim(frames=0, fraction=0.0, kept=False),
            reference,
        )

    def _take_verdict(self, work: _Work, checked: Checked) -> None:
        assert work.record is not None
        assert work.timing is not None
        each, number = work.each, work.record.number
        with self._journal.step():
            self._journal.set_take(each.id, number, rendered=checked.rendered, verdict=checked.verdict)
        if not checked.source_unchanged:
            self._fail_take(work, "the dry file changed while it was played")
            work.examined, work.source = False, None
            work.tries += 1
            self._again_or_hold(work, work.tries, self._job.options.retries, "the dry file changed while it was played")
            return
        failed = checked.verdict.failed()
        if checked.verdict.outcome == "fail" or work.trim is None:
            why = "; ".join(f"{check.check}: {check.cause}" for check in failed) or "no delay could be measured"
            if failed and all(check.check in LUCK for check in failed) and work.trim is not None:
                self._fail_take(work, why)
                work.tries += 1
                self._again_or_hold(work, work.tries, self._job.options.retries, why)
            else:
                self._hold(work, why)
                if any(check.check in SUSPENDING for check in failed):
                    self._suspend(each.insert, why)
            return
        self._deliver(work, checked)

    def _deliver(self, work: _Work, checked: Checked) -> None:
        assert work.record is not None
        assert work.timing is not None
        assert work.trim is not None
        each = work.each
        work.good_takes += 1
        if work.good_takes == 1:
            entry = next(t for t in self._journal.takes(each.id) if t.number == work.record.number)
            try:
                target = deliver_take(
                    self._job,
                    each,
                    self._journal,
                    self._paths,
                    entry,
                    checked,
                    timing=work.timing,
                    trim=work.trim,
                    source_files=self._names_of(work.parts),
                    identity=work.identity,
                )
            except StorageError as error:
                self._take_error(work, error)
                return
            self._report.delivered.append(target)
            warned = [check.check for check in checked.verdict.checks if check.verdict == "warn"]
            delay = f"{work.timing.delay_samples:.2f}" if work.timing.delay_samples is not None else "none"
            also = f", warns: {', '.join(warned)}" if warned else ""
            self._listener.tell("printed", each.id, f"{Path(target).name}, delay {delay} samples{also}")
        else:
            with self._journal.step():
                self._journal.set_take(each.id, work.record.number, state="spare")
            self._paths.absolute(checked.rendered.staged).unlink(missing_ok=True)
        if work.good_takes < self._job.options.takes:
            work.stage = Stage.WAITING
        else:
            self._end(work, Stage.DONE, "")

    # ---- endings ----

    def _fail_take(self, work: _Work, why: str) -> None:
        assert work.record is not None
        with self._journal.step():
            self._journal.set_take(work.each.id, work.record.number, state="failed", why=why)
            self._journal.tell("failed", why, work.each.id)
        self._drop_staged(work)

    def _again_or_hold(self, work: _Work, tries: int, allowed: int, why: str) -> None:
        if tries <= allowed and self._stopping is None:
            self._listener.tell("again", work.each.id, why)
            work.stage = Stage.WAITING
        elif self._stopping is not None:
            self._end(work, Stage.SKIPPED, why)
        else:
            self._hold(work, f"{why}, {tries} times")

    def _hold(self, work: _Work, why: str) -> None:
        assert work.record is not None
        with self._journal.step():
            self._journal.set_take(work.each.id, work.record.number, state="held", why=why)
            self._journal.tell("held", why, work.each.id)
        self._drop_staged(work)
        self._end(work, Stage.HELD, why)

    def _hold_unplayed(self, work: _Work, check: Check) -> None:
        """Hold a pass that must not be played: an entry in the journal without a recording."""
        each = work.each
        assert work.source is not None
        number = self._next_number(each)
        why = f"send: {check.cause}"
        verdict = Verdict(outcome="fail", checks=(check,), loudness=work.source.loudness, true_peak_dbtp=None)
        with self._journal.step():
            self._journal.begin_take(
                each.id,
                number,
                "",
                self._stream,
                work.identity,
                limits_of(each),
                work.source,
                self._job.snapshot_of(each).settings,
                Confirmation(by="nothing-moved", at=now()),
            )
            self._journal.set_take(each.id, number, state="held", verdict=verdict, why=why)
            self._journal.tell("held", why, each.id)
        self._end(work, Stage.HELD, why)

    def _end(self, work: _Work, stage: str, why: str) -> None:
        work.stage, work.why = stage, why
        work.confirmed = None
        work.quiet_since = None
        if stage == Stage.HELD:
            self._listener.tell("held", work.each.id, why)
        elif stage == Stage.SKIPPED:
            self._listener.tell("waits", work.each.id, why)

    def _drop_staged(self, work: _Work) -> None:
        if work.record is not None:
            staged = self._to_check(work).staged_name
            self._paths.absolute(staged).unlink(missing_ok=True)

    def _suspend(self, insert: str, why: str) -> None:
        if not self._operator.may_go_on(insert, why):
            self._suspended[insert] = why
            self._listener.tell("suspended", None, f"insert {insert} is left alone until it has been looked at")

    def _abort(self) -> None:
        if self._engine is not None:
            self._engine.abort()
        for work in self._works.values():
            if work.stage == Stage.WAITING:
                self._end(work, Stage.SKIPPED, self._stopping or "")

    def _give_up(self) -> None:
        """Nothing can move any more: what is left waits for something that will not come in this run."""
        for work in self._works.values():
            if not work.ended:
                self._end(work, Stage.SKIPPED, self._why_not_ready(work))

    # ---- questions ----

    def _is_hopeless(self, work: _Work) -> bool:
        """End a pass whose insert is suspended or whose sources will not come."""
        suspended = self._suspended.get(work.each.insert)
        if suspended is not None:
            self._end(work, Stage.SKIPPED, f"insert {work.each.insert} is suspended: {suspended}")
            return True
        for name in work.each.needs:
            needed = self._works.get(name)
            if needed is not None and needed.stage in (Stage.HELD, Stage.SKIPPED):
                self._end(work, Stage.SKIPPED, f"waits for {name}, which is not printed")
                return True
        return False

    def _sources_are_ready(self, work: _Work) -> bool:
        return all(
            self._works[name].stage == Stage.DONE if name in self._works else self._survey.situations[name].is_done
            for name in work.each.needs
        )

    def _why_not_ready(self, work: _Work) -> str:
        for name in work.each.needs:
            if not self._survey.situations[name].is_done:
                return f"waits for {name}, which is {self._survey.situations[name].state}"
        return self._stopping or "could not be started"

    def _examine(self, work: _Work) -> None:
        """Look at a pass again now that its sources are there, and have them measured."""
        each = work.each
        situation = self._look_again(each)
        work.examined = True
        if situation.is_done:
            self._end(work, Stage.DONE, "")
            return
        if situation.waits:
            self._end(work, Stage.SKIPPED, situation.reason)
            return
        work.parts = source_parts(self._paths, each, self._survey.prints)
        source = source_identity(self._job, each, self._survey.checksums)
        if source is None:
            raise FileError(f"{each.id}: what it plays is not known, although all it needs is printed")
        work.identity = identify(self._job, each, source)
        self._pool.submit((each.id, "examine"), examine_source, each, self._job.insert_of(each), work.parts)

    def _look_again(self, each: Pass) -> PassSituation:
        for name in each.needs:
            self._refresh(self._need_pass(name))
        return self._refresh(each)

    def _refresh(self, each: Pass) -> PassSituation:
        found = look_at(self._job, each, self._journal, self._paths, self._survey, remember=True)
        self._survey.situations[each.id] = found
        if found.delivery is not None:
            self._survey.prints[each.id] = found.delivery.target
            if found.state in ("printed", "taken"):
                self._survey.checksums[each.id] = found.delivery.audio_sha256
        return found

    def _next_needs_no_hands(self, work: _Work) -> bool:
        """Whether the pass that follows on these units stands on the same positions, so that a repeat loses none."""
        units = set(self._job.insert_of(work.each).each_unit())
        for other in self._works.values():
            if other is not work and other.stage == Stage.WAITING:
                if units & set(self._job.insert_of(other.each).each_unit()):
                    return not set_up_moves(self._job, other.each, self._rack)
        return False

    def _anything_rolls(self) -> bool:
        return any(work.stage == Stage.ROLLING for work in self._works.values())

    def _can_move(self) -> bool:
        return any(
            not work.ended and (work.stage != Stage.WAITING or self._sources_are_ready(work))
            for work in self._works.values()
        )

    def _loop_is_clear(self, work: _Work) -> bool:
        """Whether this take's markers would keep clear of those of others on the timing loop."""
        insert = self._job.insert_of(work.each)
        if insert.timing != "loop" and insert.trim != "loop":
            return True
        assert self._port is not None
        start = self._port.played_frames + round(START_MARGIN_S * work.each.rate)
        clearance = LOOP_CLEARANCE_S * work.each.rate
        mine = [start + at for at in (work.each.layout.head_marker_at, work.each.layout.tail_marker_at)]
        for other in self._works.values():
            if other.flight is None or other.record is None or not other.record.loop_channel:
                continue
            layout = other.each.layout
            theirs = [other.flight.start + at for at in (layout.head_marker_at, layout.tail_marker_at)]
            if any(abs(a - b) < clearance for a in mine for b in theirs):
                return False
        return True

    # ---- before and after ----

    def _choose(self, names: list[str]) -> list[str]:
        if self._only is None:
            return names
        return [name for name in names if self._need_pass(name).stem in self._only]

    def _need_pass(self, name: str) -> Pass:
        found = self._job.find_pass(name)
        assert found is not None, name
        return found

    def _clean_up_after_kill(self) -> None:
        finish_intended(self._journal, self._paths, self._job.passes)
        for take in self._journal.rolling_takes():
            with self._journal.step():
                self._journal.set_take(take.pass_id, take.number, state="failed", why="the run ended while it rolled")
                self._journal.tell("failed", f"take {take.number} was rolling when the run ended", take.pass_id)
        self._survey = survey(self._job, self._journal, self._paths, remember=True)

    def _check_space(self, pending: list[str], again: list[PassSituation]) -> None:
        passes = [self._need_pass(name) for name in pending]
        problem = space_problem(self._job, passes, [situation.each for situation in again])
        if problem is not None:
            raise StorageError(problem)

    def _save_plan(self, plan: Plan) -> None:
        write_atomically(self._paths.plan, (plan.model_dump_json(indent=2, by_alias=True) + "\n").encode())

    def _open_stream(self) -> None:
        if self._port is not None:
            return
        self._port = self._make_port(self._journal.count_streams())
        inserts = {work.each.insert: self._job.insert_of(work.each) for work in self._works.values()}
        loop = self._job.rig.interface.timing_loop
        sends = {channel for insert in inserts.values() for channel in insert.sends}
        returns = {channel for insert in inserts.values() for channel in insert.returns}
        if loop is not None:
            sends.add(loop.send)
            returns.add(loop.return_)
        facts = self._port.facts
        self._stream = self._journal.begin_stream(facts.driver, facts.device)
        self._engine = PassEngine(facts.rate, sorted(sends), sorted(returns))
        self._port.open(self._engine, sorted(sends), sorted(returns))

    def _deliver_again(self, situation: PassSituation) -> None:
        """A print from a kept take: judged anew, then delivered without a pass."""
        each, redelivery = situation.each, situation.redelivery
        assert redelivery is not None
        assert situation.identity is not None
        entry = redelivery.take
        assert entry.record is not None
        parts = source_parts(self._paths, each, self._survey.prints)
        given = TakeToCheck.make(self._job, each, parts, entry.source, entry.record, PROGRAM)
        timing = entry.timing or time_take(given)
        insert = self._job.insert_of(each)
        trim = entry.trim or choose_trim(timing, insert, entry.stream, self._journal.trim_history(insert.id))
        checked = check_take(given, timing, trim or Trim(frames=0, fraction=0.0, kept=False), None)
        before = next((d for d in self._journal.deliveries(each.id) if d.take == entry.number), None)
        accepted = before.accepted if before is not None else None
        if (checked.verdict.outcome == "fail" and accepted is None) or trim is None:
            why = "; ".join(f"{c.check}: {c.cause}" for c in checked.verdict.failed()) or "no delay could be measured"
            with self._journal.step():
                self._journal.set_take(
                    each.id, entry.number, state="held", timing=timing, verdict=checked.verdict, why=why
                )
            self._listener.tell("held", each.id, why)
            return
        with self._journal.step():
            self._journal.set_take(
                each.id, entry.number, timing=timing, trim=trim, rendered=checked.rendered, verdict=checked.verdict
            )
        target = deliver_take(
            self._job,
            each,
            self._journal,
            self._paths,
            entry,
            checked,
            timing=timing,
            trim=trim,
            source_files=self._names_of(parts),
            identity=situation.identity,
            version=redelivery.version,
            accepted=accepted,
        )
        self._report.delivered.append(target)
        self._listener.tell("printed", each.id, f"{Path(target).name}, from the kept take {entry.number}")
        self._refresh(each)

    def _next_number(self, each: Pass) -> int:
        return max((take.number for take in self._journal.takes(each.id)), default=0) + 1

    def _names_of(self, parts: list[StemPart]) -> list[str]:
        return [part.path.relative_to(self._paths.session).as_posix() for part in parts]

    def _show(self) -> None:
        rolling = [
            Rolling(
                work.each.id,
                work.flight.heard_frames / work.flight.total,
                (work.flight.total - work.flight.heard_frames) / work.flight.rate,
            )
            for work in self._works.values()
            if work.flight is not None
        ]
        self._listener.show(rolling, sum(not work.ended for work in self._works.values()))

    def _close_report(self) -> RunReport:
        found = survey(self._job, self._journal, self._paths, remember=True)
        report = self._report
        report.standings = [situation.describe() for situation in found.situations.values()]
        report.held = [name for name, situation in found.situations.items() if situation.state == "held"]
        report.held += [n for n, w in self._works.items() if w.stage == Stage.HELD and n not in report.held]
        report.waiting = [
            f"{name}: {self._works[name].why if name in self._works else situation.reason}"
            for name, situation in found.situations.items()
            if not situation.is_done and name not in report.held and self._choose([name])
        ]
        report.stopped = self._stopping
        if self._storage_error is not None:
            report.exit_status = ExitStatus.STORAGE
        elif report.held:
            report.exit_status = ExitStatus.HELD
        elif self._stopping is not None or report.waiting:
            report.exit_status = ExitStatus.STOPPED
        return report


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
