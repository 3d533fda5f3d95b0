"""Reading what a pass plays: a file, or the sum of several.

Nothing is held in memory but the block at hand.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Self, TypeVar

import numpy as np
from numpy.typing import NDArray

from printq.errors import FileError
from printq.files.soundfiles import FileFacts, SoundReader
from printq.units import db_to_ratio

__all__ = ["StemPart", "StemReader", "SummedFiles", "SummedReader", "balance_gains"]

Signal = NDArray[np.float64]
Real = TypeVar("Real", bound=np.floating)


@dataclass(frozen=True)
class StemPart:
    """One file of a stem and where it stands in it."""

    path: Path
    gain_db: float = 0.0
    pan: float = 0.0
    offset_frames: int = 0


def balance_gains(pan: float) -> tuple[float, float]:
    """Gains of left and right for a balance from -1 to 1: the far side is turned down, none is turned up."""
    return min(1.0, 1.0 - pan), min(1.0, 1.0 + pan)


class StemReader:
    """A stem as one signal, in float64; use it as a context manager.

    A single file without gain is passed through bit for bit. In a sum, mono feeds both sides at 0 dB.

    Parameters
    ----------
    parts : sequence of StemPart
    channels : int
        Channels of the stem.
    frames : int
        Length of the stem; what lies beyond a file's end is silence.
    """

    def __init__(self, parts: Sequence[StemPart], channels: int, frames: int) -> None:
        self.channels = channels
        self.frames = frames
        self._parts = list(parts)
        self._position = 0
        self._open = ExitStack()
        with ExitStack() as opening:
            self._readers = [opening.enter_context(SoundReader(part.path)) for part in parts]
            self._open = opening.pop_all()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    @property
    def rates(self) -> set[int]:
        """Rates of the files, Hz: one, where they go together."""
        return {reader.facts.rate for reader in self._readers}

    def close(self) -> None:
        """Close the files; safe to call twice."""
        self._open.close()

    def seek(self, frame: int) -> None:
        """Go on reading at this frame of the stem."""
        self._position = frame
        for part, reader in zip(self._parts, self._readers, strict=True):
            reader.seek(min(max(0, frame - part.offset_frames), reader.facts.frames))

    def read(self, frames: int) -> Signal:
        """The next frames, shape (n, channels); fewer at the end of the stem."""
        frames = max(0, min(frames, self.frames - self._position))
        block = self._plain(frames, self._readers[0].read) if self._is_plain() else self._sum(frames)
        self._position += frames
        return block

    def read_exact(self, frames: int) -> NDArray[np.floating]:
        """As `read`, in single precision where that holds every digit."""
        if not self._is_plain():
            return self.read(frames)
        frames = max(0, min(frames, self.frames - self._position))
        block = self._plain(frames, self._readers[0].read_exact)
        self._position += frames
        return block

    def blocks(self, frames: int) -> Iterator[Signal]:
        """The rest of the stem in blocks of so many frames, the last one shorter."""
        while len(block := self.read(frames)):
            yield block

    def _is_plain(self) -> bool:
        """Whether it is what its one file holds."""
        if len(self._parts) != 1:
            return False
        (part,) = self._parts
        return (
            part.gain_db == 0.0
            and part.pan == 0.0
            and part.offset_frames == 0
            and self._readers[0].facts.channels == self.channels
        )

    def _plain(self, frames: int, read: Callable[[int], NDArray[Real]]) -> NDArray[Real]:
        block = read(frames)
        if len(block) < frames:
            silence = np.zeros((frames - len(block), block.shape[1]), dtype=block.dtype)
            block = np.concatenate((block, silence))
        return block

    def _sum(self, frames: int) -> Signal:
        block = np.zeros((frames, self.channels))
        for part, reader in zip(self._parts, self._readers, strict=True):
            start = max(0, part.offset_frames - self._position)
            if start < frames:
                samples = reader.read(frames - start)
                block[start : start + len(samples)] += self._place(part, samples)
        return block

    def _place(self, part: StemPart, samples: Signal) -> Signal:
        gain = db_to_ratio(part.gain_db)
        if self.channels == 1:
            return samples * gain
        return np.asarray(samples * np.array([gain * side for side in balance_gains(part.pan)]))


@dataclass(frozen=True)
class SummedFiles:
    """Several files as one signal."""

    parts: tuple[StemPart, ...]
    channels: int
    frames: int


class SummedReader(StemReader):
    """A sum that is read as one file is; raises FileError where its files have several rates."""

    def __init__(self, files: SummedFiles) -> None:
        super().__init__(files.parts, files.channels, files.frames)
        if len(self.rates) != 1:
            self.close()
            raise FileError(
                f"{files.parts[0].path} and the others of its sum have different rates "
                f"({', '.join(f'{rate} Hz' for rate in sorted(self.rates))}); export them at one rate"
            )
        self.facts = FileFacts(self.rates.pop(), files.channels, files.frames, "sum", "DOUBLE", None)
