"""Longer stretches of a take that are not the stem: nothing comes back, or something else.

A fault that lasts longer than its two edges are compared with each other is known by what is between them. Pieces of
2.7 ms are explained by the stem or are not; a stretch is what lies between two that are for some time. Gates and
expanders leave such stretches too, and on purpose: nothing is heard in them, and they begin and end slowly. So a
stretch in which nothing is heard is only told from here on, and needs an abrupt edge to be a fault (`dropouts`); one in
which something else is heard as loud as the stem should be is a fault by itself.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

__all__ = ["PIECE", "Stretch", "StretchFinder"]

Signal = NDArray[np.float64]

PIECE = 8
"""Cells to a piece."""
SOLID = 4
"""Pieces in a row that the stem explains: what is before and behind them is not one stretch."""
SHORTEST, LONGEST = 8, 800
"""Pieces: 21 ms and 2.1 s. What is shorter is known by its edges; what lasts longer is another recording."""
BESIDE = 12
"""Pieces on either side that tell the gain."""
FLOOR = 5.0
"""So many times the noise must be expected in a piece, or heard, for anything to be said of it."""
SILENCE = 1.5
"""Noise alone is hardly more in a piece: its 128 frames differ by an eighth."""
EXPLAINED, FOREIGN = 0.3, 0.5
"""Part that the best gain leaves: less where it is the stem, more where it is something else."""
GONE = 0.1
"""Part of what is expected, in power, that is heard at most where there is nothing; and at least where there is
something else."""
MOSTLY = 0.8
"""Of the pieces of which something can be said, this part must be alike."""
KNOWN = 6
"""There must be so many such pieces."""
SURE, WELL_LEFT, HARDLY = 0.5, 0.02, 0.1
"""A fault without edges needs so large a part of such pieces; of what is beside it so little is left, and of itself no
more than the last is explained. Saturated units leave 0.04 beside what they make of a quiet passage."""
TOGETHER = 8
"""Calls whose pieces are looked at together."""
MOST = 100
"""Stretches that are remembered."""
MOST_FOREIGN = 4
"""In a take. What comes more often is how a unit is."""


@dataclass(frozen=True)
class Stretch:
    """Frames from `start` to `end` that are not the stem."""

    start: int
    end: int
    kind: Literal["gap", "repeat"]
    """gap: nothing is heard; repeat: something else."""
    level: float
    """Of the largest deviation, as the square of an impulse that would be as strong."""
    sure: bool
    """Whether it is a fault whatever its edges are like."""


@dataclass
class StretchFinder:
    """Finds stretches from the energies of cells, in order.

    Parameters
    ----------
    cell : int
        Frames to a cell; cells are whitened, so that noise has an energy of 1 a frame.
    """

    cell: int
    _waiting: list[tuple[Signal, bool]] = field(default_factory=list)
    """Pieces that were taken and not looked at yet; some at a time cost much less."""
    _pieces: Signal = field(default_factory=lambda: np.zeros((4, 0)))
    """Energies, and largest level, of what may belong to a stretch that has not ended, and of what is before it."""
    _first: int = 0
    """Frame at which they begin."""
    _trusted: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, dtype=bool))
    _found: list[Stretch] = field(default_factory=list)

    def add(self, energies: Signal, levels: Signal, first: int, *, trusted: bool) -> None:
        """Take cells.

        Parameters
        ----------
        energies : array
            Of the return, of both together and of the expectation, shape (3, cells); whole pieces.
        levels : array
            What is left in each, as the square of an impulse that would be as strong, shape (cells,).
        first : int
            Frame of the first cell; where cells follow on those before, the next one.
        trusted : bool
            Whether the unit is one whose return follows from the stem: one without echoes.
        """
        pieces = np.empty((4, len(levels) // PIECE))
        np.matmul(energies.reshape(3, -1, PIECE), np.ones(PIECE), out=pieces[:3])
        np.maximum.reduceat(levels, np.arange(0, len(levels), PIECE), out=pieces[3])
        if not self._pieces.shape[1] and not self._waiting:
            self._first = first
        self._waiting.append((pieces, trusted))
        if len(self._waiting) >= TOGETHER:
            self._look()

    def _look(self) -> None:
        """Look at what waits; without anything new, what is kept would be judged once more."""
        if not self._waiting:
            return
        self._pieces = np.concatenate((self._pieces, *(pieces for pieces, _ in self._waiting)), axis=1)
        known = [np.full(pieces.shape[1], trusted) for pieces, trusted in self._waiting]
        self._trusted = np.concatenate((self._trusted, *known))
        self._waiting = []
        count = self._pieces.shape[1]
        begins = count
        for low, high in _runs(~self._solid()):
            if high == count:
                begins = low
            elif low > 0 and SHORTEST <= high - low <= LONGEST and len(self._found) < MOST:
                self._judge(low, high)
        gone = max(0, max(begins, count - LONGEST - 1) - BESIDE)
        self._pieces, self._trusted = self._pieces[:, gone:], self._trusted[gone:]
        self._first += gone * PIECE * self.cell

    def result(self) -> list[Stretch]:
        """What has been found, by start."""
        self._look()
        if sum(each.kind == "repeat" for each in self._found) > MOST_FOREIGN:
            return [each for each in self._found if not each.sure]
        return list(self._found)

    def _solid(self) -> NDArray[np.bool_]:
        """Pieces that are explained, with enough of them beside each other."""
        heard, both, expected, _ = self._pieces
        explained = (_left(self._pieces[:3]) < EXPLAINED * heard) & (both > 0.0) & (expected > FLOOR * self._noise)
        solid = np.zeros(len(explained), dtype=bool)
        for low, high in _runs(explained):
            solid[low:high] = high - low >= SOLID
        return solid

    @property
    def _noise(self) -> float:
        return float(PIECE * self.cell)

    def _judge(self, low: int, high: int) -> None:
        sides = [self._pieces[:, max(0, low - BESIDE) : low], self._pieces[:, high : high + BESIDE]]
        gain = min(float(side[1].sum() / max(side[2].sum(), 1e-9)) for side in sides)
        heard, _, expected, levels = self._pieces[:, low:high]
        due = gain**2 * expected
        left = _left(self._pieces[:3, low:high])
        gone = (due > FLOOR * self._noise) & (heard < np.maximum(GONE * due, SILENCE * self._noise))
        foreign = (due > FLOOR * self._noise) & (heard > np.maximum(GONE * due, FLOOR * self._noise))
        foreign &= left > FOREIGN * heard
        foreign &= ~gone
        alike = max(gone, foreign, key=np.count_nonzero)
        known = int(np.count_nonzero(due > FLOOR * self._noise))
        if known < KNOWN or np.count_nonzero(alike) < MOSTLY * known:
            return
        # What lies before and behind in the stem's own silence is no part of it.
        first, last = np.flatnonzero(alike)[[0, -1]].tolist()
        if last + 1 - first < SHORTEST:
            return
        start, end = (self._first + place * PIECE * self.cell for place in (low + first, low + last + 1))
        sure = (
            alike is foreign
            and known > SURE * (last + 1 - first)
            and bool(self._trusted[low - 1 : high].all())
            and all(self._is_well_explained(side) for side in sides)
            and heard[alike].sum() - left[alike].sum() < HARDLY * heard[alike].sum()
        )
        kind: Literal["gap", "repeat"] = "repeat" if alike is foreign else "gap"
        self._found.append(Stretch(start, end, kind, float(levels[first : last + 1].max()), sure))

    def _is_well_explained(self, side: Signal) -> bool:
        """Whether next to nothing but noise is left of some pieces."""
        noise = SILENCE * self._noise * side.shape[1]
        return bool(_left(side[:3]).sum() < WELL_LEFT * side[0].sum() + noise)


def _left(energies: Signal) -> Signal:
    """What the best gain leaves of each piece; none turns it over."""
    heard, both, expected = energies
    return np.asarray(heard - np.maximum(both, 0.0) ** 2 / np.maximum(expected, 1e-9))


def _runs(where: NDArray[np.bool_]) -> Iterator[tuple[int, int]]:
    """First and last (exclusive) of each run of true values."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], where, [False])).astype(np.int8)))
    yield from zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)
