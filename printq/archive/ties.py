"""Each print held against its sidecar, and against what it was made from.

The sidecar says what was played and what was delivered, by checksum. Both files are read again in full.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, cast

from pydantic import ValidationError

from printq.errors import FileError
from printq.files.checksums import AudioHasher
from printq.files.hashed import HashedFile
from printq.files.soundfiles import SoundReader, read_facts
from printq.files.stems import StemPart, StemReader
from printq.models.delivery import Sidecar
from printq.models.proof import PrintTie

__all__ = ["AudioSums", "print_problems", "read_sidecar", "source_problems"]

BLOCK_FRAMES = 1 << 16


@dataclass(frozen=True)
class _Sums:
    digests: dict[str, str]
    audio: str | FileError


class AudioSums:
    """Checksums of audio files, each file read once: of its bytes and of its decoded samples.

    `algorithms`: those of the bytes.
    """

    def __init__(self, algorithms: tuple[str, ...] = ("sha256",)) -> None:
        self._algorithms = algorithms
        self._known: dict[Path, _Sums] = {}

    def of_file(self, path: Path) -> str:
        """Checksum of the decoded samples. Raises FileError where it cannot be read to its end."""
        audio = self._of(path).audio
        if isinstance(audio, FileError):
            raise audio
        return audio

    def of_bytes(self, path: Path, algorithm: str = "sha256") -> str:
        """Checksum of the file as it lies there. Raises FileError where it cannot be read."""
        return self._of(path).digests[algorithm]

    def known(self, path: Path, algorithm: str) -> str | None:
        """The same of a file that was read already; None of others."""
        sums = self._known.get(path.resolve())
        return sums.digests[algorithm] if sums else None

    def _of(self, path: Path) -> _Sums:
        real = path.resolve()
        if real not in self._known:
            self._known[real] = self._read(path)
        return self._known[real]

    def _read(self, path: Path) -> _Sums:
        try:
            with path.open("rb") as opened:
                file = HashedFile(opened, self._algorithms)
                audio: str | FileError
                try:
                    audio = _audio_sum(path, cast(BinaryIO, file))
                except FileError as error:
                    audio = error
                return _Sums(file.finish(), audio)
        except OSError as error:
            raise FileError(f"{path} cannot be read ({error.strerror or error}); look at its disk") from error

    def of_parts(self, parts: list[StemPart], channels: int, frames: int, rate: int) -> str:
        """The same of what was played: a file as it is, or a sum."""
        if len(parts) == 1 and parts[0] == StemPart(parts[0].path):
            return self.of_file(parts[0].path)
        hasher = AudioHasher(rate, channels)
        with StemReader(parts, channels, frames) as stem:
            for block in stem.blocks(BLOCK_FRAMES):
                hasher.add(block)
        return hasher.hexdigest()


def _audio_sum(path: Path, file: BinaryIO) -> str:
    with SoundReader(path, file) as reader:
        hasher = AudioHasher(reader.facts.rate, reader.facts.channels)
        done = 0
        for block in reader.blocks(BLOCK_FRAMES):
            hasher.add(block)
            done += len(block)
        if done < reader.facts.frames:
            raise FileError(f"{path} ends {reader.facts.frames - done} frames early; copy it again")
    return hasher.hexdigest()


def read_sidecar(path: Path) -> Sidecar:
    """The notes beside a print. Raises FileError where they are missing or make no sense."""
    try:
        return Sidecar.model_validate_json(path.read_bytes())
    except OSError as error:
        raise FileError(f"{path.name} cannot be read ({error.strerror or error})") from error
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        raise FileError(f"{path.name} is no sidecar that this version reads ({where}: {first['msg']})") from error


def print_problems(tie: PrintTie, sidecar: Sidecar, path: Path, sums: AudioSums, *, packed: bool = False) -> list[str]:
    """What of a print is other than its sidecar says, in words.

    `packed`: it lies there in another format with the same samples, so that only those can be compared.
    """
    name = Path(tie.print_file).name
    problems = []
    if sidecar.pass_id != tie.pass_id or sidecar.print_file != name:
        problems.append(
            f"{Path(tie.sidecar).name} belongs to {sidecar.print_file} of {sidecar.pass_id}, not to {name} "
            f"of {tie.pass_id}"
        )
    try:
        if not packed and sums.of_bytes(path) != sidecar.file_sha256:
            problems.append(f"{name} is not the file that was delivered: its checksum is another than in its sidecar")
        elif sums.of_file(path) != sidecar.rendered.audio_sha256:
            problems.append(f"{name} does not hold the audio that was delivered")
        with SoundReader(path) as reader:
            facts = reader.facts
    except FileError as error:
        return [*problems, str(error)]
    rendered = sidecar.rendered
    if (facts.frames, facts.channels, facts.rate) != (rendered.frames, rendered.channels, rendered.rate):
        problems.append(
            f"{name} has {facts.frames} frames, {facts.channels} channels and {facts.rate} Hz, its sidecar says "
            f"{rendered.frames}, {rendered.channels} and {rendered.rate}"
        )
    return problems


def source_problems(tie: PrintTie, sidecar: Sidecar, locate: Callable[[str], Path], sums: AudioSums) -> list[str]:
    """Whether what a print was made from is still what was played, in words where it is not."""
    parts = [
        StemPart(locate(part.file), gain_db=part.gain_db, pan=part.pan, offset_frames=part.offset_frames)
        for part in tie.played
    ]
    names = ", ".join(Path(part.file).name for part in tie.played)
    try:
        ends = [part.offset_frames + read_facts(part.path).frames for part in parts]
        if tie.frames > max(ends, default=0):
            return [f"{names} is shorter than what was played for {Path(tie.print_file).name}"]
        found = sums.of_parts(parts, tie.channels, tie.frames, sidecar.rendered.rate)
    except FileError as error:
        return [str(error)]
    if found == sidecar.source.audio_sha256:
        return []
    what = f"the sum of {names} is" if len(parts) > 1 else f"{names} is"
    return [f"{what} not what was played for {Path(tie.print_file).name}: the audio has another checksum"]
