"""Puts a session away: gathers what goes in, proves it, writes the notes, and has the bag written.

The session is held for the whole time, so that no run changes it meanwhile. Nothing of it is removed, raw takes least
of all.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from printq.archive.bagit import windows_problem
from printq.archive.contents import Layout, free_notes_folder, lay_out, left_behind, named_files
from printq.archive.notes import contents_text, left_behind_text, proof_text, settings_text, story_text
from printq.archive.sum_proof import prove_mix
from printq.archive.ties import AudioSums, print_problems, read_sidecar, source_problems
from printq.archive.times import TIMES, times_text
from printq.archive.writer import Item, Progress, write_bag
from printq.errors import FileError, HeldError, PrintqError, StoppedError, StorageError, UsageError
from printq.files.atomic import free_bytes
from printq.models.archive import BagRecord
from printq.models.archived import ArchiveReport, NotPrinted, SessionProof
from printq.models.delivery import Sidecar
from printq.models.passes import Job, PrintSource, SumSource
from printq.models.proof import MixProof, PrintTie
from printq.spool.delivering import PROGRAM, finish_intended
from printq.spool.journal import Delivery, Journal, now
from printq.spool.lock import hold_session
from printq.spool.mix_candidates import mix_candidates, played_parts
from printq.spool.paths import SessionPaths
from printq.spool.space import describe_bytes
from printq.spool.standing import Survey, survey

__all__ = ["ArchiveWishes", "BagWriter", "archive_session", "bag_writer"]

BagWriter = Callable[[Sequence[Item], Mapping[str, str]], BagRecord]
"""Writes a bag from items and what its label says."""

Teller = Callable[[str], None]

MIXES = "mixes"
"""Where mixes from outside the session folder lie."""
NOT_KEPT = (".printq/lock", ".printq/staging", ".printq/takes")
JOURNAL_FILES = (".printq/journal.sqlite", ".printq/journal.sqlite-wal", ".printq/journal.sqlite-shm")


@dataclass(frozen=True)
class ArchiveWishes:
    """What somebody wants archived besides what the job needs, and in spite of what."""

    mixes: tuple[Path, ...] = ()
    as_is: bool = False
    takes: bool = False
    """Raw takes too."""
    all_versions: bool = False
    """Earlier prints too."""


@dataclass
class _Found:
    """What is known of the session so far."""

    not_printed: list[NotPrinted] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)
    sidecars: dict[str, Sidecar] = field(default_factory=dict)
    ties: list[PrintTie] = field(default_factory=list)
    mixes: list[MixProof] = field(default_factory=list)


def bag_writer(job: Job, destination: Path, *, flac: bool = False, progress: Progress | None = None) -> BagWriter:
    """Writes to a folder that does not exist yet; see `write_bag`.

    Raises UsageError where it would lie in the session, StorageError where it exists or the payload would not fit.
    """
    whole = destination.absolute().parent.resolve() / destination.name
    if whole.is_relative_to(job.session):
        raise UsageError(f"{destination} lies in the session folder, which goes into it; choose a place outside of it")
    if destination.is_symlink() or (destination.exists() and (destination.is_file() or any(destination.iterdir()))):
        raise StorageError(f"{destination} exists already and is never overwritten; choose another name")

    def write(items: Sequence[Item], label: Mapping[str, str]) -> BagRecord:
        needed, free = _bytes_of(items), free_bytes(whole.parent)
        if needed > free and not flac:
            raise StorageError(
                f"the archive needs {describe_bytes(needed)} and {whole.parent} has {describe_bytes(free)} free; make "
                "room there, choose another disk, or pack the audio with --flac"
            )
        return write_bag(destination, items, label, flac=flac, progress=progress)

    return write


def _bytes_of(items: Sequence[Item]) -> int:
    return sum(len(item.source) if isinstance(item.source, bytes) else item.source.stat().st_size for item in items)


def archive_session(
    job: Job,
    write: BagWriter,
    wishes: ArchiveWishes = ArchiveWishes(),
    tell: Teller = lambda _: None,
) -> ArchiveReport:
    """Archive a session with everything that the mix needs without the hardware, and with proof.

    Parameters
    ----------
    job : Job
    write : BagWriter
        Is handed what goes in and what the label says.
    wishes : ArchiveWishes
    tell : callable
        Is told in a few words what is being done.

    Raises
    ------
    HeldError
        Something is held, and `as_is` was not asked for.
    StoppedError
        Something is stale, queued or missing, and `as_is` was not asked for.
    SessionBusyError
        A run, or another command, has the session.
    FileError
        A stem or a print is not what it was, and `as_is` was not asked for; or a file cannot be archived at all.
    StorageError
        The archive cannot be written.
    """
    paths = SessionPaths(job.session)
    with hold_session(paths), Journal(paths.journal) as journal:
        finish_intended(journal, paths, job.passes)
        surveyed = survey(job, journal, paths)
        found = _Found()
        _note_not_printed(surveyed, found)
        if found.not_printed and not wishes.as_is:
            raise _refusal(found.not_printed)
        layout = lay_out(job.session, names := named_files(job.session, job.job_file))
        found.problems += [f"{photo} is not there" for photo in names.missing_photos]
        unchanged = len(found.problems)
        sums = AudioSums(("sha256", "sha512"))
        _tie_prints(job, paths, surveyed, found, sums, tell)
        if len(found.problems) > unchanged and not wishes.as_is:
            raise FileError(
                "not archived, because it is not what was delivered:\n"
                + "\n".join(f"  {problem}" for problem in found.problems[unchanged:])
                + "\nput back what was changed, or print again; --as-is archives it all the same, on the record"
            )
        as_is = bool(found.not_printed) or len(found.problems) > unchanged
        if not wishes.takes:
            found.problems += [
                f"{each.pass_id}: its take, which waits, is not in the archive; --takes puts it in"
                for each in found.not_printed
                if each.state in ("held", "taken")
            ]
        _add_audio(job, paths, journal, surveyed, layout, wishes)
        mixes = _add_mixes(paths, layout, wishes.mixes)
        _prove_mixes(job, paths, surveyed, mixes, found, sums, tell)
        _add_own_files(paths, journal, layout)
        proof = SessionProof(
            program=PROGRAM,
            at=now(),
            session=layout.session,
            prints=tuple(found.ties),
            mixes=tuple(found.mixes),
            not_printed=tuple(found.not_printed),
        )
        behind = left_behind(
            job.session,
            [item.source for item in layout.items if isinstance(item.source, Path)],
            (*NOT_KEPT, *JOURNAL_FILES),
        )
        found.problems += [
            f"{item.path} {problem}: it cannot be restored on Windows"
            for item in layout.items
            if (problem := windows_problem(item.path))
        ]
        _add_notes(job, journal, layout, proof, found, behind, as_is=as_is)
        tell(f"writing {len(layout.items)} files")
        bag = write(_bound(layout.items, sums), _label(job, layout, proof, as_is=as_is))
        with journal.step():
            journal.tell("archived", f"{Path(bag.path).name}: {proof.summary()}" + (", as it was" if as_is else ""))
    return ArchiveReport(
        bag=bag.path,
        files=bag.files,
        bytes=bag.bytes,
        packed=bag.packed,
        manifest_sha512=bag.manifest_sha512,
        prints=len(found.ties),
        as_is=as_is,
        problems=tuple(found.problems),
        proof=proof,
        left_behind=tuple(name for name, _ in behind),
    )


def _bound(items: Sequence[Item], sums: AudioSums) -> list[Item]:
    """What was looked at has to be what is copied: a file that changes in between must not go in unseen."""
    return [
        replace(item, sha512=sums.known(item.source, "sha512")) if isinstance(item.source, Path) else item
        for item in items
    ]


# ---- what stands in the way ----


def _note_not_printed(surveyed: Survey, found: _Found) -> None:
    found.not_printed += [
        NotPrinted(pass_id=name, state=situation.state, reason=situation.reason)
        for name, situation in surveyed.situations.items()
        if not situation.is_done
    ]


def _refusal(not_printed: Sequence[NotPrinted]) -> PrintqError:
    lines = "\n".join(f"  {each.pass_id} is {each.state}: {each.reason or 'not printed yet'}" for each in not_printed)
    held = any(each.state == "held" for each in not_printed)
    remedy = "'printq accept' or 'printq reprint' what is held" if held else "'printq run' prints what is left"
    text = f"not archived, because not everything is printed:\n{lines}\n{remedy}; --as-is archives it all the same"
    return HeldError(text) if held else StoppedError(text)


def _tie_prints(job: Job, paths: SessionPaths, surveyed: Survey, found: _Found, sums: AudioSums, tell: Teller) -> None:
    """Hold every print against its sidecar and against what it was made from; all files are read in full."""
    for each in job.passes:
        situation = surveyed.situations[each.id]
        delivery = situation.delivery
        if delivery is None:
            continue
        tell(f"reading {delivery.target}")
        tie = PrintTie(
            pass_id=each.id,
            print_file=delivery.target,
            sidecar=delivery.sidecar,
            channels=each.source_channels,
            frames=each.source_frames,
            played=played_parts(each, surveyed),
            problems=(),
        )
        if not paths.absolute(delivery.target).exists():
            continue  # it is among what is not printed
        try:
            sidecar = read_sidecar(paths.absolute(delivery.sidecar))
        except FileError as error:
            problems = [str(error)]
        else:
            found.sidecars[each.id] = sidecar
            problems = print_problems(tie, sidecar, paths.absolute(delivery.target), sums)
            if sidecar.file_sha256 != delivery.file_sha256:
                problems.append(f"{delivery.sidecar} is not the sidecar that was written: the journal knows another")
            # What a stale print was made from has changed, or there would be nothing stale about it.
            if situation.is_done and not problems:
                problems += source_problems(tie, sidecar, paths.absolute, sums)
        problems = [problem.replace(f"{paths.session}{os.sep}", "") for problem in problems]
        found.ties.append(tie.model_copy(update={"problems": tuple(problems)}))
        found.problems += problems


# ---- what goes in ----


def _add_audio(
    job: Job, paths: SessionPaths, journal: Journal, surveyed: Survey, layout: Layout, wishes: ArchiveWishes
) -> None:
    names = [facts.path for facts in job.dry_files.values()]
    for situation in surveyed.situations.values():
        if situation.delivery is not None:
            names += [situation.delivery.target, situation.delivery.sidecar]
    if wishes.all_versions:
        known = {each.id for each in job.passes}
        for pass_id in sorted(known.union(journal.passes())):
            names += _files_of(journal.deliveries(pass_id))
    if wishes.takes:
        for pass_id in journal.passes():
            names += [take.file for take in journal.takes(pass_id)]
    for name in dict.fromkeys(names):
        if paths.absolute(name).is_file():
            layout.add(name, paths.absolute(name))


def _files_of(deliveries: Sequence[Delivery]) -> list[str]:
    return [name for delivery in deliveries if delivery.done for name in (delivery.target, delivery.sidecar)]


def _add_mixes(paths: SessionPaths, layout: Layout, mixes: Sequence[Path]) -> list[tuple[Path, str]]:
    """Each mix with its name in the archive: where it lies in the session, or among the mixes."""
    placed = []
    for mix in mixes:
        if not mix.is_file():
            raise FileError(f"{mix} is not there; --mix wants the file of a finished mix")
        whole = mix.resolve()
        inside = whole.is_relative_to(paths.session)
        name = whole.relative_to(paths.session).as_posix() if inside else f"{MIXES}/{mix.name}"
        taken = paths.absolute(name)
        if not inside and taken.exists():
            raise FileError(f"{mix} would be {name} in the archive, and the session has another file of that name")
        layout.add(name, whole)
        placed.append((whole, layout.place(name)))
    return placed


def _add_own_files(paths: SessionPaths, journal: Journal, layout: Layout) -> None:
    """The journal, and whatever else lies in `.printq` but takes and what is under way: plan, line check, reports."""
    layout.add(paths.journal.relative_to(paths.session).as_posix(), journal.copy())
    for path in sorted(paths.own.rglob("*")):
        name = path.relative_to(paths.session).as_posix()
        skipped = any(name == each or name.startswith(f"{each}/") for each in (*NOT_KEPT, *JOURNAL_FILES))
        if path.is_file() and not skipped and not name.endswith(".partial"):
            layout.add(name, path)


def _prove_mixes(
    job: Job,
    paths: SessionPaths,
    surveyed: Survey,
    mixes: Sequence[tuple[Path, str]],
    found: _Found,
    sums: AudioSums,
    tell: Teller,
) -> None:
    candidates, missing = mix_candidates(job, paths, surveyed)
    for mix, name in mixes:
        if not candidates:
            found.problems.append(f"{name} was held against nothing: {missing}")
            continue
        tell(f"holding {name} against the prints")
        proof = prove_mix(mix, name, candidates)
        if sums.of_file(mix) != proof.audio_sha256:
            raise FileError(f"{mix} changed while it was held against the prints; wait until it is finished")
        if proof.verdict in ("same", "explained") and (chain := _chain(job, proof.compared_with, found.ties)):
            proof = proof.model_copy(update={"summary": f"{proof.summary} {chain}"})
        found.mixes.append(proof)


def _chain(job: Job, pass_id: str, ties: Sequence[PrintTie]) -> str | None:
    """How the prints lead to a print of their sum, where every step of it was found as it was played."""
    tied = {tie.pass_id: tie for tie in ties if not tie.problems}
    each = job.find_pass(pass_id)
    while each is not None and each.id in tied:
        if isinstance(each.source, SumSource):
            terms = ", ".join(part.stem for part in each.source.parts)
            return f"What was played for it is the sum of the prints ({terms}), sample for sample."
        each = job.find_pass(each.source.pass_id) if isinstance(each.source, PrintSource) else None
    return None


def _add_notes(
    job: Job,
    journal: Journal,
    layout: Layout,
    proof: SessionProof,
    found: _Found,
    behind: Sequence[tuple[str, int]],
    *,
    as_is: bool,
) -> None:
    takes = [
        (take.pass_id, take.number, take.state, take.why or "")
        for pass_id in journal.passes()
        for take in journal.takes(pass_id)
    ]
    folder = free_notes_folder(layout)
    pages = {
        "settings.txt": settings_text(job, found.sidecars),
        "journal.txt": story_text(job, journal.story(), takes),
        "sum-proof.json": proof.model_dump_json(indent=2, by_alias=True) + "\n",
        "sum-proof.txt": proof_text(proof),
        "left-behind.txt": left_behind_text(behind),
        TIMES: times_text(layout.items),
    }
    every = [*(item.path for item in layout.items), *(f"{folder}/{name}" for name in pages), f"{folder}/contents.txt"]
    pages["contents.txt"] = contents_text(job, proof, every, found.problems, as_is=as_is)
    layout.items += [Item(f"{folder}/{name}", text.encode()) for name, text in sorted(pages.items())]


def _label(job: Job, layout: Layout, proof: SessionProof, *, as_is: bool) -> dict[str, str]:
    state = "every pass is printed and up to date"
    if as_is:
        wrong = [f"{each.pass_id} is {each.state}" for each in proof.not_printed]
        wrong += [problem for tie in proof.prints for problem in tie.problems]
        state = f"as it was: {'; '.join(wrong)}"
    return {
        "External-Description": job.title or job.job_file,
        "Printq-Session": layout.session,
        "Printq-Job": job.job_file,
        "Printq-Rig": job.rig.name or job.rig_file,
        "Printq-Rate": f"{job.rig.interface.rate} Hz",
        "Printq-Prints": str(len(proof.prints)),
        "Printq-State": state,
        "Printq-Sum-Proof": proof.summary(),
    }
