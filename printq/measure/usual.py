"""What is usual in a take: how large the rest is against what was expected, and how high the scores are."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from printq.measure.cells import MOST_SHARE, CellLooks
from printq.measure.tracking import CELLS

__all__ = ["LEAST_SCORE", "LEAST_SHARE", "ScoreTail", "UsualShares", "highest_of_each"]

Signal = NDArray[np.float64]

LEAST_SCORE = 3.5
"""Nothing that has less is a fault, in dB."""
SHARE_QUANTILE, SHARE_MARGIN = 0.999, 7.0
LEAST_SHARE = -20.0
SHARE_CELLS = 2000
"""A fault is a larger share of what was expected than all but a thousandth of the cells that are as loud have; until
so many are known, and at most, 5 dB below it."""
NEWS = 0.02
"""Part by which the cells must have become more for the table to be worked out again."""
TAIL_RANKS, TAIL_SLOPE, TAIL_MARGIN = (2, 8, 32, 128), 2.3, 4.0
"""The scores of a take fall by at most 2.3 dB each time that e times as many blocks reach them (measured: 0.8 for
tape, 1.1 for a valve, 2.3 for a transient shaper)."""


@dataclass
class UsualShares:
    """How large the rest is against what was expected, by loudness: counts of cells."""

    LOW, STEP, LEVELS, SHARES = -120.0, 3.0, 45, 30
    counts: NDArray[np.int64] = field(default_factory=lambda: np.zeros((45, 30), dtype=np.int64))
    table: Signal = field(default_factory=lambda: np.full(45, MOST_SHARE))
    """Share that a fault must exceed, by class of loudness."""
    _known: int = 0
    """Cells of which the table tells."""
    _news: int = 0

    def add(self, looks: CellLooks, levels: NDArray[np.intp]) -> None:
        """Count cells, of which the classes of loudness are known."""
        chosen = looks.clear
        if chosen.any():
            shares = np.clip((looks.share[chosen] + 60.0) / 3.0, 0, self.SHARES - 1).astype(np.intp)
            counts = np.bincount(levels[chosen] * self.SHARES + shares, minlength=self.counts.size)
            self.counts += counts.reshape(self.counts.shape)
            self._news += len(shares)
            # A few more among many change next to nothing.
            if self._news > NEWS * self._known:
                self._known, self._news = self._known + self._news, 0
                self.table = self._shares()

    def levels(self, loudness: Signal) -> NDArray[np.intp]:
        """The class of each loudness, in dB."""
        return np.clip((loudness - self.LOW) / self.STEP, 0, self.LEVELS - 1).astype(np.intp)

    def share(self, loudness: float) -> float:
        """What a fault must exceed where the return is as loud, in dB."""
        return float(self.table[self.levels(np.array([loudness]))][0])

    def _shares(self) -> Signal:
        # What is as loud or louder counts, and a little below.
        louder = np.cumsum(self.counts[::-1], axis=0)[::-1]
        louder = np.concatenate((louder[:2], louder[:-2]))
        total = louder.sum(axis=1)
        above = np.cumsum(louder[:, ::-1], axis=1)[:, ::-1]
        # First class that so few exceed.
        few = above <= (1.0 - SHARE_QUANTILE) * total[:, np.newaxis]
        place = np.where(few.any(axis=1), few.argmax(axis=1), self.SHARES)
        share = np.clip(-60.0 + 3.0 * place + SHARE_MARGIN, LEAST_SHARE, MOST_SHARE)
        return np.where(total >= SHARE_CELLS, share, MOST_SHARE)


@dataclass
class ScoreTail:
    """The highest score of each block of a take, counted in classes of half a dB."""

    LOW, STEP, CLASSES = -40.0, 0.5, 240
    counts: NDArray[np.int64] = field(default_factory=lambda: np.zeros(240, dtype=np.int64))

    def add(self, scores: Signal) -> None:
        """The scores of all cells of some blocks."""
        self.add_highest(highest_of_each(scores, CELLS))

    def add_highest(self, highest: Signal, times: int = 1) -> None:
        """The highest scores of some blocks, which stand for so many times as many."""
        classes = np.clip((highest - self.LOW) / self.STEP, 0, self.CLASSES - 1).astype(np.intp)
        self.counts += times * np.bincount(classes, minlength=self.CLASSES)

    def threshold(self) -> float:
        """What a score must reach: further out than the tail of all scores goes on.

        From the score of a rank, the tail is drawn out to the first; the rank at which it ends lowest counts, so that
        a few faults do not hide each other.
        """
        from_top = np.cumsum(self.counts[::-1])
        limits = []
        for rank in TAIL_RANKS:
            if from_top[-1] > rank:
                place = self.CLASSES - 1 - int(np.searchsorted(from_top, rank, side="right"))
                limits.append(self.LOW + self.STEP * (place + 1) + TAIL_SLOPE * math.log(rank + 1) + TAIL_MARGIN)
        return max(LEAST_SCORE, min(limits, default=LEAST_SCORE))


def highest_of_each(scores: Signal, length: int) -> Signal:
    """The highest of every so many."""
    return np.asarray(np.maximum.reduceat(scores, np.arange(0, len(scores), length)))
