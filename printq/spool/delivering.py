"""The last step: a staged print gets its name, once, whole, with its notes beside it.

Order matters. Target name and checksums go into the journal first, so that a kill at any moment leads
to the same file and never to a second version. Then the sidecar, then the audio: a print without its
notes never exists.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import printq
from printq.deliver import choose_trim, choose_version, encode_sidecar, make_sidecar, print_path, sidecar_path
from printq.errors import StorageError
from printq.files.atomic import publish, write_atomically
from printq.files.checksums import file_sha256
from printq.models.delivery import Acceptance, Trim
from printq.models.passes import Job, Pass
from printq.models.verdict import Timing
from printq.spool.checking import Checked, TakeToCheck, check_take, time_take
from printq.spool.comparing import CHOSEN, choose_take, references_for
from printq.spool.journal import Journal, TakeEntry, now
from printq.spool.paths import SessionPaths
from printq.spool.sources import PrintFiles, names_of, source_parts
from printq.spool.standing import PassSituation

__all__ = ["PROGRAM", "DeliveredAgain", "deliver_kept_take", "deliver_take", "finish_intended"]

PROGRAM = f"printq {printq.__version__}"


def deliver_take(
    job: Job,
    each: Pass,
    journal: Journal,
    paths: SessionPaths,
    entry: TakeEntry,
    checked: Checked,
    *,
    timing: Timing,
    trim: Trim,
    source_files: Sequence[str],
    identity: dict[str, object],
    version: int | None = None,
    accepted: Acceptance | None = None,
) -> str:
    """Deliver a checked take; returns the print's path relative to the session.

    Parameters
    ----------
    version : int, optional
        The version whose name the print gets back; left out, the next free one.

    Raises
    ------
    StorageError
        It could not be written. The take stays where it is, and the next run delivers it.
    """
    assert entry.record is not None
    chosen = version if version is not None else _next_version(journal, paths, each)
    target = print_path(each, chosen)
    sidecar = make_sidecar(
        job,
        each,
        program=PROGRAM,
        take=entry.record,
        confirmed=entry.confirmed,
        settings=entry.settings,
        source=entry.source,
        source_files=source_files,
        timing=timing,
        trim=trim,
        rendered=checked.rendered,
        verdict=checked.verdict,
        accepted=accepted,
        reprint_notes=[request.note for request in journal.reprints(each.id)],
        print_file=target,
        version=chosen,
        file_sha256=checked.file_sha256,
        delivered_at=now(),
    )
    before = next((d for d in journal.deliveries(each.id) if d.version == chosen and d.done), None)
    with journal.step():
        journal.intend_delivery(
            each.id,
            chosen,
            entry.number,
            target=target,
            staged=checked.rendered.staged,
            file_sha256=checked.file_sha256,
            audio_sha256=checked.rendered.audio_sha256,
            identity=identity,
            sidecar=sidecar_path(target),
            accepted=accepted,
        )
    write_atomically(paths.absolute(sidecar_path(target)), encode_sidecar(sidecar))
    target_path = paths.absolute(target)
    if target_path.exists() and file_sha256(target_path) == checked.file_sha256:
        paths.absolute(checked.rendered.staged).unlink(missing_ok=True)  # only its sidecar was gone
    else:
        publish(paths.absolute(checked.rendered.staged), target_path)
        if before is not None and before.mtime_ns is not None and before.file_sha256 == checked.file_sha256:
            # The same file as before keeps its time, so that what was bounced from it does not seem older.
            os.utime(target_path, ns=(before.mtime_ns, before.mtime_ns))
    _finish(journal, paths, each.id, chosen, entry.number, target, now())
    return target


@dataclass(frozen=True)
class DeliveredAgain:
    """What became of a kept take: a print, a reason to hold it, or neither: it waits for others to be compared with."""

    target: str | None
    held: str | None


def deliver_kept_take(
    job: Job, situation: PassSituation, journal: Journal, paths: SessionPaths, prints: PrintFiles
) -> DeliveredAgain:
    """Judge a kept take anew and deliver it without a pass. Raises as `deliver_take`, and FileError."""
    each, redelivery = situation.each, situation.redelivery
    assert redelivery is not None
    assert situation.identity is not None
    entry = redelivery.take
    if entry.state == "good":
        # The run ended before one of its takes was chosen.
        entry = choose_take(job, each, journal, [take.number for take in situation.good])
    assert entry.record is not None
    parts = source_parts(paths, each, prints)
    given = TakeToCheck.make(job, each, parts, entry.source, entry.record, PROGRAM)
    timing = entry.timing or time_take(given)
    insert = job.insert_of(each)
    trim = entry.trim or choose_trim(timing, insert, entry.stream, journal.trim_history(insert.id))
    waits = job.options.takes > 1 and entry.state == "taken" and entry.why != CHOSEN
    numbers = [take.number for take in situation.good]
    against = references_for(job, each, journal, paths, numbers, situation.identity) if waits else ()
    checked = check_take(given, timing, trim or Trim(frames=0, fraction=0.0, kept=False), None, against)
    checked = replace(checked, verdict=entry.verdict or checked.verdict)
    before = next((d for d in journal.deliveries(each.id) if d.take == entry.number), None)
    accepted = before.accepted if before is not None else None
    with journal.step():
        journal.set_take(
            each.id, entry.number, timing=timing, trim=trim, rendered=checked.rendered, verdict=checked.verdict
        )
    if trim is None or (checked.verdict.outcome == "fail" and accepted is None):
        failed = checked.verdict.failed()
        why = "; ".join(f"{check.check}: {check.cause}" for check in failed) or "no delay could be measured"
        with journal.step():
            journal.set_take(each.id, entry.number, state="held", why=why)
            journal.tell("held", why, each.id)
        paths.absolute(checked.rendered.staged).unlink(missing_ok=True)
        return DeliveredAgain(None, why)
    if waits:
        # The run ended before it was judged: it is one of several, and the others are still to come.
        with journal.step():
            journal.set_take(each.id, entry.number, state="good")
        paths.absolute(checked.rendered.staged).unlink(missing_ok=True)
        return DeliveredAgain(None, None)
    target = deliver_take(
        job,
        each,
        journal,
        paths,
        entry,
        checked,
        timing=timing,
        trim=trim,
        source_files=names_of(paths, parts),
        identity=situation.identity,
        version=redelivery.version,
        accepted=accepted,
    )
    return DeliveredAgain(target, None)


def finish_intended(journal: Journal, paths: SessionPaths, passes: Sequence[Pass]) -> None:
    """Finish what a run was killed in the middle of: prints that are named in the journal but not marked done."""
    for each in passes:
        for delivery in journal.deliveries(each.id):
            if delivery.done:
                continue
            target, staged = paths.absolute(delivery.target), paths.absolute(delivery.staged)
            sidecar = paths.absolute(delivery.sidecar)
            if not sidecar.exists():
                continue  # killed before the notes were written: the take is delivered again, under this name
            if target.exists() and target.stat().st_size == 0:
                target.unlink()  # reserved by us on a disk without links, then killed
            if not _is_file(target, delivery.file_sha256):
                if target.exists() or not _is_file(staged, delivery.file_sha256):
                    continue
                publish(staged, target)
            _finish(journal, paths, each.id, delivery.version, delivery.take, delivery.target, delivery.at)


def _next_version(journal: Journal, paths: SessionPaths, each: Pass) -> int:
    deliveries = journal.deliveries(each.id)
    last_done = max((d.version for d in deliveries if d.done), default=0)
    for intended in deliveries:
        # A name that was promised before a kill is used, not skipped, as long as nobody else has taken it.
        if not intended.done and intended.version > last_done and not paths.absolute(intended.target).exists():
            return intended.version
    return choose_version(paths.session, each, max((d.version for d in deliveries), default=0))


def _finish(
    journal: Journal, paths: SessionPaths, pass_id: str, version: int, take: int, target: str, upto: str
) -> None:
    try:
        stat = paths.absolute(target).stat()
    except OSError as error:
        raise StorageError(f"{target} was written but cannot be found again ({error.strerror})") from error
    with journal.step():
        journal.finish_delivery(pass_id, version, stat.st_size, stat.st_mtime_ns)
        journal.set_take(pass_id, take, state="delivered")
        journal.settle_reprints(pass_id, upto)
        journal.tell("delivered", f"{Path(target).name} from take {take}", pass_id)


def _is_file(path: Path, checksum: str) -> bool:
    return path.exists() and file_sha256(path) == checksum
