"""What the program does with a session, one function for each thing a person asks for.

Commands and scripts call these; each takes a validated job and gives a record.
"""

from __future__ import annotations

import getpass
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from printq.audio.port import AudioPort
from printq.errors import FileError, UsageError
from printq.files.atomic import write_atomically
from printq.models.delivery import Acceptance
from printq.models.explanation import Explanation
from printq.models.line_check import LineCheck
from printq.models.pace import Experience
from printq.models.passes import Job, Pass
from printq.models.plan import Plan
from printq.models.rig import Rig
from printq.models.standing import Standing
from printq.plan import RackState, explain_pass, make_plan
from printq.spool.checking import TakeToCheck, check_take
from printq.spool.delivering import PROGRAM, deliver_take, finish_intended
from printq.spool.driver import Driver
from printq.spool.identity import describe_changes
from printq.spool.journal import Journal, TakeEntry, now
from printq.spool.line_check import check_lines
from printq.spool.lock import hold_session, is_busy
from printq.spool.operator import Listener, Operator
from printq.spool.outcomes import RunReport
from printq.spool.pace import TimedOperator, look_back
from printq.spool.paths import SessionPaths
from printq.spool.sources import names_of, source_parts
from printq.spool.space import space_problem
from printq.spool.standing import PassSituation, Survey, survey

__all__ = [
    "PlanReport",
    "accept_take",
    "check_session_lines",
    "explain_session_pass",
    "list_standings",
    "plan_session",
    "recall_times",
    "request_reprint",
    "run_session",
]


class PlanReport:
    """A plan, and what it leaves out."""

    def __init__(self, plan: Plan, found: Survey, space: str | None, only: frozenset[str] | None) -> None:
        self.plan = plan
        self.standings = [
            situation.describe().model_copy(update={"reason": found.why_it_waits(name, only)})
            for name, situation in found.situations.items()
        ]
        self.blocked = found.blocked()
        self.space_problem = space


def list_standings(job: Job) -> list[Standing]:
    """Where every pass stands; changes nothing on disk."""
    paths = SessionPaths(job.session)
    with Journal(paths.journal, read_only=True) as journal:
        found = survey(job, journal, paths, running=is_busy(paths))
        return [situation.describe() for situation in found.situations.values()]


def recall_times(job: Job) -> Experience:
    """How the last run compares with its plan, and dial times that would plan closer; changes nothing on disk."""
    paths = SessionPaths(job.session)
    with Journal(paths.journal, read_only=True) as journal:
        return look_back(job, journal, running=is_busy(paths))


def plan_session(
    job: Job,
    *,
    only: frozenset[str] | None = None,
    rack_untouched: bool = False,
    rack_on_s: float | None = None,
) -> PlanReport:
    """What a run would do; changes nothing on disk. For the parameters see `Driver`."""
    paths = SessionPaths(job.session)
    with Journal(paths.journal, read_only=True) as journal:
        found = survey(job, journal, paths)
        pending = found.pending(only)
        rack = RackState(journal.rack()) if rack_untouched else RackState()
        again = [s.each for s in found.situations.values() if s.redelivery is not None]
        plan = make_plan(job, pending, rack=rack, rack_on_s=rack_on_s, search=True)
        return PlanReport(plan, found, space_problem(job, [_need(job, name) for name in pending], again), only)


def explain_session_pass(job: Job, report: PlanReport, pass_id: str) -> Explanation:
    """Why a pass stands where it stands in a plan of the session.

    Raises UsageError where there is no such pass, or it is not planned: that says why not.
    """
    standing = next((each for each in report.standings if each.pass_id == pass_id), None)
    if standing is not None and all(entry.pass_id != pass_id for entry in report.plan.entries):
        why = f": {standing.reason}" if standing.reason else ""
        if standing.state in ("queued", "stale") and not why:
            why = ", and was not asked for"
        raise UsageError(f"{pass_id} is not in this plan; it is {standing.state}{why}")
    return explain_pass(job, report.plan, pass_id)


def run_session(
    job: Job,
    make_port: Callable[[int], AudioPort],
    operator: Operator,
    listener: Listener,
    *,
    workers: int = 1,
    only: frozenset[str] | None = None,
    rack_untouched: bool = False,
    rack_on_s: float | None = None,
    on_driver: Callable[[Driver], None] | None = None,
    clock: Callable[[], float] = time.monotonic,
) -> RunReport:
    """Do what is left to do in a session; see `Driver` for the parameters.

    `on_driver` is handed the driver before it starts, for a signal handler to stop it. `clock` gives the seconds by
    which the run and its set-ups are timed.
    """
    paths = SessionPaths(job.session)
    with hold_session(paths), Journal(paths.journal) as journal:
        timed = TimedOperator(operator, job, journal, clock)
        driver = Driver(
            job,
            journal,
            paths,
            make_port,
            timed,
            listener,
            workers=workers,
            only=only,
            rack_untouched=rack_untouched,
            rack_on_s=rack_on_s,
            on_plan=timed.begin,
            clock=clock,
        )
        if on_driver is not None:
            on_driver(driver)
        report = driver.run()
        timed.end(report)
        return report


