"""Looks a bag through: complete and valid as RFC 8493, 3 means it, every audio file whole, whatever is wrong named."""

from __future__ import annotations

import hashlib
import unicodedata
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from printq.archive.bagit import INFO
from printq.archive.executors import Executor, open_executor
from printq.archive.packing import PackedFile, original_bytes
from printq.archive.reading import MANIFEST, BagContents, Findings, open_inside, read_bag, same_name, text_digests
from printq.errors import FileError
from printq.files.soundfiles import SoundReader, read_facts
from printq.models.archive import Audit, BagFinding

__all__ = ["ContentCheck", "audit_bag", "audit_shelf", "audit_with", "find_bags"]

AT_ONCE = 1 << 20
HEADER_SAYS = (".wav", ".wave", ".rf64", ".bw64", ".aif", ".aiff")
"""Uncompressed: a header that fits the length, and the checksum, prove that the samples are what they were."""

ContentCheck = Callable[[BagContents], Iterable[BagFinding]]
"""Looks at what a bag is about, after its files were found whole."""
Progress = Callable[[str, int], None]


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
    content_checks: Sequence[ContentCheck] = (),
) -> Audit:
    """As `audit_bag`, with what runs the jobs at hand."""
    findings = Findings()
    contents = read_bag(bag, findings)
    outcomes = _look_at(executor, contents, progress)
    unnamed = _compare(contents.payload_manifests, "manifest", contents, outcomes, findings)
    _compare(contents.tag_manifests, "tagmanifest", contents, outcomes, findings)
    _name_unlisted(contents, outcomes, unnamed, findings)
    _check_audio(contents, outcomes, findings)
    _check_size(contents, findings)
    if not findings.kept:
        for check in content_checks:
            for finding in check(contents):
                findings.take(finding)
    order = sorted(set(findings.kept), key=lambda one: (one.file, one.what, one.message)) if findings.kept else []
    return Audit(
        path=str(bag),
        ok=not findings.kept,
        findings=tuple(order),
        more_findings=findings.more,
        files=len(outcomes),
        bytes=sum(outcome.octets for outcome in outcomes.values()),
        packed=sum(outcome.unpacked is not None for outcome in outcomes.values()),
    )


def _look_at(executor: Executor, contents: BagContents, progress: Progress | None) -> dict[str, _Outcome]:
    payload, tags = tuple(sorted(contents.payload_manifests)), tuple(sorted(contents.tag_manifests))
    outcomes = {
        path: _Outcome(path, len(data), text_digests(data, tags)) for path, data in sorted(contents.texts.items())
    }
    root = str(contents.path.absolute())
    jobs = [
        _Job(root, path, payload if path.startswith("data/") else tags, contents.packed.get(path))
        for path in sorted(contents.files)
        if path not in outcomes
    ]
    for outcome in executor.map(_read, jobs):
        outcomes[outcome.path] = outcome
        if progress:
            progress(outcome.path, outcome.octets)
    return outcomes


def _read(job: _Job) -> _Outcome:
    """Hash one file, and see whether it is whole as audio."""
    hashes = {algorithm: hashlib.new(algorithm, usedforsecurity=False) for algorithm in job.algorithms}
    octets = 0
    try:
        with open_inside(Path(job.bag), job.path) as file:
            while data := file.read(AT_ONCE):
                octets += len(data)
                for one in hashes.values():
                    one.update(data)
    except OSError as error:
        return _Outcome(job.path, octets, error=f"cannot be read to its end ({error.strerror or error})")
    digests = {algorithm: one.hexdigest() for algorithm, one in hashes.items()}
    audio, unpacked = _listen(job)
    return _Outcome(job.path, octets, digests, None, audio, unpacked)


def _listen(job: _Job) -> tuple[str | None, str | None]:
    path = Path(job.bag, job.path)
    ending = path.suffix.lower()
    try:
        if job.packed is not None:
            whole = hashlib.sha512()
            for piece in original_bytes(path, job.packed):
                whole.update(piece)
            return None, whole.hexdigest()
        if not job.path.startswith("data/"):
            return None, None
        if ending == ".flac":
            with SoundReader(path) as reader:
                frames = 0
                for block in reader.blocks(1 << 16):
                    frames += len(block)
                if frames != reader.facts.frames:
                    return f"ends after {frames} of {reader.facts.frames} frames", None
        elif ending in HEADER_SAYS:
            read_facts(path)
    except FileError as error:
        return str(error).replace(str(path), "the file"), None
    return None, None


