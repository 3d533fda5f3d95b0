"""A finished print, measured as it lies in staging, beside the return that it was made of."""

from __future__ import annotations

import copy
from contextlib import ExitStack
from pathlib import Path
from types import TracebackType
from typing import Self

import numpy as np
from numpy.typing import NDArray

from printq.files.checksums import AudioHasher
from printq.files.soundfiles import SoundReader
from printq.measure.blocks import CheckedBlock
from printq.measure.loudness import LoudnessMeter
from printq.measure.peaks import LevelMeter, TruePeakMeter
from printq.models.verdict import Level, Loudness
from printq.verify.source import BLOCK_FRAMES, describe_level, describe_loudness

__all__ = ["FinishedPrint"]


class FinishedPrint:
    """Reads a print in step with its return; use it as a context manager.

    Most prints are the return itself, from another frame on. Both are read and compared, sample for sample; up to where
    they differ, what was measured of the one is true of the other and need not be worked out twice. Where they do not
    differ at all, so is the checksum that was taken of the return when the print was written.

    Parameters
    ----------
    staged : Path
    levels, true_peaks
        The return's meters, with nothing in them yet.
    rate, channels : int
        The return's.
    written_sha256 : str, optional
        Checksum of the return, over as many frames as the print has.

    Raises
    ------
    FileError
        It cannot be read.
    """

    def __init__(
        self,
        staged: Path,
        levels: LevelMeter,
        true_peaks: TruePeakMeter,
        rate: int,
        channels: int,
        written_sha256: str | None = None,
    ) -> None:
        self._path = staged
        self._shared = levels, true_peaks
        self._written_sha256 = written_sha256
        self._own: tuple[LevelMeter, TruePeakMeter] | None = None
        self.frames = 0
        """That were read."""
        with ExitStack() as opening:
            self._reader = opening.enter_context(SoundReader(staged))
            facts = self._reader.facts
            if (facts.rate, facts.channels) != (rate, channels):
                self._own = LevelMeter(facts.channels), TruePeakMeter(facts.rate, facts.channels)
            self._hasher = AudioHasher(facts.rate, facts.channels) if self._own or written_sha256 is None else None
            self._loudness = LoudnessMeter(facts.rate, facts.channels)
            self._open = opening.pop_all()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._open.close()

    def follow(self, came: NDArray[np.floating], heard: CheckedBlock) -> None:
        """Read as many frames as there are in a block of the return, before the return's meters get it.

        Parameters
        ----------
        came : array
            Shape (frames, channels).
        heard : CheckedBlock
            The same.
        """
        block = self._reader.read_exact(len(came))
        if self._own is None and not np.array_equal(block, came):
            self._part_ways()
        self._take(block, CheckedBlock(block) if self._own else heard)

    def finish(self) -> None:
        """Read what is behind the end of the return; its meters are complete."""
        while len(block := self._reader.read_exact(BLOCK_FRAMES)):
            if self._own is None:
                self._part_ways()
            self._take(block, CheckedBlock(block))

    def _part_ways(self) -> None:
        """From here on the print is not the return."""
        self._own = copy.deepcopy(self._shared)
        if self._hasher is None:
            self._hasher = AudioHasher(self._reader.facts.rate, self._reader.facts.channels)
            with SoundReader(self._path) as again:
                for start in range(0, self.frames, BLOCK_FRAMES):
                    self._hasher.add(again.read_exact(min(BLOCK_FRAMES, self.frames - start)))

    def _take(self, block: NDArray[np.floating], checked: CheckedBlock) -> None:
        self.frames += len(block)
        if self._hasher is not None:
            self._hasher.add(block)
        self._loudness.add(checked)
        for meter in self._own or ():
            meter.add(checked)

    @property
    def level(self) -> Level:
        levels, true_peaks = self._own or self._shared
        return describe_level(levels.result(), true_peaks.result())

    @property
    def loudness(self) -> Loudness:
        return describe_loudness(self._loudness.result())

    @property
    def sha256(self) -> str:
        """Of its audio."""
        if self._hasher is None:
            assert self._written_sha256 is not None
            return self._written_sha256
        return self._hasher.hexdigest()
