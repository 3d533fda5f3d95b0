"""How the cells of a take look: thirds of a millisecond of what came back, against what was expected.

A cell is known by three energies, whitened: of the return, of the expectation, and what the two have in common. The
best gain between them is free to move as fast as a compressor moves it; what it leaves is the rest.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

__all__ = ["COLLAPSED", "CONTEXT", "SILENT", "SPELLS", "CellLooks", "Spells", "in_db", "look"]

Signal = NDArray[np.float64]

CONTEXT = 200
"""Cells that are known to either side of those that are looked at: 67 ms."""
SILENT, LEAST_POWER = -120.0, 1e-12
FALLEN, COLLAPSED = 0.7, 0.2
"""A gain may fall to this part of what it is on either side; a cell with less than the second has lost the stem."""
MOVES = (6, 11, 16)
"""Cells at which the gain on either side is looked up: 2 to 5 ms away."""
SET_IN_DB = 8.0
"""Where there was nothing before, a unit's errors may be so much larger."""
STEPPED, STEP_RAW_DB = 2.0, 20.0
"""Where the gain is so much larger on one side than on the other, its step is heard like an impulse."""
LOST_DB = 12.0
"""Less a cell stands out among others that the stem does not explain."""
PAST_CELLS = 30
"""What is older than 10 ms may be heard again as an echo."""
MOST_SHARE = -5.0
"""Share of what may be an echo, in dB, from which on something is more than one."""
REPEAT_ABOVE, REPEAT_SHARE = 8.0, -4.0
"""A longer repeat: the part that no gain explains is this far over that of its surroundings, and near the whole."""
REPEAT_HOP = 2
SPELLS = (4, 8, 16, 32, 64, 136)
"""Cells: 1.3 to 45 ms."""


@dataclass(frozen=True)
class CellLooks:
    """How cells look, each a number in dB for each cell."""

    neighbours: Signal
    """The rest over that of the neighbours."""
    share: Signal
    """The rest over what was expected."""
    raw: Signal
    """The rest, as an impulse, over the return's own power nearby."""
    repeat: Signal
    """Score as a longer repeat."""
    loudness: Signal
    """Power of the return nearby."""
    level: Signal
    """Of an impulse as strong as the rest."""
    rest: Signal
    """Its energy, not in dB."""
    onset: Signal
    """The rest over that of what is before."""
    clear: NDArray[np.bool_]
    """Where much more was expected than is usually left."""
    spells: Spells


def look(cells: Signal, cell: int, echo_db: float, heard: float) -> CellLooks:
    """Look at all cells but the context at both ends.

    Parameters
    ----------
    cells : array
        Shape (5, n): energies of return, of both together and of the expectation; mean power of the return as it is;
        energy that an impulse of 1 has.
    cell : int
        Samples to a cell.
    echo_db : float
        What of the sound heard before may come again, in dB; minus infinity for nothing.
    heard : float
        Energy of the loudest cell before these.
    """
    from scipy.ndimage import maximum_filter1d

    rr, rp, pp, raw, impulse = cells
    inner = slice(CONTEXT, -CONTEXT)
    floor = 0.1 * cell
    energies = _Means(rr), _Means(rp), _Means(pp)
    gain, low, high = _bounds(energies, cell)
    # Nor does any gain fall to next to nothing and come back: that is a gap.
    low = np.where(rp < COLLAPSED * low * pp, low, FALLEN * low)
    # After a rest a compressor has let go, by as much as it likes.
    bound = np.clip(gain, low, np.where(low > 0.0, 1.4 * high, 1e3))
    rest = bound * pp
    rest -= 2.0 * rp
    rest *= bound
    rest += rr
    np.maximum(rest, 0.0, out=rest)
    rests = _Means(rest)
    usual = np.maximum(rests.over(-20, -2), rests.over(3, 21))
    calm = _Means(np.minimum(rest, 3.0 * usual + floor))
    before = calm.inner(-20, -2)
    usual = np.maximum(before, calm.inner(3, 21)) + floor
    wanted = np.maximum(bound, high)
    wanted *= wanted
    wanted *= pp
    around = _largest_of_five(wanted)
    expected = around[inner]
    loud = maximum_filter1d(raw, 61)
    own = loud * impulse
    rest_db = in_db(rest[inner])
    # Before it there was nothing: how fast a unit takes hold of what sets in is not known.
    share = rest_db - in_db(expected) - np.where(low[inner] > 0.0, 0.0, SET_IN_DB)
    early, late = (
        energies[1].inner(*each) / np.maximum(energies[2].inner(*each), floor) for each in ((-45, -4), (5, 46))
    )
    stepped = np.maximum(early, late) > STEPPED * np.minimum(early, late)
    foreign = np.minimum(calm.inner(-81, -21), calm.inner(21, 81)) > np.maximum(
        3.0 * np.maximum(energies[2].inner(-81, -21), energies[2].inner(21, 81)), 10.0 * cell
    )
    repeat = _repeat(energies, floor, len(rest_db))
    most = None
    if echo_db > -math.inf:
        past = np.maximum(np.maximum.accumulate(_moved(rr, -PAST_CELLS)), heard)
        echo = rest_db - (in_db(past) + echo_db)[inner]
        share = np.minimum(share, echo + MOST_SHARE)
        most = 10.0 ** ((echo + MOST_SHARE) / 10.0)
        repeat = np.minimum(repeat, echo)
    return CellLooks(
        neighbours=rest_db - in_db(usual) - LOST_DB * foreign,
        share=share,
        raw=rest_db - in_db(own[inner]) - STEP_RAW_DB * stepped,
        repeat=repeat,
        loudness=in_db(loud[inner]),
        level=rest_db - in_db(impulse[inner]),
        rest=rest[inner],
        onset=rest_db - in_db(before + floor),
        clear=expected > 100.0 * usual,
        spells=Spells(rest, wanted, around, own, floor, rests, energies, most),
    )


