"""How much more is to be asked of a suspicion because of what is around it.

A fault is a surprise: it comes once, whatever the stem does. Units that bend, gate or shape make errors of their own,
and these have company. Each of these reasons for doubt is measured in the 67 ms on either side of a suspicion, from
the energies of its cells (`dropouts`), and each is a number of dB that grows from nothing:

- the stem sets in: nobody knows how fast a unit is when it takes hold;
- the return sets in, for good: a gate opens with a click;
- as much is left unexplained on both sides, far away: each crest of a bass note is bent alike;
- the gain is another one for good: a gate has opened. Beyond both edges of a gap it is the same;
- for some time less and less is heard: a gate is closing;
- the same comes at equal intervals: each period of a tone is bent alike;
- a gain that moves in one direction explains what is left;
- the response that was learnt has changed in between, so that what was expected has another level on either side; or
  the whitening has, so that what is heard has;
- something far louder has just ended, and rings on as no response says that was learnt from it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "BEYOND",
    "NEAR",
    "fall_db",
    "half_closed",
    "in_step",
    "lasting_rise_db",
    "left_by_moving_gain",
    "onset_db",
    "recurrence_db",
    "response_change_db",
    "step_db",
    "whitening_change_db",
]

Signal = NDArray[np.float64]

LEAST = 1e-12
BEFORE = 30
"""Cells before a suspicion that tell what was there: 10 ms."""
FAR = 140
"""Cells; no part of a fault is farther from another, as far as one is looked for at once: 47 ms."""
NEAR, BEYOND = (5, 48), (140, 196)
"""Cells from a place on: 2 to 16 ms, and 47 to 65 ms."""
UNEXPLAINED, SURE = 0.2, 1.6
"""Part that is left at most where a gain explains what is heard, and cells of noise it explains at least."""
ROW = 4
"""A fault has two edges; with a third in between they may come at equal intervals."""
FALLEN = 0.2
"""A gain that falls keeps at least this part."""
LASTING = 60
"""Cells: 20 ms."""
AWAY = 60
"""Cells at either end that tell what is heard when nothing closes."""
HALF_CLOSED, MOSTLY = (0.01, 0.25), 0.7
"""What is heard in a gate on its way, in power, against that; and part of it that the stem explains."""
SEAM_CELLS = 20
"""On either side of where the response changes: 7 ms."""


def onset_db(expected: Signal, low: int, high: int, floor: float) -> float:
    """By how much more is expected within [low, high) than in the 10 ms before, in dB.

    Parameters
    ----------
    expected : NDArray[np.float64]
        Energies of cells, shape (cells,).
    low, high : int
    floor : float
        Energy that is noise: below it nothing sets in.
    """
    before = expected[max(0, low - BEFORE) : max(1, low - 2)].mean()
    return _ratio_db(float(expected[low:high].mean()) + floor, float(before) + floor)


def recurrence_db(rest: Signal, expected: Signal, place: int, length: int, floor: float) -> float:
    """How far what is left in a piece around a place stands out of pieces far away, in dB, on the quieter side.

    A long fault leaves much on one side of its edge. Where more is expected than here, as much more may be left.

    Parameters
    ----------
    rest, expected : NDArray[np.float64]
        Energies that are left, and that were expected, shape (cells,).
    place, length : int
        Cells.
    floor : float
        Energy of noise.
    """
    left, wanted = _pieces(rest, length), _pieces(expected, length) + floor
    # The piece that begins at a cell has its middle half a length further on.
    middle = place - length // 2
    here = slice(max(0, middle - 1), middle + 2)
    alike = left * np.minimum(1.0, wanted[here].max() / wanted)
    away = (alike[: max(0, middle - FAR)], alike[middle + FAR :])
    return _ratio_db(float(left[here].max()), min(float(side.max(initial=floor)) for side in away))


def step_db(energies: Signal, place: int, away: tuple[int, int], floor: float) -> float:
    """By how much the gain differs between the two sides of a place, in dB; 0 unless one explains either side.

    In a gap there is nothing to be explained, in a repeat there is something else.

    Parameters
    ----------
    energies : NDArray[np.float64]
        The return squared, return times expectation, and the expectation squared, shape (3, cells).
    place : int
    away : tuple[int, int]
        From how many cells away to how many the sides reach.
    floor : float
        Energy of noise in a cell.
    """
    near, far = away
    # Close by, noise is no excuse for what is left: it may be a brief gap.
    noise = 2.0 * floor if away == BEYOND else 0.0
    before = _gain(energies[:, max(0, place - far + 1) : max(0, place - near + 1)], floor, noise)
    behind = _gain(energies[:, place + near : place + far], floor, noise)
    return abs(20.0 * math.log10(behind / before)) if before > 0.0 and behind > 0.0 else 0.0


def _gain(energies: Signal, floor: float, noise: float) -> float:
    """The gain that explains what is heard in some cells but for some noise in each; 0 if none does beyond doubt."""
    heard, both, expected = energies.sum(axis=1)
    explained = both**2 / max(expected, LEAST)
    left = heard - explained
    if both <= 0.0 or explained < SURE * floor or left > max(UNEXPLAINED * heard, noise * energies.shape[1]):
        return 0.0
    return float(both / expected)


def half_closed(energies: Signal, low: int, high: int, floor: float) -> int:
    """In how many cells of [low, high) the stem is heard, but 6 to 20 dB below what it is far away on the louder side.

    In a gap there is no such cell, but for its edges; in a repeat the stem is not heard.

    Parameters
    ----------
    energies : NDArray[np.float64]
        As for `step_db`.
    low, high : int
    floor : float
        Energy of noise in a cell.
    """
    usual = max(_gain(energies[:, side], floor, 0.0) for side in (slice(0, AWAY), slice(-AWAY, None)))
    heard, both, expected = energies[:, low:high]
    due = usual * usual * expected
    explained = (both > 0.0) & (both * both > MOSTLY * heard * expected) & (heard > 3.0 * floor)
    return int(np.count_nonzero(explained & (heard > HALF_CLOSED[0] * due) & (heard < HALF_CLOSED[1] * due)))


def left_by_moving_gain(energies: Signal, floor: float) -> Signal:
    """Energy of each cell that is left by the gain that moves in one direction and leaves the least, shape (cells,).

    It may rise from nothing, as that of a gate; where it falls to nothing, a gap begins.

    Parameters
    ----------
    energies : NDArray[np.float64]
        As for `step_db`.
    floor : float
        Energy of noise; what a gain was is known where more is expected.
    """
    from scipy.optimize import isotonic_regression

    heard, both, expected = energies
    weights = np.maximum(expected, LEAST)
    best = heard
    for rising in (True, False):
        gain = np.maximum(isotonic_regression(both / weights, weights=weights, increasing=rising).x, 0.0)
        if not rising:
            gain = np.maximum(gain, FALLEN * gain[expected > floor].max(initial=0.0))
        left = np.maximum(heard - 2.0 * gain * both + gain * gain * expected, 0.0)
        if left.sum() < best.sum():
            best = left
    return np.asarray(best)


def response_change_db(energies: Signal, seam: int, floor: float) -> float:
    """By how much more or less is expected of the same sound behind a seam than before it, in dB; 0 at the ends.

    Parameters
    ----------
    energies : NDArray[np.float64]
        As for `step_db`.
    seam : int
        First cell behind it.
    floor : float
        Energy of noise; nothing is said where less is expected.
    """
    if not SEAM_CELLS <= seam <= energies.shape[1] - SEAM_CELLS:
        return 0.0
    before = energies[:, seam - SEAM_CELLS : seam].mean(axis=1)
    behind = energies[:, seam : seam + SEAM_CELLS].mean(axis=1)
    heard = _ratio_db(behind[0], before[0])
    expected = _ratio_db(behind[2] + floor, before[2] + floor)
    return abs(expected - heard) if abs(expected) > abs(heard) else 0.0


def whitening_change_db(heard: Signal, raw: Signal, seam: int) -> float:
    """By how much what is heard changes behind a seam, whitened, beside how it changes as it is, in dB; 0 at the ends.

    Of cells in the middle of either side, so that nothing brief counts.

    Parameters
    ----------
    heard, raw : NDArray[np.float64]
        The return squared, whitened and as it is, shape (cells,).
    seam : int
        First cell behind it.
    """
    if not SEAM_CELLS <= seam <= len(heard) - SEAM_CELLS:
        return 0.0
    sides = slice(seam - SEAM_CELLS, seam), slice(seam, seam + SEAM_CELLS)
    whitened, plain = ([float(np.median(row[side])) for side in sides] for row in (heard, raw))
    return abs(_ratio_db(whitened[1], whitened[0]) - _ratio_db(plain[1], plain[0]))


def lasting_rise_db(raw: Signal, low: int, high: int) -> float:
    """By how much louder the return is in the 20 ms behind [low, high) than in those before, in dB; both are medians.

    Parameters
    ----------
    raw : NDArray[np.float64]
        Its power as it is, shape (cells,).
    low, high : int
    """
    before, behind = raw[max(0, low - LASTING) : low], raw[high : high + LASTING]
    return _ratio_db(float(np.median(behind)), float(np.median(before)))


def fall_db(heard: Signal, low: int, high: int) -> float:
    """How far what is heard within [low, high) lies below the loudest cell before it, in dB.

    Parameters
    ----------
    heard : NDArray[np.float64]
        The return squared, shape (cells,).
    low, high : int
    """
    return _ratio_db(float(heard[:low].max(initial=0.0)), float(heard[low:high].mean()))


def in_step(starts: Sequence[int], most_apart: int, tolerance: int) -> set[int]:
    """Those of some places that are in a row of four or more at equal intervals.

    Parameters
    ----------
    starts : Sequence[int]
        In any order.
    most_apart : int
        Longest interval.
    tolerance : int
        By which intervals that follow each other may differ.
    """
    found: set[int] = set()
    row: list[int] = []
    for start in sorted(set(starts)):
        if len(row) > 1 and abs((start - row[-1]) - (row[-1] - row[-2])) > tolerance:
            row = row[-1:]
        if row and start - row[-1] > most_apart:
            row = []
        row.append(start)
        if len(row) >= ROW:
            found.update(row)
    return found


def _pieces(energies: Signal, length: int) -> Signal:
    """Mean of energies[i : i + length] for each i."""
    sums = np.concatenate(([0.0], np.cumsum(energies)))
    return np.asarray((sums[length:] - sums[:-length]) / length)


def _ratio_db(one: float, other: float) -> float:
    return 10.0 * math.log10(max(one, LEAST) / max(other, LEAST))
