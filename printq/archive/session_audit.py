"""A session in a bag held against its own notes: checksums first, and then every figure, measured again.

A bag whose checksums hold is the bag that was written. Whether what was written belongs together is asked here: each
print against its sidecar, each sidecar against the stem that was played, each mix against the proof.
"""

from __future__ import annotations

import posixpath
from collections.abc import Callable, Container, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import chain
from pathlib import Path

from pydantic import ValidationError

from printq.archive.executors import HERE, Executor
from printq.archive.reading import BagContents
from printq.archive.ties import AudioSums, print_problems, read_sidecar, source_problems
from printq.errors import FileError, PrintqError
from printq.models.archive import BagFinding
from printq.models.archived import SessionProof
from printq.models.delivery import Sidecar
from printq.models.figures import FileFigures
from printq.models.proof import MixProof, PrintTie, SummedPart
from printq.recordings.figures import measure_file

__all__ = ["PROOF", "ContentFinding", "Payload", "check_content", "check_session"]

DATA = "data/"
PROOF = "sum-proof.json"
SIDECAR_MARK = b'"format": "printq-sidecar/1"'
LARGEST = 1 << 26
"""Bytes of a sidecar or a proof: three hours second by second, for several mixes, have less."""
CLOSE_DB = 0.01
"""The figures are rounded to hundredths wherever people see them, and in the print's own header (EBU Tech 3285)."""


@dataclass(frozen=True)
class ContentFinding:
    """One thing that does not belong together."""

    file: str
    """In the payload, with `/`."""
    message: str


@dataclass(frozen=True)
class Payload:
    """What is in a bag: names as they were archived, and where each can be read. Processes get a copy of it."""

    names: Container[str]
    locate: Callable[[str], Path]
    """A file that holds it as it was; of what is packed, one with the same samples."""
    is_packed: Callable[[str], bool] = lambda _: False


@dataclass(frozen=True)
class _Bag:
    """The payload of a bag in which nothing but ordinary files was found."""

    path: Path
    stored: Mapping[str, str]
    """Where what is packed lies, both from the bag's folder."""

    def __contains__(self, name: object) -> bool:
        return self.is_packed(str(name)) or (self.path / f"{DATA}{name}").is_file()

    def locate(self, name: str) -> Path:
        return self.path / self.stored.get(f"{DATA}{name}", f"{DATA}{name}")

    def is_packed(self, name: str) -> bool:
        return f"{DATA}{name}" in self.stored


@dataclass(frozen=True)
class _PrintJob:
    """One print to be held against its sidecar and what it was made from."""

    payload: Payload
    place: str
    name: str
    """Of the sidecar."""
    tie: PrintTie | None
    unprinted: frozenset[str]
    sums: AudioSums
    """What this process has read already."""


@dataclass(frozen=True)
class _MixJob:
    """One mix to be held against its proof."""

    payload: Payload
    mix: MixProof
    sums: AudioSums


def check_session(contents: BagContents, executor: Executor = HERE) -> list[BagFinding]:
    """`check_content` for a bag whose files were found whole; says nothing of bags that hold no session."""
    packed = {packed.path: stored for stored, packed in contents.packed.items()}
    bag = _Bag(contents.path.absolute(), packed)
    payload = Payload(bag, bag.locate, bag.is_packed)
    names = (
        (contents.packed[path].path if path in contents.packed else path).removeprefix(DATA)
        for path, _ in contents.ledger.files()
        if path.startswith(DATA)
    )
    return [
        BagFinding(
            file=packed.get(f"{DATA}{found.file}", f"{DATA}{found.file}"),
            what="content",
            message=found.message,
            remedy="the bag is as it was written, so that this was so before; look for another copy of the session",
        )
        for found in check_content(payload, names, executor)
    ]


def check_content(payload: Payload, names: Iterable[str], executor: Executor = HERE) -> list[ContentFinding]:
    """Hold every print, sidecar, stem and mix of a session against each other.

    Every audio file is read in full. An archive that was made `--as-is` is held against what it said then: what was
    on the record is no finding.

    Parameters
    ----------
    payload : Payload
    names : iterable of str
        All of them, once; there may be millions, of which the sidecars and the proof are kept.
    executor : Executor
        What measures the prints.
    """
    kept = [name for name in names if name.endswith(".json")]
    try:
        place, proof = _read_proof(payload, kept)
    except FileError as error:
        return [ContentFinding(_proof_name(kept) or PROOF, str(error))]
    sums = AudioSums()
    ties = {posixpath.normpath(posixpath.join(place, tie.sidecar)): tie for tie in proof.prints} if proof else {}
    unprinted = frozenset(each.pass_id for each in proof.not_printed) if proof else frozenset()
    found = [
        ContentFinding(name, f"{name} is not in the bag, and the proof speaks of it")
        for tie in ties.values()
        for name in (_place(place, tie.print_file), _place(place, tie.sidecar))
        if name not in payload.names
    ]
    jobs: Iterator[_MixJob | _PrintJob] = chain(
        (_MixJob(payload, mix, sums) for mix in (proof.mixes if proof else ())),
        (
            _PrintJob(payload, place, name, ties.get(name), unprinted, sums)
            for name in kept
            if name in ties or _is_sidecar(payload.locate(name))
        ),
    )
    for some in executor.map(_check, jobs):
        found += some
    return found


def _check(job: _MixJob | _PrintJob) -> list[ContentFinding]:
    return _mix(job) if isinstance(job, _MixJob) else _print(job)


