"""Runs of samples at full scale."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

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
    """The runs found, by start; at most 10 000 are kept, all are counted."""

    count: int
    runs: tuple[ClipRun, ...]


class ClipFinder:
    """Finds runs of three or more consecutive samples at full scale, with one sign."""

    def __init__(self, channels: int, full_scale: float = NEAR_FULL_SCALE) -> None:
        self._full_scale = full_scale
        self._frames = 0
        self._count = 0
        self._runs: list[ClipRun] = []
        # For each channel and sign: start of the run that the last block ended in, or None.
        self._open: dict[tuple[int, int], int | None] = {
            (channel, sign): None for channel in range(channels) for sign in (1, -1)
        }

    def add(self, block: NDArray[np.floating]) -> None:
        """Add samples, shape (frames, channels)."""
        for (channel, sign), started in self._open.items():
            at_end = block[:, channel] * sign >= self._full_scale
            if started is None and not at_end.any():
                continue
            edges = np.diff(np.concatenate(([0 if started is None else 1], at_end.astype(np.int8))))
            starts = [self._frames + int(i) for i in np.flatnonzero(edges == 1)]
            ends = [self._frames + int(i) for i in np.flatnonzero(edges == -1)]
            if started is not None:
                starts.insert(0, started)
            for start, end in zip(starts, ends, strict=False):
                self._keep(channel, start, end)
            self._open[channel, sign] = starts[-1] if len(starts) > len(ends) else None
        self._frames += len(block)

    def result(self) -> ClipResult:
        """The runs in all that has been added."""
        found = ClipFinder.__new__(ClipFinder)
        found._count, found._runs = self._count, list(self._runs)
        for (channel, _), started in self._open.items():
            if started is not None:
                found._keep(channel, started, self._frames)
        return ClipResult(found._count, tuple(sorted(found._runs, key=lambda run: (run.start_frame, run.channel))))

    def _keep(self, channel: int, start: int, end: int) -> None:
        if end - start >= MIN_RUN:
            self._count += 1
            if len(self._runs) < MOST_KEPT:
                self._runs.append(ClipRun(channel, start, end - start))
