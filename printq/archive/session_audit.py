"""A session in a bag held against its own notes: checksums first, and then every figure, measured again.

A bag whose checksums hold is the bag that was written. Whether what was written belongs together is asked here: each
print against its sidecar, each sidecar against the stem that was played, each mix against the proof.
"""

from __future__ import annotations

import posixpath
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from pydantic import ValidationError

from printq.archive.reading import BagContents
from printq.archive.ties import AudioSums, print_problems, read_sidecar, source_problems
from printq.errors import FileError, PrintqError
from printq.models.archive import BagFinding
from printq.models.archived import SessionProof
from printq.models.delivery import Sidecar
from printq.models.figures import FileFigures
from printq.models.proof import PrintTie, SummedPart
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
    """What is in a bag: names as they were archived, and where each can be read."""

    names: Collection[str]
    locate: Callable[[str], Path]
    """A file that holds it as it was; of what is packed, one with the same samples."""
    is_packed: Callable[[str], bool] = lambda _: False


def check_session(contents: BagContents) -> list[BagFinding]:
    """`check_content` for a bag whose files were found whole; says nothing of bags that hold no session."""
    packed = {packed.path: stored for stored, packed in contents.packed.items()}
    payload = Payload(
        _Names(contents, packed),
        locate=lambda name: contents.path / packed.get(f"{DATA}{name}", f"{DATA}{name}"),
        is_packed=lambda name: f"{DATA}{name}" in packed,
    )
    return [
        BagFinding(
            file=packed.get(f"{DATA}{found.file}", f"{DATA}{found.file}"),
            what="content",
            message=found.message,
            remedy="the bag is as it was written, so that this was so before; look for another copy of the session",
        )
        for found in check_content(payload)
    ]


class _Names(Collection[str]):
    """Names of the payload as they were archived; there may be millions, so that they are not held."""

    def __init__(self, contents: BagContents, packed: Mapping[str, str]) -> None:
        self._contents, self._packed = contents, packed

    def __contains__(self, name: object) -> bool:
        path = f"{DATA}{name}"
        there = path not in self._contents.packed and self._contents.ledger.size(path) is not None
        return there or path in self._packed

    def __iter__(self) -> Iterator[str]:
        for path, _ in self._contents.ledger.files():
            if path.startswith(DATA):
                packed = self._contents.packed.get(path)
                yield (packed.path if packed else path).removeprefix(DATA)

    def __len__(self) -> int:
        return self._contents.ledger.payload_size()[1]


def check_content(payload: Payload) -> list[ContentFinding]:
    """Hold every print, sidecar, stem and mix of a session against each other.

    Every audio file is read in full. An archive that was made `--as-is` is held against what it said then: what was
    on the record is no finding.
    """
    try:
        place, proof = _read_proof(payload)
    except FileError as error:
        return [ContentFinding(_proof_name(payload.names) or PROOF, str(error))]
    sums = AudioSums()
    found = list(_mixes(payload, proof, sums)) if proof is not None else []
    ties = {posixpath.normpath(posixpath.join(place, tie.sidecar)): tie for tie in proof.prints} if proof else {}
    unprinted = {each.pass_id for each in proof.not_printed} if proof else set()
    found += [
        ContentFinding(name, f"{name} is not in the bag, and the proof speaks of it")
        for tie in ties.values()
        for name in (_place(place, tie.print_file), _place(place, tie.sidecar))
        if name not in payload.names
    ]
    for name in payload.names:
        if not name.endswith(".json") or (name not in ties and not _is_sidecar(payload.locate(name))):
            continue
        tie = ties.get(name)
        found += _print(payload, place, name, tie, sums, unprinted)
    return found


def _proof_name(names: Iterable[str]) -> str | None:
    """The proof among the notes: not a file of the session that happens to have its name."""
    return next((name for name in names if name.startswith("notes") and name.endswith(f"/{PROOF}")), None)


def _read_proof(payload: Payload) -> tuple[str, SessionProof | None]:
    name = _proof_name(payload.names)
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


def _mixes(payload: Payload, proof: SessionProof, sums: AudioSums) -> Iterator[ContentFinding]:
    for mix in proof.mixes:
        if mix.mix not in payload.names:
            yield ContentFinding(mix.mix, f"{mix.mix} is not in the bag, and the proof speaks of it")
            continue
        try:
            if sums.of_file(payload.locate(mix.mix)) != mix.audio_sha256:
                yield ContentFinding(mix.mix, f"{mix.mix} is not the mix that the proof was made with")
        except PrintqError as error:
            yield ContentFinding(mix.mix, str(error))


def _print(
    payload: Payload, place: str, name: str, tie: PrintTie | None, sums: AudioSums, unprinted: set[str]
) -> list[ContentFinding]:
    """What is wrong with one print and its sidecar, beyond what was said when it was archived."""
    try:
        sidecar = read_sidecar(payload.locate(name))
    except FileError as error:
        return [ContentFinding(name, str(error))]
    # What was made from something that has changed since cannot be held against it.
    is_current = tie is not None and tie.pass_id not in unprinted
    if tie is None:
        tie = _tie_of(sidecar, name)
        place = "."
    audio = _place(place, tie.print_file)
    if audio not in payload.names:
        if sidecar.pass_id in unprinted:
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