def _bounds(energies: tuple[_Means, _Means, _Means], cell: int) -> tuple[Signal, Signal, Signal]:
    """Gain over five cells; the least that is known of it on either side, 0 for nothing; and the most."""
    common, played = energies[1].over(-2, 3), energies[2].over(-2, 3)
    count, reach = len(played), MOVES[-1]
    # Where little was expected, nothing is known of the gain: it is taken for what it usually is, 1.
    gain = (common + cell) / (played + cell)
    # What is known of the gain on either side: nothing, where next to nothing was expected.
    known = _padded(np.where(played > 3.0 * cell, gain, 0.0), reach)
    gains, powers = _padded(gain, reach), _padded(played, reach)
    least = 0.03 * played
    high = np.zeros(count)
    sides = []
    for sign in (-1, 1):
        side = np.zeros(count)
        for offset in MOVES:
            there = slice(reach + sign * offset, reach + sign * offset + count)
            np.maximum(high, gains[there], out=high)
            np.maximum(side, known[there] * (powers[there] >= least), out=side)
        sides.append(side)
    return gain, np.minimum(*sides), high


def _padded(values: Signal, reach: int) -> Signal:
    """With the first and the last value repeated so many times."""
    padded = np.empty(len(values) + 2 * reach)
    padded[reach:-reach] = values
    padded[:reach], padded[-reach:] = values[0], values[-1]
    return padded


def _largest_of_five(values: Signal) -> Signal:
    """The largest of each value and the two on either side."""
    three = values.copy()
    np.maximum(three[1:], values[:-1], out=three[1:])
    np.maximum(three[:-1], values[1:], out=three[:-1])
    five = three.copy()
    np.maximum(five[1:], three[:-1], out=five[1:])
    np.maximum(five[:-1], three[1:], out=five[:-1])
    return five