def _proof_name(names: Iterable[str]) -> str | None:
    """The proof among the notes: not a file of the session that happens to have its name."""
    return next((name for name in names if name.startswith("notes") and name.endswith(f"/{PROOF}")), None)


def _read_proof(payload: Payload, names: Iterable[str]) -> tuple[str, SessionProof | None]:
    name = _proof_name(names)
    if name is None:
        return ".", None
    try:
        path = payload.locate(name)
        if path.stat().st_size > LARGEST:
            raise FileError(f"{name} is larger than any proof")
        proof = SessionProof.model_validate_json(path.read_bytes())
    except OSError as error:
        raise FileError(f"{name} cannot be read ({error.strerror or error})") from error
    except ValidationError as error:
        first = error.errors()[0]
        raise FileError(f"{name} is no proof that this version reads ({first['msg']})") from error
    return proof.session, proof


def _is_sidecar(path: Path) -> bool:
    try:
        return path.stat().st_size <= LARGEST and SIDECAR_MARK in path.read_bytes()
    except OSError:
        return False


def _mix(job: _MixJob) -> list[ContentFinding]:
    mix = job.mix
    if mix.mix not in job.payload.names:
        return [ContentFinding(mix.mix, f"{mix.mix} is not in the bag, and the proof speaks of it")]
    try:
        if job.sums.of_file(job.payload.locate(mix.mix)) == mix.audio_sha256:
            return []
    except PrintqError as error:
        return [ContentFinding(mix.mix, str(error))]
    return [ContentFinding(mix.mix, f"{mix.mix} is not the mix that the proof was made with")]


def _print(job: _PrintJob) -> list[ContentFinding]:
    """What is wrong with one print and its sidecar, beyond what was said when it was archived."""
    payload, place, name, tie, sums = job.payload, job.place, job.name, job.tie, job.sums
    try:
        sidecar = read_sidecar(payload.locate(name))
    except FileError as error:
        return [ContentFinding(name, str(error))]
    # What was made from something that has changed since cannot be held against it.
    is_current = tie is not None and tie.pass_id not in job.unprinted
    if tie is None:
        tie = _tie_of(sidecar, name)
        place = "."
    audio = _place(place, tie.print_file)
    if audio not in payload.names:
        if sidecar.pass_id in job.unprinted:
            return []  # it was gone already
        return [ContentFinding(name, f"{audio}, which {posixpath.basename(name)} speaks of, is not in the bag")]
    path = payload.locate(audio)
    problems = print_problems(tie, sidecar, path, sums, packed=payload.is_packed(audio))
    if not problems:
        problems += _figure_problems(audio, sidecar, path)
    if is_current and not problems and not tie.problems:
        here = [part for part in tie.played if _place(place, part.file) in payload.names]
        if len(here) == len(tie.played):
            problems += source_problems(tie, sidecar, lambda file: payload.locate(_place(place, file)), sums)
        else:
            problems.append(f"not all that {audio} was made from is in the bag")
    return [ContentFinding(audio, problem) for problem in problems if problem not in tie.problems]


def _tie_of(sidecar: Sidecar, name: str) -> PrintTie:
    """An earlier print: what it was made from may not be there any more."""
    return PrintTie(
        pass_id=sidecar.pass_id,
        print_file=posixpath.join(posixpath.dirname(name), sidecar.print_file),
        sidecar=name,
        channels=sidecar.source.channels,
        frames=sidecar.source.frames,
        played=tuple(
            SummedPart(stem="", file=file, gain_db=0.0, pan=0.0, offset_frames=0) for file in sidecar.source.files
        ),
        problems=(),
    )


def _figure_problems(audio: str, sidecar: Sidecar, path: Path) -> list[str]:
    """The print measured again, against what its sidecar says."""
    try:
        measured = measure_file(path)
    except PrintqError as error:
        return [str(error)]
    return [
        f"{posixpath.basename(audio)} measures {_text(found)} {unit} {what}, its sidecar says {_text(said)}"
        for what, unit, said, found in _figures(sidecar, measured)
        if not _agree(said, found)
    ]


def _figures(sidecar: Sidecar, measured: FileFigures) -> Sequence[tuple[str, str, float | None, float | None]]:
    said = sidecar.loudness
    figures: list[tuple[str, str, float | None, float | None]] = [
        ("integrated loudness", "LUFS", said.integrated_lufs, measured.integrated_lufs),
        ("loudness range", "LU", said.range_lu, measured.loudness_range_lu),
        ("momentary maximum", "LUFS", said.momentary_max_lufs, measured.momentary_max_lufs),
        ("short-term maximum", "LUFS", said.short_term_max_lufs, measured.short_term_max_lufs),
    ]
    for check, unit, found in (
        ("sample_peak", "dBFS", measured.sample_peak_dbfs),
        ("true_peak", "dBTP", measured.true_peak_dbtp),
    ):
        judged = next((each for each in sidecar.checks if each.check == check and "print" in each.detail), None)
        if judged is not None:
            level = judged.detail["print"]
            figures.append((check.replace("_", " "), unit, level if isinstance(level, float) else None, found))
    return figures


def _agree(said: float | None, found: float | None) -> bool:
    if said is None or found is None:
        return said is None and found is None
    return abs(said - found) <= CLOSE_DB


def _place(place: str, name: str) -> str:
    return posixpath.normpath(posixpath.join(place, name))


def _text(value: float | None) -> str:
    return "no" if value is None else f"{value:.2f}"