def check_session_lines(
    rig: Rig, session: Path | None, make_port: Callable[[int], AudioPort], tell: Callable[[str], None]
) -> LineCheck:
    """Prove the wiring of a rig; in a session the result is kept for its report. Raises as `check_lines`."""
    if session is None:
        return check_lines(rig, make_port, tell)
    paths = SessionPaths(session)
    with hold_session(paths), Journal(paths.journal) as journal:
        found = check_lines(rig, lambda _: make_port(journal.count_streams()), tell)
        write_atomically(paths.line_check, (found.model_dump_json(indent=2, by_alias=True) + "\n").encode())
        with journal.step():
            wrong = [line.insert for line in found.inserts if not line.ok]
            journal.tell("line-check", f"wrong: {', '.join(wrong)}" if wrong else "every insert is wired as described")
    return found


def accept_take(job: Job, pass_id: str, why: str, *, take: int | None = None) -> str:
    """Deliver a held take on a person's word; returns the print's path relative to the session.

    Raises
    ------
    UsageError
        There is no such pass, nothing of it is held, or there is no such take.
    FileError
        The take is not there any more, or it has no delay to trim by.
    StorageError
        The print cannot be written.
    """
    paths = SessionPaths(job.session)
    each = _need(job, pass_id)
    with hold_session(paths), Journal(paths.journal) as journal:
        finish_intended(journal, paths, job.passes)
        found = survey(job, journal, paths, remember=True)
        situation = found.situations[pass_id]
        entry = _choose_held(situation, take)
        if entry.record is None or entry.timing is None or not paths.absolute(entry.file).exists():
            raise FileError(
                f"{pass_id}: there is no whole take to deliver ({entry.why}); change what is wrong, "
                f"or print it again with 'printq reprint {pass_id} --note …'"
            )
        if entry.trim is None:
            raise FileError(
                f"{pass_id}: take {entry.number} has no measured delay, so it cannot be lined up "
                f"({entry.timing.error}); see what its checks say, then 'printq reprint {pass_id} --note …'"
            )
        parts = source_parts(paths, each, found.prints)
        given = TakeToCheck.make(job, each, parts, entry.source, entry.record, PROGRAM)
        changes = describe_changes(entry.identity, situation.identity or {}, each)
        if situation.identity is None or changes:
            why_not = "; ".join(changes) or "what it is made from is not printed"
            raise FileError(
                f"{pass_id}: take {entry.number} is not of what the files ask for now ({why_not}); "
                "take that edit back, or print again"
            )
        checked = check_take(given, entry.timing, entry.trim, None)
        if not checked.source_unchanged:
            raise FileError(f"{pass_id}: what take {entry.number} was made from is not there any more; print it again")
        # It was judged beside the other takes of its insert: that verdict is the one that goes on the record.
        checked = replace(checked, verdict=entry.verdict or checked.verdict)
        acceptance = Acceptance(why=why, at=now(), by=_user())
        with journal.step():
            journal.tell("accepted", f"take {entry.number}: {why}", pass_id, {"by": acceptance.by})
            for other in situation.takes:
                if other.number > entry.number and other.state in ("held", "taken", "good", "delivered"):
                    journal.set_take(pass_id, other.number, state="spare", why=f"take {entry.number} was accepted")
        return deliver_take(
            job,
            each,
            journal,
            paths,
            entry,
            checked,
            timing=entry.timing,
            trim=entry.trim,
            source_files=names_of(paths, parts),
            identity=entry.identity,
            accepted=acceptance,
        )


def request_reprint(job: Job, name: str, note: str) -> list[str]:
    """Mark a pass, or every pass of a stem, for printing again; returns the passes marked.

    What is made from their prints follows by itself, once those have changed. Raises UsageError where there is no
    such pass or stem.
    """
    chosen = [each.id for each in job.passes if name in (each.id, each.stem)]
    if not chosen:
        known = ", ".join(dict.fromkeys(each.stem for each in job.passes))
        raise UsageError(f"there is no pass or stem {name!r} in this job; stems with passes are: {known}")
    paths = SessionPaths(job.session)
    with hold_session(paths), Journal(paths.journal) as journal:
        finish_intended(journal, paths, job.passes)
        with journal.step():
            for pass_id in chosen:
                journal.ask_reprint(pass_id, note)
                delivered = journal.last_delivery(pass_id)
                for take in journal.takes(pass_id):
                    # What waited for a word, or for others, is not wanted any more; it stays on disk.
                    if take.state in ("held", "taken", "good") and (delivered is None or take.number > delivered.take):
                        journal.set_take(pass_id, take.number, state="spare", why=f"reprint asked for: {note}")
                journal.tell("reprint", note, pass_id)
    return chosen


def _choose_held(situation: PassSituation, take: int | None) -> TakeEntry:
    name = situation.each.id
    if take is not None:
        found = next((entry for entry in situation.takes if entry.number == take), None)
        if found is None:
            raise UsageError(f"{name} has no take {take}; it has {len(situation.takes)}")
        return found
    if situation.state != "held":
        raise UsageError(f"{name} is {situation.state}, not held: there is nothing to accept")
    return next(entry for entry in reversed(situation.takes) if entry.state == "held")


def _need(job: Job, pass_id: str) -> Pass:
    found = job.find_pass(pass_id)
    if found is None:
        known = ", ".join(each.id for each in job.passes)
        raise UsageError(f"there is no pass {pass_id!r} in this job; there are: {known}")
    return found


def _user() -> str:
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return "unknown"
