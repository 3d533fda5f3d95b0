"""Whether a gain that rises explains what stands out: a gate that opens.

A gate may open within a tenth of a millisecond, while the stem sounds. That is a click, and whitened it stands out of
everything; yet it is what the unit was set to do. Whitening hides why: it spreads the edge, and no gain of a cell of
16 samples fits. So the gain is sought before whitening and for each sample by itself, the one of all that never fall
which leaves the least (isotonic regression; Barlow et al., 1972). If what it leaves, whitened, is no more beside the
edge than further away, there is nothing else.

Of a fault much is left: a wrong sample comes back from where it went, a copy is other music, and a gap begins with a
fall. How a gap ends is another matter: that is like a gate, but for its sharpness, and its beginning tells of it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["AROUND", "opens"]

Real = NDArray[np.floating]
Signal = NDArray[np.float64]

AROUND = 30
"""Cells before a suspicion and behind it in which the gain may rise: 10 ms."""
BESIDE = 6
"""Cells to either side of it that must have nothing left."""
RISES = 1.5
"""The gain at the end is at least so many times that at the beginning."""
MOST_LEFT = 5.0
"""In a cell beside the edge may be so many times what is left further away, where that is less, or the noise. Of 31
times that a gate opened at once, or seemed to, in 30 hours of clean takes, 23 left up to 3, the others 11 and more."""
OPEN_LEFT = 0.01
"""Of what is heard in a cell, in power, or behind the edge: that may be a unit's own error."""
SAMPLES, SHARP = 8, 0.04
"""To either side of an edge; and what may be wrong there, as parts of what would be heard, where a gap ends."""
LEAST = 1e-14


def opens(heard: Real, expected: Real, taps: Real, low: int, high: int, cell: int) -> bool:
    """Whether a rising gain explains what stands out in [low, high).

    Parameters
    ----------
    heard, expected : NDArray
        Return and expectation, not whitened, shape (n,); `AROUND` cells before `low` and behind `high` at least.
    taps : NDArray
        What whitens them, shape (2k + 1,): then noise has a power of 1.
    low, high : int
        Samples.
    cell : int
        Samples to a cell.
    """
    from scipy.optimize import isotonic_regression

    first = low - AROUND * cell
    cells = 2 * AROUND - (low - high) // cell
    around = slice(first, first + cells * cell)
    x, e = heard[around].astype(np.float64), expected[around].astype(np.float64)
    weights = e * e + LEAST
    gain = np.maximum(isotonic_regression(x * e / weights, weights=weights).x, 0.0)
    if gain[-1] < RISES * gain[0]:
        return False
    if _is_sharp(x, e, gain):
        return False
    left, whole = (
        np.asarray((np.convolve(each, taps, "same") ** 2).reshape(cells, cell).sum(axis=1))
        for each in (x - gain * e, x)
    )
    # Nothing is known of what is before the first sample, and the filter reaches so far.
    inner = len(taps) // 2 // cell + 1
    near = slice(AROUND - BESIDE, cells - AROUND + BESIDE)
    sides = slice(inner, near.start), slice(near.stop, cells - inner)
    usual = max(min(float(left[side].mean()) for side in sides), float(cell))
    # Where the gate is open, the unit's own errors are among what is left, if it is so little.
    behind = left[sides[1]].mean()
    if behind < OPEN_LEFT * whole[sides[1]].mean():
        usual = max(usual, float(behind))
    return bool((left < np.maximum(MOST_LEFT * usual, OPEN_LEFT * whole))[near].all())


def _is_sharp(x: Signal, e: Signal, gain: Signal) -> bool:
    """Whether from one sample to the next all is back: a gap has ended so, and no gate opens in less than 0.1 ms."""
    opened = float(gain[-1])
    place = int(np.argmax(gain > 0.5 * opened))
    before, behind = slice(max(0, place - SAMPLES), place), slice(place, place + SAMPLES)
    due = [opened * opened * float(e[side] @ e[side]) + LEAST for side in (before, behind)]
    wrong = float(x[before] @ x[before]), float(((x[behind] - opened * e[behind]) ** 2).sum())
    return sum(each / whole for each, whole in zip(wrong, due, strict=True)) < SHARP
