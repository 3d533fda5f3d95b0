"""What becomes of takes: entered in the journal, judged, then delivered, taken again or held.

luck (a slip, a dropout, a wrong length, another delay than before, a glitch)
                                           taken again, up to the job's retries, then held
anything else that fails                   held at once: kept, explained, not delivered
a send that is too hot                     held without being played
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path

from printq.deliver import TrimHistory, choose_trim, take_path
from printq.errors import ExitStatus, PrintqError, StorageError
from printq.models.delivery import Trim
from printq.models.passes import Job
from printq.models.standing import Standing
from printq.models.take import Confirmation
from printq.models.verdict import Check, SourceFacts, Timing, Verdict
from printq.spool.checking import Checked, TakeToCheck, check_take, time_take
from printq.spool.comparing import choose_take, references_for, repeatability_of
from printq.spool.delivering import PROGRAM, deliver_take
from printq.spool.journal import Journal, TakeEntry, now
from printq.spool.operator import Listener
from printq.spool.paths import SessionPaths
from printq.spool.sources import names_of
from printq.spool.standing import terms_of
from printq.spool.work import Stage, Work
from printq.spool.workers import TaskResult, WorkerPool
from printq.verify import Situation, judge_send

__all__ = ["Outcomes", "RunReport"]

LUCK = frozenset({"slip", "dropout", "length", "latency"})
"""Checks whose failure may be bad luck. So is another delay than before, unlike one that could not be measured: where
samples were lost ahead of the marker, the take that is out of step may as well have been the one before."""
SUSPENDING = frozenset({"silent", "channels"})
"""Checks whose failure says that the wiring is not as described: nothing more goes through that insert."""


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


class Outcomes:
    """Decides what becomes of the takes of one run.

    Parameters
    ----------
    job, journal, paths, listener
        Of the run.
    pool : WorkerPool
        Where takes are measured.
    report : RunReport
        What the run did, filled in as it goes on; `report.stopped` says that the run is to end.
    stop, suspend : callable
        Asked to end the run (why), and to leave an insert alone (insert, why).
    """

    def __init__(
        self,
        job: Job,
        journal: Journal,
        paths: SessionPaths,
        listener: Listener,
        pool: WorkerPool,
        report: RunReport,
        stop: Callable[[str], None],
        suspend: Callable[[str, str], None],
    ) -> None:
        self._job = job
        self._journal = journal
        self._paths = paths
        self._listener = listener
        self._pool = pool
        self._report = report
        self._stop = stop
        self._suspend = suspend
        self._reference: dict[str, float] = {}
        """Insert to the delay of its first take in this stream."""

    # ---- entries in the journal ----

    def fail_abandoned_takes(self) -> None:
        """Takes that were rolling when an earlier run was killed."""
        for take in self._journal.rolling_takes():
            with self._journal.step():
                self._journal.set_take(take.pass_id, take.number, state="failed", why="the run ended while it rolled")
                self._journal.tell("failed", f"take {take.number} was rolling when the run ended", take.pass_id)

    def begin_take(self, work: Work, stream: str, confirmed: Confirmation, *, file: bool = True) -> int:
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
                stream,
                work.identity,
                terms_of(self._job, each),
                work.need_source(),
                self._job.snapshot_of(each).settings,
                confirmed,
            )
        return number

    def end_take(self, work: Work) -> None:
        """A take is safe on disk: have its delay measured."""
        with self._journal.step():
            self._journal.end_take(work.need_record())
        work.stage = Stage.CHECKING
        self._pool.submit((work.each.id, "time"), time_take, self._to_check(work))

    def glitch(self, work: Work) -> None:
        """A take was spoilt by the driver."""
        why = "the driver glitched"
        if work.discarded is not None:
            self._reference.clear()
            self.discard(work)
            return
        self._fail_take(work, why)
        # What was lost, was lost on every channel: takes before and after may differ in their delay.
        self._reference.clear()
        work.glitches += 1
        self._again_or_hold(work, work.glitches, self._job.options.glitch_retries, why)

    def fail(self, work: Work, error: PrintqError) -> None:
        """A take whose stem could not be read, or which could not be written."""
        self._fail_take(work, str(error))
        self._forget_discarded(work)
        self.take_error(work, error)

    def discard(self, work: Work) -> None:
        """A take that the operator does not want: the pass goes back into the queue."""
        why = work.discarded or ""
        self._fail_take(work, why)
        self._forget_discarded(work)
        if self._report.stopped is not None:
            self.end(work, Stage.SKIPPED, why)
        else:
            self._listener.tell("again", work.each.id, why)
            work.stage = Stage.WAITING

    def forget_good(self, work: Work, why: str) -> None:
        """Takes that waited for others were recorded with a set-up that was not right."""
        with self._journal.step():
            for number in work.good:
                self._journal.set_take(work.each.id, number, state="failed", why=why)
        work.good = []

    def _forget_discarded(self, work: Work) -> None:
        if work.discarded is not None:
            self.forget_good(work, work.discarded)
            work.discarded = None

    def abort(self, work: Work) -> None:
        """A take was faded out."""
        self._fail_take(work, "stopped")
        self._forget_discarded(work)
        self.end(work, Stage.SKIPPED, "stopped while it rolled")

    # ---- what workers bring back ----

    def take_result(self, work: Work, result: TaskResult) -> None:
        """Go on from what a worker found."""
        what = result.key[1]
        if work.discarded is not None and what != "examine":
            self.discard(work)
        elif result.error is not None:
            self.take_error(work, result.error)
        elif what == "examine":
            self._take_source(work, result.value)
        elif what == "time":
            self._take_timing(work, result.value)
        elif what == "chosen":
            self._use_chosen(work, result.value)
        else:
            self._take_verdict(work, result.value)

    def take_error(self, work: Work, error: Exception) -> None:
        """Something could not be read or written; anything unexpected is raised."""
        if isinstance(error, StorageError):
            self._report.exit_status = ExitStatus.STORAGE
            self._stop(str(error))
            self.end(work, Stage.SKIPPED, "could not be written; the next run delivers it from its take")
        elif isinstance(error, OSError):
            self.take_error(work, StorageError(f"{error.filename or work.each.id}: {error.strerror or error}"))
        elif isinstance(error, PrintqError):
            self.end(work, Stage.SKIPPED, str(error))
        else:
            raise error

    def _take_source(self, work: Work, source: SourceFacts) -> None:
        known = work.identity["source"].get("audio")
        if known is not None and known != source.audio_sha256:
            self.end(work, Stage.SKIPPED, "its stem was changed a moment ago; run again when it is finished")
            return
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
        compared = timing.compared_samples(insert.timing)
        if compared is not None:
            self._reference.setdefault(insert.id, compared)
        # Without a delay the take is judged untrimmed: it is held, and says why.
        judged = trim or Trim(frames=0, fraction=0.0, kept=False)
        against = references_for(self._job, work.each, self._journal, self._paths, work.good, work.identity)
        repeatability = repeatability_of(self._job, work.each, self._journal) if against else None
        given = self._to_check(work)
        self._pool.submit((work.each.id, "check"), check_take, given, timing, judged, reference, against, repeatability)

    def _take_verdict(self, work: Work, checked: Checked) -> None:
        with self._journal.step():
            self._journal.set_take(
                work.each.id, work.need_record().number, rendered=checked.rendered, verdict=checked.verdict
            )
        failed = checked.verdict.failed()
        if not checked.source_unchanged:
            self._take_again(work, "the dry file changed while it was played")
            if work.stage is Stage.WAITING:
                work.examined, work.source = False, None
        elif failed and all(_is_luck(check) for check in failed):
            # What the takes before came back at counts no more.
            self._reference.pop(work.each.insert, None)
            self._take_again(work, _say(failed))
        elif checked.verdict.outcome == "fail" or work.trim is None:
            self._hold(work, _say(failed) or "no delay could be measured")
            if any(check.check in SUSPENDING for check in failed):
                self._suspend(work.each.insert, _say(failed))
        else:
            self._use_take(work, checked)

    def _use_take(self, work: Work, checked: Checked) -> None:
        """Deliver a good take; of several, the one nearest to the others, once all have been recorded."""
        number = work.need_record().number
        wanted = self._job.options.takes
        if wanted == 1:
            self._deliver(work, self._journal.take(work.each.id, number), checked)
            return
        with self._journal.step():
            self._journal.set_take(work.each.id, number, state="good")
        self._drop_staged(work)
        work.good.append(number)
        if len(work.good) < wanted:
            self._listener.tell("kept", work.each.id, f"take {number}, {len(work.good)} of {wanted}")
            work.stage = Stage.WAITING
            return
        chosen = choose_take(self._job, work.each, self._journal, work.good)
        assert chosen.record is not None
        given = TakeToCheck.make(self._job, work.each, work.parts, chosen.source, chosen.record, PROGRAM)
        self._pool.submit((work.each.id, "chosen"), check_take, given, chosen.timing, chosen.trim, None)

    def _use_chosen(self, work: Work, checked: Checked) -> None:
        """The chosen take has been rendered again; its verdict stands as it was judged among the others."""
        chosen = next(
            take
            for take in reversed(self._journal.takes(work.each.id))
            if take.number in work.good and take.state == "taken"
        )
        assert chosen.verdict is not None
        if not checked.source_unchanged:
            self.end(work, Stage.SKIPPED, "its dry file changed while its takes were compared; run again")
            return
        self._deliver(work, chosen, replace(checked, verdict=chosen.verdict))

    def _deliver(self, work: Work, entry: TakeEntry, checked: Checked) -> None:
        assert entry.timing is not None
        assert entry.trim is not None
        try:
            target = deliver_take(
                self._job,
                work.each,
                self._journal,
                self._paths,
                entry,
                checked,
                timing=entry.timing,
                trim=entry.trim,
                source_files=names_of(self._paths, work.parts),
                identity=work.identity,
            )
        except StorageError as error:
            self.take_error(work, error)
            return
        self._report.delivered.append(target)
        warned = [check.check for check in checked.verdict.checks if check.verdict == "warn"]
        delay = f"{entry.timing.delay_samples:.2f}" if entry.timing.delay_samples is not None else "none"
        also = f", warns: {', '.join(warned)}" if warned else ""
        which = f"take {entry.number} of {len(work.good)}, " if len(work.good) > 1 else ""
        self._listener.tell("printed", work.each.id, f"{Path(target).name}, {which}delay {delay} samples{also}")
        self.end(work, Stage.DONE, "")

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
        if self._report.stopped is not None:
            self.end(work, Stage.SKIPPED, why)
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
        self.end(work, Stage.HELD, why)

    def _hold_unplayed(self, work: Work, check: Check) -> None:
        """Hold a pass that must not be played: an entry in the journal without a recording."""
        source = work.need_source()
        why = _say([check])
        verdict = Verdict(outcome="fail", checks=(check,), loudness=source.loudness, true_peak_dbtp=None)
        number = self.begin_take(work, "", Confirmation(by="nothing-moved", at=now()), file=False)
        with self._journal.step():
            self._journal.set_take(work.each.id, number, state="held", verdict=verdict, why=why)
            self._journal.tell("held", why, work.each.id)
        self.end(work, Stage.HELD, why)

    def end(self, work: Work, stage: Stage, why: str) -> None:
        """Nothing more happens to a pass in this run."""
        work.stage, work.why = stage, why
        work.confirmed = None
        work.quiet_since = None
        if stage is Stage.HELD:
            self._listener.tell("held", work.each.id, why)
        elif stage is Stage.SKIPPED and why != self._report.stopped:
            self._listener.tell("waits", work.each.id, why)

    def _drop_staged(self, work: Work) -> None:
        self._paths.absolute(self._to_check(work).staged_name).unlink(missing_ok=True)

    def _to_check(self, work: Work) -> TakeToCheck:
        return TakeToCheck.make(self._job, work.each, work.parts, work.need_source(), work.need_record(), PROGRAM)


def _is_luck(check: Check) -> bool:
    return check.check in LUCK and (check.check != "latency" or check.value is not None)


def _say(checks: list[Check]) -> str:
    return "; ".join(f"{check.check}: {check.cause}" for check in checks)