def _compare(
    manifests: dict[str, dict[str, str]],
    kind: str,
    contents: BagContents,
    outcomes: dict[str, _Outcome],
    findings: Findings,
) -> dict[str, str]:
    """Hold the files against manifests. Returns what is listed and not there, with the digest of one algorithm."""
    missing: dict[str, str] = {}
    other_forms: dict[str, str] | None = None
    for path in sorted(set().union(*manifests.values())):
        outcome = outcomes.get(path)
        if outcome is None:
            if other_forms is None:
                other_forms = same_name(contents.files)
            twin = other_forms.get(unicodedata.normalize("NFC", path))
            outcome = outcomes.get(twin) if twin is not None else None
        if outcome is None:
            missing[path] = next(f"{name}:{listed[path]}" for name, listed in manifests.items() if path in listed)
            continue
        if outcome.error:
            findings.add(path, "unreadable", outcome.error)
            continue
        right = [name for name, listed in manifests.items() if listed.get(path) == outcome.digests.get(name)]
        wrong = [name for name, listed in manifests.items() if path in listed and name not in right]
        silent = [name for name, listed in manifests.items() if path not in listed]
        if wrong and not right:
            findings.add(path, "changed", f"is not what {kind}-{wrong[0]}.txt says that it was")
        for name in wrong if right else ():
            findings.add(
                f"{kind}-{name}.txt",
                "manifest",
                f"has another checksum for {path}, which {kind}-{right[0]}.txt confirms",
            )
        for name in silent:
            if kind == "manifest" and contents.version >= (1, 0):
                findings.add(f"{kind}-{name}.txt", "manifest", f"does not list {path}, as RFC 8493, 2.1.3 asks")
    if kind == "tagmanifest":
        for path in missing:
            findings.add(path, "missing", f"is not there, and {kind}-{missing[path].split(':')[0]}.txt lists it")
    return missing


def _name_unlisted(
    contents: BagContents, outcomes: dict[str, _Outcome], missing: dict[str, str], findings: Findings
) -> None:
    """Files that no manifest lists, and listed ones that are gone; where a checksum says so, they are one."""
    listed = {unicodedata.normalize("NFC", path) for path in set().union(*contents.payload_manifests.values())}
    by_digest: dict[str, list[str]] = {}
    for path, digest in sorted(missing.items()):
        by_digest.setdefault(digest, []).append(path)
    for path in sorted(contents.files):
        if not path.startswith("data/"):
            if contents.own and not MANIFEST.fullmatch(path) and not _is_tagged(contents, path):
                findings.add(path, "extra", "was not in the bag when it was written", "take it out of the bag")
            continue
        if unicodedata.normalize("NFC", path) in listed:
            continue
        digests = outcomes[path].digests.items()
        earlier = next((was for name, digest in digests if (was := by_digest.get(f"{name}:{digest}"))), None)
        if earlier:
            gone = earlier.pop(0)
            del missing[gone]
            findings.add(gone, "renamed", f"is now called {path}", "give it its name back")
        else:
            findings.add(path, "extra", "is in no manifest", "take it out of the bag")
    for path, digest in sorted(missing.items()):
        findings.add(path, "missing", f"is not there, and manifest-{digest.split(':')[0]}.txt lists it")


def _is_tagged(contents: BagContents, path: str) -> bool:
    return any(path in listed for listed in contents.tag_manifests.values())


def _check_audio(contents: BagContents, outcomes: dict[str, _Outcome], findings: Findings) -> None:
    for path, outcome in outcomes.items():
        if outcome.audio:
            findings.add(
                path, "audio", f"is not whole as audio: {outcome.audio}", "find another copy of this recording"
            )
    for stored, packed in contents.packed.items():
        found = outcomes.get(stored)
        if found is not None and found.unpacked not in (None, packed.sha512):
            findings.add(stored, "changed", f"does not unpack to the {packed.path} that was put in")
        if packed.path in contents.files or not any(stored in one for one in contents.payload_manifests.values()):
            findings.add(stored, "content", f"is to unpack to {packed.path}, which the manifests do not allow for")


def _check_size(contents: BagContents, findings: Findings) -> None:
    said = contents.fact("Payload-Oxum")
    if said is None:
        return
    sizes = [size for path, size in contents.files.items() if path.startswith("data/")]
    there = f"{sum(sizes)}.{len(sizes)}"
    if said != there:
        findings.add(INFO, "incomplete", f"counts bytes and files of the payload as {said}, and there are {there}")
