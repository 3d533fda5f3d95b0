"""Runs of samples at full scale."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from printq.measure.blocks import check_block

__all__ = ["ClipFinder", "ClipResult", "ClipRun"]

MIN_RUN = 3
MOST_KEPT = 10_000
NEAR_FULL_SCALE = 1.0 - 2.0**-23
"""Within one step of 24 bits below full scale; common practice."""


@dataclass(frozen=True)
class ClipRun:
    """A run of at least three samples at one end of the range."""

    channel: int
    start_frame: int
    length: int


@dataclass(frozen=True)
class ClipResult:
    """The runs found, by start; of each channel the first 10 000 are kept, all are counted."""

    count: int
    runs: tuple[ClipRun, ...]


class ClipFinder:
    """Finds runs of three or more consecutive samples at full scale, with one sign.

    Parameters
    ----------
    channels : int
    full_scale : float
        Linear; a sample of this magnitude or more is at full scale.
    """

    def __init__(self, channels: int, full_scale: float = NEAR_FULL_SCALE) -> None:
        self._full_scale = full_scale
        self._sides = [_Side(channel) for channel in range(channels)]
        self._frames = 0

    def add(self, block: NDArray[np.floating]) -> None:
        """Add samples, shape (frames, channels).

        Raises
        ------
        ValueError
            The shape is another.
        UnmeasurableError
            A sample is not a finite number; nothing of the block is counted then.
        """
        check_block(block, len(self._sides))
        for side in self._sides:
            samples = block[:, side.channel]
            at_end = (samples >= self._full_scale).astype(np.int8) - (samples <= -self._full_scale)
            side.add(at_end, self._frames)
        self._frames += len(block)

    def result(self) -> ClipResult:
        """The runs in all that has been added."""
        found = [run for side in self._sides for run in side.so_far(self._frames)]
        count = sum(side.count_so_far(self._frames) for side in self._sides)
        return ClipResult(count, tuple(sorted(found, key=lambda run: (run.start_frame, run.channel))))


class _Side:
    """One channel: the runs that are over, and the one that the last block may have ended in."""

    def __init__(self, channel: int) -> None:
        self.channel = channel
        self._count = 0
        self._runs: list[ClipRun] = []
        self._sign = 0
        self._started = 0

    def add(self, at_end: NDArray[np.int8], frames_before: int) -> None:
        """Follow the samples: 1 and -1 at either end of the range, 0 between."""
        if not self._sign and not at_end.any():
            return
        signs = np.concatenate((np.array([self._sign], dtype=np.int8), at_end))
        for place in np.flatnonzero(np.diff(signs)):
            frame = frames_before + int(place)
            if self._is_run(frame):
                self._count += 1
                if len(self._runs) < MOST_KEPT:
                    self._runs.append(ClipRun(self.channel, self._started, frame - self._started))
            self._sign, self._started = int(signs[place + 1]), frame

    def so_far(self, end: int) -> list[ClipRun]:
        """The runs kept, with the one that reaches the end."""
        if self._is_run(end) and len(self._runs) < MOST_KEPT:
            return [*self._runs, ClipRun(self.channel, self._started, end - self._started)]
        return self._runs

    def count_so_far(self, end: int) -> int:
        return self._count + self._is_run(end)

    def _is_run(self, end: int) -> bool:
        return self._sign != 0 and end - self._started >= MIN_RUN
