"""Looks a bag through: complete and valid as RFC 8493, 3 means it, every audio file whole, whatever is wrong named."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO, cast

from printq.archive.bagit import INFO
from printq.archive.executors import Executor, open_executor
from printq.archive.packing import PackedFile, original_bytes
from printq.archive.reading import MANIFEST, BagContents, Findings, open_inside, read_bag
from printq.errors import FileError
from printq.files.hashed import HashedFile
from printq.files.soundfiles import SoundReader
from printq.models.archive import Audit, BagFinding

__all__ = ["ContentCheck", "audit_bag", "audit_shelf", "audit_with", "find_bags"]

FILES_AT_ONCE, BYTES_AT_ONCE = 16, 1 << 22
"""What a worker is handed at a time: so many small files, or one large one."""
HEADER_SAYS = (".wav", ".wave", ".rf64", ".bw64", ".aif", ".aiff")
"""Uncompressed: a header that fits the length, and the checksum, prove that the samples are what they were."""

ContentCheck = Callable[[BagContents, Executor], Iterable[BagFinding]]
"""Looks at what a bag is about, after its files were found whole, with what runs the jobs."""
Progress = Callable[[str, int], None]
Begin = Callable[[int], None]
"""Is told how many bytes will be read."""


@dataclass(frozen=True)
class _Job:
    bag: str
    path: str
    algorithms: tuple[str, ...]
    packed: PackedFile | None


@dataclass(frozen=True)
class _Outcome:
    path: str
    octets: int = 0
    digests: dict[str, str] = field(default_factory=dict)
    error: str | None = None
    audio: str | None = None
    """What is wrong with it as audio."""
    unpacked: str | None = None
    """SHA-512 of the original, worked out from the FLAC."""


def audit_bag(
    bag: Path,
    *,
    workers: int | None = 1,
    progress: Progress | None = None,
    content_checks: Sequence[ContentCheck] = (),
    dask: str | None = None,
) -> Audit:
    """Look one bag through.

    Parameters
    ----------
    bag : Path
        The folder that holds `bagit.txt`.
    workers : int, optional
        Processes that read; 1 reads in this one, None takes as many as there are cores.
    progress : callable, optional
        Called with each file and its bytes, in the order of their names.
    content_checks : sequence, optional
        More to look at, where the files themselves are whole.
    dask : str, optional
        Address of a dask scheduler that takes the place of the processes.

    Raises FileError where it is no bag, UsageError where the scheduler cannot be reached.
    """
    with open_executor(workers, dask) as executor:
        return audit_with(executor, bag, progress=progress, content_checks=content_checks)


def audit_shelf(
    folder: Path,
    *,
    workers: int | None = None,
    progress: Progress | None = None,
    content_checks: Sequence[ContentCheck] = (),
    dask: str | None = None,
) -> tuple[Audit, ...]:
    """Look through every bag that `find_bags` finds; see `audit_bag`."""
    bags = find_bags(folder)
    with open_executor(workers, dask) as executor:
        return tuple(audit_with(executor, bag, progress=progress, content_checks=content_checks) for bag in bags)


def find_bags(folder: Path) -> tuple[Path, ...]:
    """The folder itself if it is a bag, or else every bag below it. Raises FileError where there is none."""
    found: list[Path] = []
    waiting = [folder]
    try:
        while waiting:
            here = waiting.pop()
            names = {entry.name for entry in here.iterdir()}
            if "bagit.txt" in names or ("data" in names and any(MANIFEST.fullmatch(name) for name in names)):
                found.append(here)
            else:
                waiting += [entry for entry in here.iterdir() if entry.is_dir() and not entry.is_symlink()]
    except OSError as error:
        raise FileError(
            f"{folder} cannot be listed ({error.strerror or error}); name a bag or a shelf of bags"
        ) from error
    if not found:
        raise FileError(f"there is no bag in {folder}; a bag is a folder with a bagit.txt")
    return tuple(sorted(found))


def audit_with(
    executor: Executor,
    bag: Path,
    *,
    progress: Progress | None = None,
    begin: Begin | None = None,
    content_checks: Sequence[ContentCheck] = (),
) -> Audit:
    """As `audit_bag`, with what runs the jobs at hand; `begin` is told how many bytes the payload has."""
    findings = Findings()
    contents = read_bag(bag, findings)
    if begin:
        begin(contents.ledger.payload_size()[0])
    files = octets = packed = 0
    for outcome in _outcomes(executor, contents):
        files += 1
        octets += outcome.octets
        packed += outcome.unpacked is not None
        _judge(contents, outcome, findings)
        if progress and outcome.path not in contents.texts:
            progress(outcome.path, outcome.octets)
    _name_missing(contents, findings)
    _check_packed(contents, findings)
    _check_size(contents, findings)
    if not findings.kept:
        for check in content_checks:
            for finding in check(contents, executor):
                findings.take(finding)
    return Audit(
        path=str(bag),
        ok=not findings.kept,
        findings=_in_order(findings.kept),
        more_findings=findings.more,
        warnings=_in_order(findings.warnings),
        more_warnings=findings.more_warnings,
        files=files,
        bytes=octets,
        packed=packed,
    )


def _in_order(findings: list[BagFinding]) -> tuple[BagFinding, ...]:
    return tuple(sorted(set(findings), key=lambda one: (one.file, one.what, one.message)))


def _outcomes(executor: Executor, contents: BagContents) -> Iterator[_Outcome]:
    """What was found of every file, in the order of their names; tag files that were read already come first."""
    for name, text in sorted(contents.texts.items()):
        yield _Outcome(name, text.octets, text.digests)
    for outcomes in executor.map(_read_some, _batches(contents)):
        yield from outcomes


def _batches(contents: BagContents) -> Iterator[tuple[_Job, ...]]:
    payload, tags = tuple(contents.payload_algorithms), tuple(contents.tag_algorithms)
    root = str(contents.path.absolute())
    batch: list[_Job] = []
    size = 0
    for path, octets in contents.ledger.files():
        if path in contents.texts:
            continue
        batch.append(_Job(root, path, payload if path.startswith("data/") else tags, contents.packed.get(path)))
        size += octets
        if len(batch) >= FILES_AT_ONCE or size >= BYTES_AT_ONCE:
            yield tuple(batch)
            batch, size = [], 0
    if batch:
        yield tuple(batch)


def _read_some(jobs: tuple[_Job, ...]) -> list[_Outcome]:
    return [_read(job) for job in jobs]


def _read(job: _Job) -> _Outcome:
    """Hash one file, and see whether it is whole as audio, from one reading."""
    octets = 0
    try:
        with open_inside(Path(job.bag), job.path) as opened:
            file = HashedFile(opened, job.algorithms)
            try:
                audio, unpacked = _listen(job, cast(BinaryIO, file))
                digests = file.finish()
            finally:
                octets = file.octets
    except OSError as error:
        return _Outcome(job.path, octets, error=f"cannot be read to its end ({error.strerror or error})")
    return _Outcome(job.path, octets, digests, None, audio, unpacked)


def _listen(job: _Job, file: BinaryIO) -> tuple[str | None, str | None]:
    """What is wrong with a file as audio, and the SHA-512 of what it unpacks to."""
    path = Path(job.bag, job.path)
    ending = path.suffix.lower()
    try:
        if job.packed is not None:
            whole = hashlib.sha512()
            for piece in original_bytes(path, job.packed, file):
                whole.update(piece)
            return None, whole.hexdigest()
        if not job.path.startswith("data/") or ending not in (".flac", *HEADER_SAYS):
            return None, None
        with SoundReader(path, file) as reader:
            if ending == ".flac":
                frames = sum(len(block) for block in reader.blocks(1 << 16))
                if frames != reader.facts.frames:
                    return f"ends after {frames} of {reader.facts.frames} frames", None
    except FileError as error:
        return str(error).replace(str(path), "the file"), None
    return None, None


def _judge(contents: BagContents, outcome: _Outcome, findings: Findings) -> None:
    """Hold one file against the manifests; what none of them lists is kept for later, it may be a renamed one."""
    lines = contents.ledger.lines_of(outcome.path)
    if outcome.error:
        findings.add(outcome.path, "unreadable", outcome.error)
        return
    for path, listed in lines.items():
        _compare(contents, path, listed, outcome, findings)
    if not outcome.path.startswith("data/"):
        _judge_tag_file(contents, outcome.path, {name for listed in lines.values() for name in listed}, findings)
    elif not lines:
        contents.ledger.add_loose(outcome.path, outcome.digests)


def _compare(contents: BagContents, path: str, listed: dict[str, str], outcome: _Outcome, findings: Findings) -> None:
    is_payload = path.startswith("data/")
    kind = "manifest" if is_payload else "tagmanifest"
    right = [name for name, digest in listed.items() if outcome.digests.get(name) == digest]
    wrong = [name for name in listed if name not in right]
    if wrong and not right:
        broken = f"; as audio it is not whole any more ({outcome.audio})" if outcome.audio else ""
        findings.add(path, "changed", f"is not what {kind}-{wrong[0]}.txt says that it was{broken}")
    for name in wrong if right else ():
        findings.add(
            f"{kind}-{name}.txt", "manifest", f"has another checksum for {path}, which {kind}-{right[0]}.txt confirms"
        )
    if right:
        _judge_audio(contents, path, outcome, findings)
    if is_payload and contents.version >= (1, 0):
        for name in contents.payload_algorithms:
            if name not in listed:
                findings.add(f"{kind}-{name}.txt", "manifest", f"does not list {path}, as RFC 8493, 2.1.3 asks")


def _judge_audio(contents: BagContents, path: str, outcome: _Outcome, findings: Findings) -> None:
    """What is wrong with a file, as audio, that is what it was when the bag was written."""
    packed = contents.packed.get(outcome.path)
    if packed is not None and outcome.unpacked != packed.sha512:
        why = f" ({outcome.audio})" if outcome.audio else ""
        findings.add(path, "changed", f"does not unpack to the {packed.path} that was put in{why}")
    elif outcome.audio:
        findings.warn(
            path, "audio", f"is as it was put in, and was not whole as audio then: {outcome.audio}",
            "the bag is not to blame; look for another copy of this recording",
        )  # fmt: skip


def _judge_tag_file(contents: BagContents, path: str, listed: set[str], findings: Findings) -> None:
    """Which tag manifests have to list a tag file: those of our own bags all, others the payload manifests."""
    manifest = MANIFEST.fullmatch(path)
    if manifest and manifest[1]:
        if contents.own and path not in ("tagmanifest-sha256.txt", "tagmanifest-sha512.txt"):
            findings.add(path, "extra", "was not in the bag when it was written", "take it out of the bag")
    elif contents.own and not listed:
        findings.add(path, "extra", "was not in the bag when it was written", "take it out of the bag")
    elif contents.own or manifest:
        for name in contents.tag_algorithms:
            if name not in listed:
                findings.add(f"tagmanifest-{name}.txt", "manifest", f"does not list {path}")


def _name_missing(contents: BagContents, findings: Findings) -> None:
    """Listed files that are gone, and files that no manifest lists; where a checksum says so, they are one."""
    for path, digests in contents.ledger.missing():
        is_payload = path.startswith("data/")
        if is_payload and (now := contents.ledger.take_loose(digests)):
            findings.add(path, "renamed", f"is now called {now}", "give it its name back")
            continue
        kind = "manifest" if is_payload else "tagmanifest"
        findings.add(path, "missing", f"is not there, and {kind}-{min(digests)}.txt lists it")
    for path in contents.ledger.loose():
        findings.add(path, "extra", "is in no manifest", "take it out of the bag")


def _check_packed(contents: BagContents, findings: Findings) -> None:
    for stored, packed in contents.packed.items():
        if contents.ledger.size(packed.path) is not None or not contents.ledger.algorithms_of(stored):
            findings.add(stored, "content", f"is to unpack to {packed.path}, which the manifests do not allow for")


def _check_size(contents: BagContents, findings: Findings) -> None:
    said = contents.facts("Payload-Oxum")
    octets, files = contents.ledger.payload_size()
    if len(said) > 1 and contents.version >= (1, 0):
        findings.add(INFO, "tags", "has Payload-Oxum more than once, which RFC 8493, 2.2.2 forbids")
    for each in said:
        if each != f"{octets}.{files}":
            findings.add(
                INFO, "incomplete", f"counts bytes and files of the payload as {each}, and there are {octets}.{files}"
            )
