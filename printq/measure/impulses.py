"""Whether something brief is one wrong sample.

A wrong sample is an impulse, whatever made it, and what whitening makes of an impulse is known. So a matched filter is
asked (North, 1943: in white noise nothing finds a known shape more surely), however small a share of the music the
impulse is. Clean material has other shapes, or has them again: the crest of a note is bent in every period. Hence:

- beside a gain that may have a slope, one impulse explains nearly all that is left in a millisecond (`explained`);
- nothing in the 20 ms on either side is as much like one, as large a share of what was expected (`alone_db`).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

__all__ = ["AROUND", "alone_db", "explained"]

Real = NDArray[np.floating]
Signal = NDArray[np.float64]

AROUND = 60
"""Cells to either side of a suspicion that are looked at: 20 ms, a period of a note of 50 Hz."""
SMOOTH = 5
"""Cells over which a gain is taken."""
HIDDEN = 4
"""Cells to either side of a suspicion whose gain it may have spoiled: there the gain is a line."""
MOSTLY = 0.75
"""At most the rest of what is left is taken for noise."""
LEAST = 1e-30


def explained(returned: Real, expected: Real, impulse: Real, near: int) -> tuple[float, int]:
    """The part of what is left in some place that one impulse explains beside a gain with a slope.

    Parameters
    ----------
    returned, expected : NDArray
        Whitened, shape (n,).
    impulse : NDArray
        An impulse, whitened, shape (2k + 1,).
    near : int
        How far from the middle the strongest may be, in samples; n is at least 2 near + 4k + 1.

    Returns
    -------
    part : float
        Of what is left from 2k samples before to 2k behind.
    place : int
        Sample at which the strongest is.
    """
    half, reach, middle = len(impulse) // 2, len(impulse) - 1, len(returned) // 2
    around = slice(middle - near - reach, middle + near + reach + 1)
    back, wanted = returned[around], expected[around]
    rest = back - float(back @ wanted) / (float(wanted @ wanted) + 1.0) * wanted
    alike = np.abs(np.correlate(rest, impulse, "same"))[reach : reach + 2 * near + 1]
    place = middle - near + int(np.argmax(alike))
    around = slice(place - reach, place + reach + 1)
    both = np.zeros((2, 2 * reach + 1))
    both[0] = returned[around]
    both[1, half:-half] = impulse
    rest, shape = _beside_gain(both, expected[around])
    common = float(rest @ shape)
    # The noise among it is no other shape.
    left = float(rest @ rest)
    left = max(left - len(rest), MOSTLY * left)
    return common * common / max(left * float(shape @ shape), LEAST), place


def alone_db(returned: Real, expected: Real, energies: Signal, impulse: Real, place: int, floor: float) -> float:
    """How far an impulse stands out of what is like one around it, in dB.

    Where more is expected than there, a unit's errors may be as much larger.

    Parameters
    ----------
    returned, expected : NDArray
        Whitened, shape (n,).
    energies : NDArray[np.float64]
        Of return times expectation and of the expectation squared, of each cell, shape (2, cells); the suspicion is in
        the middle one.
    impulse : NDArray
        As for `explained`.
    place : int
        Sample at which it is.
    floor : float
        Energy of noise in a cell.
    """
    count = energies.shape[1]
    cell, middle = len(returned) // count, count // 2
    both, wanted = (np.convolve(row, np.full(SMOOTH, 1.0 / SMOOTH), "same") + floor for row in energies)
    gain = both / wanted
    hidden = slice(middle - HIDDEN, middle + HIDDEN + 1)
    gain[hidden] = np.linspace(gain[hidden.start - 1], gain[hidden.stop], 2 * HIDDEN + 3)[1:-1]
    centres = (np.arange(count) + 0.5) * cell
    rest = returned - np.interp(np.arange(len(returned)), centres, gain) * expected
    # Energy that an impulse explains at each sample; of whitened noise, 1.
    alike = np.correlate(rest, impulse, "same") ** 2 / max(float(impulse @ impulse), LEAST)
    strength = float(alike[place])
    # Shifted by less than its length, an impulse is still a little like itself.
    alike[max(0, place - len(impulse) + 1) : place + len(impulse)] = 0.0
    away = alike.reshape(count, cell).max(axis=1) * np.minimum(1.0, wanted[hidden].max() / wanted)
    return 10.0 * math.log10(max(strength, LEAST) / max(float(away.max()), 1.0))


def _beside_gain(signals: Signal, expected: Real) -> Signal:
    """What of signals no gain explains that has a slope, shape (signals, n)."""
    gains = np.empty((2, len(expected)))
    gains[0] = expected
    np.multiply(expected, np.linspace(-1.0, 1.0, len(expected)), out=gains[1])
    # Whitened noise has a power of 1: of less no gain is known.
    known = gains @ gains.T + np.eye(2)
    return np.asarray(signals - np.linalg.solve(known, gains @ signals.T).T @ gains)
