"""How the cells of a take look: thirds of a millisecond of what came back, against what was expected.

A cell is known by three energies, whitened: of the return, of the expectation, and what the two have in common. The
best gain between them is free to move as fast as a compressor moves it; what it leaves is the rest.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "CLEARLY_LEFT",
    "COLLAPSED",
    "CONTEXT",
    "NEVER",
    "SILENT",
    "SPELLS",
    "CellLooks",
    "Spells",
    "in_db",
    "largest",
    "look",
]

Signal = NDArray[np.float64]
Number = TypeVar("Number", bound=np.generic)

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
LOUD_CELLS = 61
"""Return that is nearby: 20 ms."""
SIDE_HOP = 4
"""What is on either side of a cell is looked at for every fourth."""
QUIET, QUIET_LEFT = 0.01, 0.3
"""Power against the return nearby, and the rest against what was expected."""
CLEARLY_LEFT = 4.0
"""The rest against noise."""
PAST_CELLS = 30
"""What is older than 10 ms may be heard again as an echo."""
MOST_SHARE = -5.0
"""Share of what may be an echo, in dB, from which on something is more than one."""
REPEAT_ABOVE, REPEAT_SHARE = 8.0, -4.0
"""A longer repeat: the part that no gain explains is this far over that of its surroundings, and near the whole."""
REPEAT_HOP = 2
NEVER = -12.5
"""A score that no threshold of a take depends on: below this it need not be known."""
SUMMED = 16
UP_TO = np.triu(np.ones((SUMMED, SUMMED)))
"""Sums of so many values."""
SPELLS = (4, 8, 16, 32, 64, 136)
"""Cells: 1.3 to 45 ms."""


@dataclass(frozen=True)
class CellLooks:
    """How cells look: numbers for each cell, in dB but for two energies."""

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
    rest: Signal
    """Its energy, not in dB."""
    before: Signal
    """Usual energy of the rest before."""
    impulse_db: Signal
    """Energy that an impulse of 1 has."""
    clear: NDArray[np.bool_]
    """Where much more was expected than is usually left."""
    quiet: NDArray[np.bool_]
    """Where next to nothing came back, though it was expected and is heard nearby."""
    spells: Spells

    def level(self, low: int, high: int) -> float:
        """Largest impulse that would be as strong as the rest of some cells."""
        return float((in_db(self.rest[low:high]) - self.impulse_db[low:high]).max())

    def onset(self, low: int, high: int) -> float:
        """By how much the rest of some cells is at most over that of what is before."""
        return float(in_db(self.rest[low:high] / self.before[low:high]).max())


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
    rr, rp, pp, raw, impulse = cells
    inner = slice(CONTEXT, -CONTEXT)
    floor = 0.1 * cell
    energies = _Means(rr), _Means(rp), _Means(pp)
    gain, low, high = _bounds(energies, cell)
    # Nor does any gain fall to next to nothing and come back: that is a gap.
    low *= FALLEN + (1.0 - FALLEN) * _flags(rp < COLLAPSED * low * pp)
    # After a rest a compressor has let go, by as much as it likes.
    unknown = _flags(low <= 0.0)
    bound = np.minimum(np.maximum(gain, low), 1.4 * high + 1e3 * unknown)
    rest = bound * pp
    rest -= 2.0 * rp
    rest *= bound
    rest += rr
    np.maximum(rest, 0.0, out=rest)
    rests = _Means(rest)
    usual = np.maximum(rests.over(-20, -2), rests.over(3, 21))
    calm = _Means(np.minimum(rest, 3.0 * usual + floor))
    before = calm.inner(-20, -2)
    before += floor
    usual = np.maximum(before, calm.inner(3, 21) + floor)
    wanted = np.maximum(bound, high)
    wanted *= wanted
    wanted *= pp
    around = largest(wanted, 5)
    expected = around[inner]
    loud = largest(raw, LOUD_CELLS)
    own = loud * impulse
    rest_db, loudness, impulse_db = (in_db(each[inner]) for each in (rest, loud, impulse))
    # Before it there was nothing: how fast a unit takes hold of what sets in is not known.
    share = rest_db - in_db(expected) - SET_IN_DB * unknown[inner]
    repeat = _repeat(energies, floor, len(rest_db))
    most = None
    if echo_db > -math.inf:
        past = np.maximum(np.maximum.accumulate(_moved(rr, -PAST_CELLS)), heard)
        echo = rest_db - (in_db(past) + echo_db)[inner]
        share = np.minimum(share, echo + MOST_SHARE)
        most = 10.0 ** ((echo + MOST_SHARE) / 10.0)
        repeat = np.minimum(repeat, echo)
    count = len(rest_db)
    foreign, stepped = (
        _spread(where, SIDE_HOP, count) for where in (_foreign(calm, energies[2], cell), _stepped(energies, floor))
    )
    return CellLooks(
        neighbours=rest_db - in_db(usual) - LOST_DB * foreign,
        share=share,
        raw=rest_db - loudness - impulse_db - STEP_RAW_DB * stepped,
        repeat=repeat,
        loudness=loudness,
        rest=rest[inner],
        before=before,
        impulse_db=impulse_db,
        clear=expected > 100.0 * usual,
        quiet=((raw < QUIET * loud) & (rest > QUIET_LEFT * wanted) & (rest > CLEARLY_LEFT * cell))[inner],
        spells=Spells(rest, wanted, around, own, floor, rests, energies, most),
    )


def _stepped(energies: tuple[_Means, _Means, _Means], floor: float) -> Signal:
    """1 where the gain on one side is much larger than on the other; for every so many cells."""
    early, late = (
        energies[1].inner(*each, SIDE_HOP) / np.maximum(energies[2].inner(*each, SIDE_HOP), floor)
        for each in ((-45, -4), (5, 46))
    )
    return _flags(np.maximum(early, late) > STEPPED * np.minimum(early, late))


def _foreign(calm: _Means, expected: _Means, cell: int) -> Signal:
    """1 where far more is left on both sides than was expected; for every so many cells."""
    sides = (-81, -21, SIDE_HOP), (21, 81, SIDE_HOP)
    left = np.minimum(*(calm.inner(*each) for each in sides))
    most = np.maximum(*(expected.inner(*each) for each in sides))
    return _flags(left > np.maximum(3.0 * most, 10.0 * cell))


def _bounds(energies: tuple[_Means, _Means, _Means], cell: int) -> tuple[Signal, Signal, Signal]:
    """Gain over five cells; the least that is known of it on either side, 0 for nothing; and the most."""
    common, played = energies[1].over(-2, 3), energies[2].over(-2, 3)
    count, reach = len(played), MOVES[-1]
    # Where little was expected, nothing is known of the gain: it is taken for what it usually is, 1.
    gain = (common + cell) / (played + cell)
    # What is known of the gain on either side: nothing, where next to nothing was expected.
    known = _padded(gain * _flags(played > 3.0 * cell), reach)
    gains, powers = _padded(gain, reach), _padded(played, reach)
    least = 0.03 * played
    high = np.zeros(count)
    sides = []
    for sign in (-1, 1):
        side = np.zeros(count)
        for offset in MOVES:
            there = slice(reach + sign * offset, reach + sign * offset + count)
            np.maximum(high, gains[there], out=high)
            np.maximum(side, known[there] * _flags(powers[there] >= least), out=side)
        sides.append(side)
    return gain, np.minimum(*sides), high


def _padded(values: NDArray[Number], reach: int) -> NDArray[Number]:
    """With the first and the last value repeated so many times."""
    padded = np.empty(len(values) + 2 * reach, dtype=values.dtype)
    padded[reach : reach + len(values)] = values
    padded[:reach], padded[reach + len(values) :] = values[0], values[-1]
    return padded


def largest(values: NDArray[Number], cells: int) -> NDArray[Number]:
    """The largest of each value and its neighbours, so many in all; an odd number.

    Of data without order this is several times as fast as a filter that looks at one value after the other.
    """
    # Whatever is repeated at an end is within reach there anyhow.
    found = _padded(values, cells // 2)
    length = 1
    while length < cells:
        more = min(length, cells - length)
        found = np.maximum(found[:-more], found[more:])
        length += more
    return found


def _flags(where: NDArray[np.bool_]) -> Signal:
    """1 for true and 0 for false: to multiply by it costs less than to choose by something that has no order."""
    return where.astype(np.float64)


def _spread(values: Signal, hop: int, count: int) -> Signal:
    """Each value so many times, and of all so many."""
    return np.repeat(values, hop)[:count]


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

    def scores(
        self, hops: tuple[int, ...], above: Signal, usual: Signal, levels: NDArray[np.intp], raw: float
    ) -> list[Signal]:
        """How pieces of each of the lengths in `SPELLS` stand out, around every so many of the cells looked at.

        Parameters
        ----------
        hops : tuple of int
            For each length.
        above : array
            For each length: what the rest of a piece must be over that on either side, as a power.
        usual : array
            What it must be as a share of what was expected, by class of loudness, as powers.
        levels : array
            The class of each of the cells.
        raw : float
            What it must be beside the return as it is, as a power.

        Returns
        -------
        scores : list of array
            How often a piece has the least that it must have, as powers.
        """
        places = _SpellPlaces.of(len(levels), hops)
        heard, both, expected = self.energies
        gains, played = [], []
        for side in (places.early, places.late):
            due = expected.over_spans(side)
            gain = both.over_spans(side)
            gain /= np.maximum(due, 1e-9)
            gain *= due > 3.0 * self.floor
            gains.append(gain)
            played.append(due)
        gain = np.minimum(*gains)
        common, due, within = (each.over_spans(places.within) for each in (both, expected, self.rests))
        gone = common < COLLAPSED * gain * due
        gone &= due > 0.25 * np.maximum(*played)
        if gone.any():
            lost = heard.over_spans(places.within) - 2.0 * gain * common + gain * gain * due
            within = np.where(gone, np.maximum(within, lost), within)
        least = np.maximum(self.rests.over_spans(places.early), self.rests.over_spans(places.late))
        least += self.floor
        least *= np.repeat(above, places.counts)
        share = usual[places.largest_near(levels, 0)]
        wanted = self._wanted_means.over_spans(places.within)
        wanted *= share
        wanted *= 1.0 + (10.0 ** (SET_IN_DB / 10.0) - 1.0) * _flags(gain <= 0.0)
        np.maximum(least, wanted, out=least)
        np.maximum(least, raw * places.largest_near(self.heard, CONTEXT), out=least)
        scores = within / np.maximum(least, LEAST_POWER)
        if self.most is not None:
            scores = np.minimum(scores, np.concatenate([self.most[::hop] for hop in hops]) / share)
        return [scores[row] for row in places.rows]


@dataclass(frozen=True)
class _Spans:
    """Where the sums of some pieces, of several lengths in one row, are among the sums up to each cell."""

    slices: list[tuple[slice, slice, slice]]
    """Of each length: the sums at the ends and at the begins, and the places in the row."""
    factors: Signal
    """One by the length of each piece."""


@dataclass(frozen=True)
class _SpellPlaces:
    """Pieces of all lengths in `SPELLS` in one row, and what lies on either side of them: many short steps are dear."""

    hops: tuple[int, ...]
    counts: list[int]
    """Pieces of each length."""
    rows: list[slice]
    """Where they are in the row."""
    early: _Spans
    within: _Spans
    late: _Spans

    @classmethod
    @lru_cache(4)
    def of(cls, cells: int, hops: tuple[int, ...]) -> _SpellPlaces:
        """Around every so many of some cells, for each length."""
        counts = [len(range(0, cells, hop)) for hop in hops]
        ends = np.cumsum(counts).tolist()
        rows = [slice(end - count, end) for end, count in zip(ends, counts, strict=True)]

        def spans(bounds: list[tuple[int, int]]) -> _Spans:
            slices = [
                (
                    slice(2 * CONTEXT + high, 2 * CONTEXT + high + cells, hop),
                    slice(2 * CONTEXT + low, 2 * CONTEXT + low + cells, hop),
                    row,
                )
                for (low, high), hop, row in zip(bounds, hops, rows, strict=True)
            ]
            return _Spans(slices, np.repeat([1.0 / (high - low) for low, high in bounds], counts))

        halves = [length // 2 for length in SPELLS]
        return cls(
            hops,
            counts,
            rows,
            spans([(-2 * half - 23, -half - 3) for half in halves]),
            spans([(-half, half) for half in halves]),
            spans([(half + 3, 2 * half + 23) for half in halves]),
        )

    def largest_near(self, values: NDArray[Number], first: int) -> NDArray[Number]:
        """The largest within each piece, of one value for each cell; that of the first cell has the index `first`."""
        found = [
            largest(values[first % hop :: hop], length // hop | 1)[first // hop :][:count]
            for length, hop, count in zip(SPELLS, self.hops, self.counts, strict=True)
        ]
        return np.concatenate(found)


def _repeat(energies: tuple[_Means, _Means, _Means], floor: float, count: int) -> Signal:
    """Score for a piece of 3 ms that no gain explains, between others that one does; for every second cell."""
    heard, both, expected = (each.over(-4, 4, REPEAT_HOP) for each in energies)
    rest = _unexplained(heard, both, expected)
    at = CONTEXT // REPEAT_HOP
    inner = slice(at, at + len(range(0, count, REPEAT_HOP)))
    # There must be something to be explained here and on both sides, and on both sides it must be explained.
    there = expected[inner] > 5.0 * floor
    if not (there & (rest[inner] > 10.0 ** ((REPEAT_SHARE + NEVER) / 10.0) * heard[inner])).any():
        return np.full(count, SILENT)
    means = _Means(rest)
    around = np.zeros(len(there))
    for low, high in ((-195, -140), (141, 196)):
        unexplained = means.over(low // REPEAT_HOP, high // REPEAT_HOP)[inner]
        np.maximum(around, unexplained, out=around)
        there &= energies[2].inner(low, high, REPEAT_HOP) > 5.0 * floor
        there &= unexplained < 0.3 * energies[0].inner(low, high, REPEAT_HOP)
    if not there.any():
        return np.full(count, SILENT)
    above, share = (10.0 ** (each / 10.0) for each in (REPEAT_ABOVE, REPEAT_SHARE))
    least = np.maximum(above * (around + floor), share * heard[inner])
    return _spread(in_db(rest[inner] * _flags(there) / np.maximum(least, LEAST_POWER)), REPEAT_HOP, count)


def _unexplained(heard: Signal, both: Signal, expected: Signal) -> Signal:
    """What the best gain leaves."""
    return np.maximum(heard - np.maximum(both, 0.0) ** 2 / np.maximum(expected, 1e-9), 0.0)


class _Means:
    """Means over pieces of an array."""

    def __init__(self, values: Signal) -> None:
        self._count = len(values)
        self._sums = np.empty(self._count + 1 + 2 * CONTEXT)
        self._sums[: CONTEXT + 1] = 0.0
        _add_up(values, self._sums[CONTEXT + 1 : CONTEXT + 1 + self._count])
        self._sums[CONTEXT + 1 + self._count :] = self._sums[CONTEXT + self._count]

    def over(self, low: int, high: int, hop: int = 1) -> Signal:
        """Mean of values[i + low : i + high] for every so many i, with zeros beyond the ends."""
        return self._over(CONTEXT, self._count, low, high, hop)

    def inner(self, low: int, high: int, hop: int = 1) -> Signal:
        """The same from the first i behind the context to the last before it."""
        return self._over(2 * CONTEXT, self._count - 2 * CONTEXT, low, high, hop)

    def over_spans(self, spans: _Spans) -> Signal:
        """The same of other pieces, in one row."""
        sums, found = self._sums, np.empty(len(spans.factors))
        for ends, begins, row in spans.slices:
            np.subtract(sums[ends], sums[begins], out=found[row])
        found *= spans.factors
        return found

    def _over(self, first: int, count: int, low: int, high: int, hop: int) -> Signal:
        sums = self._sums
        total = sums[first + high : first + high + count : hop] - sums[first + low : first + low + count : hop]
        total *= 1.0 / (high - low)
        return np.asarray(total)


def _add_up(values: Signal, sums: Signal) -> None:
    """Write the sum up to each value: of a few of them by a product, for which no sum waits for the one before."""
    if len(values) % SUMMED:
        np.cumsum(values, out=sums)
        return
    within = values.reshape(-1, SUMMED) @ UP_TO
    whole = within[:, -1]
    np.add(within, (np.cumsum(whole) - whole)[:, np.newaxis], out=sums.reshape(-1, SUMMED))


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
    found = power + LEAST_POWER
    np.log10(found, out=found)
    found *= 10.0
    return found
