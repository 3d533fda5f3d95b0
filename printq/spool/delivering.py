"""The last step: a staged print gets its name, once, whole, with its notes beside it.

Order matters. Target name and checksums go into the journal first, so that a kill at any moment leads
to the same file and never to a second version. Then the sidecar, then the audio: a print without its
notes never exists.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import printq
from printq.deliver import choose_version, encode_sidecar, make_sidecar, print_path, sidecar_path
from printq.errors import StorageError
from printq.files.atomic import publish, write_atomically
from printq.files.checksums import file_sha256
from printq.models.delivery import Acceptance, Trim
from printq.models.passes import Job, Pass
from printq.models.verdict import Timing
from printq.spool.checking import Checked
from printq.spool.journal import Journal, TakeEntry, now
from printq.spool.paths import SessionPaths

__all__ = ["PROGRAM", "deliver_take", "finish_intended"]

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
    _finish(journal, paths, each.id, chosen, entry.number, target, now())
    return target


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