@dataclass(frozen=True)
class Spells:
    """Pieces of several lengths around cells."""

    rest: Signal
    wanted: Signal
    """What was expected."""
    expected: Signal
    """The most that was expected in five cells."""
    heard: Signal
    """What an impulse as loud as the return nearby would be."""
    floor: float
    rests: _Means
    energies: tuple[_Means, _Means, _Means]
    most: Signal | None
    """Largest share that can be no echo, for a unit that has one."""

    @cached_property
    def _wanted_means(self) -> _Means:
        return _Means(self.wanted)

    def may_reach(self, share: float, raw: float) -> bool:
        """Whether there is a cell with such shares of what was expected, and of what was heard, both as powers.

        A piece that has them has cells that have; where the gain collapses, its edges have.
        """
        return bool(((self.rest > share * self.expected) & (self.rest > raw * self.heard)).any())

    def measure(self, cells: int, hop: int = 1) -> tuple[Signal, Signal, Signal]:
        """Pieces of so many cells, around every so many of those that are looked at.

        Returns
        -------
        above, share, raw : array
            The rest over that on either side, as a share of what was expected, and beside the return as it is; as
            powers.
        """
        from scipy.ndimage import maximum_filter1d

        half, away = cells // 2, cells // 2 + 3
        side = 20 + half
        within = self.rests.inner(-half, half, hop)
        rr, rp, pp = (each.inner(-half, half, hop) for each in self.energies)
        gain, beside = np.full_like(rr, np.inf), np.zeros_like(rr)
        for low, high in ((-away - side, -away), (away, away + side)):
            played = self.energies[2].inner(low, high, hop)
            known = self.energies[1].inner(low, high, hop) / np.maximum(played, 1e-9)
            known *= played > 3.0 * self.floor
            np.minimum(gain, known, out=gain)
            np.maximum(beside, played, out=beside)
        gone = (rp < COLLAPSED * gain * pp) & (pp > 0.25 * beside)
        if gone.any():
            within = np.where(gone, np.maximum(within, rr - 2.0 * gain * rp + gain * gain * pp), within)
        around = np.maximum(self.rests.inner(-away - side, -away, hop), self.rests.inner(away, away + side, hop))
        around += self.floor
        expected = np.maximum(self._wanted_means.inner(-half, half, hop), LEAST_POWER)
        share = within / expected * np.where(gain > 0.0, 1.0, 10.0 ** (-SET_IN_DB / 10.0))
        if self.most is not None:
            share = np.minimum(share, self.most[::hop])
        nearby = maximum_filter1d(self.heard[CONTEXT % hop :: hop], max(1, cells // hop))
        nearby = nearby[CONTEXT // hop :][: len(within)]
        return within / around, share, within / np.maximum(nearby, LEAST_POWER)


def _repeat(energies: tuple[_Means, _Means, _Means], floor: float, count: int) -> Signal:
    """Score for a piece of 3 ms that no gain explains, between others that one does; for every second cell."""
    heard, both, expected = (each.over(-4, 4, REPEAT_HOP) for each in energies)
    rest = _unexplained(heard, both, expected)
    means = _Means(rest)
    at = CONTEXT // REPEAT_HOP
    inner = slice(at, at + len(range(0, count, REPEAT_HOP)))
    # There must be something to be explained here and on both sides, and on both sides it must be explained.
    there = expected[inner] > 5.0 * floor
    around = np.zeros(len(there))
    for low, high in ((-195, -140), (141, 196)):
        unexplained = means.over(low // REPEAT_HOP, high // REPEAT_HOP)[inner]
        np.maximum(around, unexplained, out=around)
        there &= energies[2].inner(low, high, REPEAT_HOP) > 5.0 * floor
        there &= unexplained < 0.3 * energies[0].inner(low, high, REPEAT_HOP)
    if not there.any():
        return np.full(count, SILENT)
    rest_db = in_db(rest[inner])
    score = np.minimum(rest_db - in_db(around + floor) - REPEAT_ABOVE, rest_db - in_db(heard[inner]) - REPEAT_SHARE)
    return np.repeat(np.where(there, score, SILENT), REPEAT_HOP)[:count]


def _unexplained(heard: Signal, both: Signal, expected: Signal) -> Signal:
    """What the best gain leaves."""
    return np.maximum(heard - np.maximum(both, 0.0) ** 2 / np.maximum(expected, 1e-9), 0.0)


class _Means:
    """Means over pieces of an array."""

    def __init__(self, values: Signal) -> None:
        self._count = len(values)
        self._sums = np.empty(self._count + 1 + 2 * CONTEXT)
        self._sums[: CONTEXT + 1] = 0.0
        np.cumsum(values, out=self._sums[CONTEXT + 1 : CONTEXT + 1 + self._count])
        self._sums[CONTEXT + 1 + self._count :] = self._sums[CONTEXT + self._count]

    def over(self, low: int, high: int, hop: int = 1) -> Signal:
        """Mean of values[i + low : i + high] for every so many i, with zeros beyond the ends."""
        return self._over(CONTEXT, self._count, low, high, hop)

    def inner(self, low: int, high: int, hop: int = 1) -> Signal:
        """The same from the first i behind the context to the last before it."""
        return self._over(2 * CONTEXT, self._count - 2 * CONTEXT, low, high, hop)

    def _over(self, first: int, count: int, low: int, high: int, hop: int) -> Signal:
        sums = self._sums
        total = sums[first + high : first + high + count : hop] - sums[first + low : first + low + count : hop]
        total *= 1.0 / (high - low)
        return np.asarray(total)


def _moved(values: Signal, offset: int) -> Signal:
    """values[i + offset], the ends repeated."""
    moved = np.empty_like(values)
    if offset >= 0:
        moved[: len(values) - offset] = values[offset:]
        moved[len(values) - offset :] = values[-1]
    else:
        moved[-offset:] = values[:offset]
        moved[:-offset] = values[0]
    return moved


def in_db(power: Signal) -> Signal:
    """Decibels of powers, -120 and more."""
    found = np.maximum(power, LEAST_POWER)
    np.log10(found, out=found)
    found *= 10.0
    return found
