"""Whether something else came back for some time than was expected: nothing, or what had come back just before.

A lost buffer is known by its shape, as one wrong sample is (`impulses`): up to one sample the return is what the stem
lets expect, from there on it is nought, or a copy of the return a buffer's length ago, and from another sample on it
is what was expected again. Both edges are sharp; no unit's are, for its gain has a time constant. So the piece is
looked for that explains most of what the stem does not, between a gain before it and one behind. Signals are taken as
they are, not whitened: whitening would blunt the edges.

- A gap: next to nothing is heard within, although the stem goes on. Where a note begins, or ends, within a gap, there
  is one edge only; then it must be sharper, for a gate is late as well.
- A repeat: what is heard within was heard before, explained by the stem there. A tone is like itself a period ago, but
  so is its stem; and it goes on being so for more than one period.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

__all__ = ["AFTER", "BEFORE", "LONGEST", "Replaced", "replaced"]

Real = NDArray[np.floating]
Signal = NDArray[np.float64]

BEFORE, AFTER = 281, 143
"""Cells before a suspicion and behind it that are looked at: 94 and 48 ms."""
LONGEST = 137
"""Cells: 46 ms. What is longer is a matter of `stretches`."""
BESIDE = 3
"""Cells on either side of a piece that must be explained by the stem: a millisecond."""
NEAR = 8
"""Cells to either side of a suspicion into which a piece must reach: 2.7 ms."""
GAIN_CELLS = (6, 30)
"""The gain is taken from as much as the piece has, within these bounds: 2 to 10 ms."""
FAINT_SIDE = 0.02
"""Of two sides, one that has so much less power says nothing of the gain."""
KNOWN = 0.5
"""Part of what is heard on a side that its gain must explain, unless the other side explains less."""
STEPPED = 2.0
"""The gain behind a fault is that before it, as far as a compressor moves it."""
ROUNDS = 3

GAP_PART, GAP_HEARD, GAP_BESIDE = 0.93, 0.05, 0.15
"""Part of what is not explained that a gap explains; part of what was expected that may be heard within; and part of
what is heard beside it that may be unexplained. Of what is in 30 hours of clean takes, none explains more than 0.9."""
EMPTY, EMPTY_OUT = 0.01, 12.0
"""Two samples and more in which so small a part of what was expected is heard explain less, if a sample of them leaves
so many times what one beside them leaves. In ten hours of clean takes none leaves more than 7 times."""
EDGE = 1.5
"""Cells to either side of an edge that tell whether there is one."""
ABOVE_INSIDE = 10.0
"""Power that is expected within an edge, and heard outside, over what is heard within."""
SHARP_CELLS, SHARP = 0.5, 0.03
"""With one edge: what is wrong in the next samples on either side, as parts of what was expected there, together. Of
93 pieces that a gate made in 30 hours of clean takes none has less than 0.1; of gates of 0.1 ms, some have 0.05."""

CLOSED, SOFT, NOISE = 4, 0.1, 4.0
"""No gate is closed for fewer cells. In the first cell of a gap, part of what was expected that may be heard, and how
often what is heard in the middle. A gap is placed where half the amplitude is gone, so a gate leaves a fifth."""

REPEAT_PART, REPEAT_BESIDE, SOURCE = 0.95, 0.1, 0.2
"""The same of a repeat (of what is in clean takes, none explains more than 0.93); and what is unexplained where it was
heard first, against what is where it is heard again."""
SHORTEST = 2
"""Cells of a repeat."""
ALIKE, WINDOWS = 0.5, (3, 12)
"""Part in which a few cells, and a whole repeat, differ from what was heard before, at most."""
WHOLE, WHOLE_PART = 0.5, 0.02
"""A repeat is as long as what is repeated, but for so many cells and such a part of it."""
LEAST = 1e-30


@dataclass(frozen=True)
class Replaced:
    """A piece of a return that is not what was expected."""

    kind: Literal["gap", "repeat"]
    start: int
    end: int
    """Samples of the signals that were looked at."""
    part: float
    """Of what the stem does not explain, a millisecond to either side included, the part that is explained so."""
    edges: int
    """1 if it began, or ended, in silence."""


@dataclass(frozen=True)
class _Fit:
    start: int
    end: int
    part: float
    beside: float
    """Energy that is unexplained beside it."""
    left: float
    """Energy within that the stem leaves unexplained."""
    expected: Signal
    """With the gain."""


def replaced(heard: Real, expected: Real, low: int, high: int, cell: int) -> Replaced | None:
    """A gap or a repeat somewhere around [low, high).

    Parameters
    ----------
    heard, expected : NDArray
        Return and expectation, not whitened, shape (n,).
    low, high : int
        What is suspicious: samples.
    cell : int
        Samples to a cell.
    """
    x, e = heard.astype(np.float64), expected.astype(np.float64)
    return _gap(x, e, low, high, cell) or _repeat(x, e, (low + high) // 2, cell)


def _gap(x: Signal, e: Signal, low: int, high: int, cell: int) -> Replaced | None:
    around = slice(max(0, low - LONGEST * cell), min(len(x), high + LONGEST * cell))
    fit = _fit(x, e, np.zeros(len(x)), (low, high), around, cell)
    if fit is None:
        return None
    start, end = fit.start, fit.end
    beside = slice(max(0, start - BESIDE * cell), start), slice(end, end + BESIDE * cell)
    due, inside = _energy(fit.expected[start:end]), _energy(x[start:end])
    # However badly the unit is followed beside it, where there is exactly nothing, that is a gap.
    is_empty = end - start >= 2 and inside < EMPTY * due
    if fit.part < GAP_PART and not (is_empty and _stands_out(fit, cell)):
        return None
    if inside > GAP_HEARD * due or fit.beside > GAP_BESIDE * sum(_energy(x[side]) for side in beside):
        return None
    near = round(EDGE * cell)
    least = ABOVE_INSIDE * inside / (end - start)
    edges = [
        min(_power(fit.expected[within]), _power(x[without])) > least
        for within, without in (
            (slice(start, min(end, start + near)), slice(max(0, start - near), start)),
            (slice(max(start, end - near), end), slice(end, end + near)),
        )
    ]
    if all(edges):
        return None if _closes(x, fit, cell) else Replaced("gap", start, end, fit.part, 2)
    if not any(edges) or fit.part < GAP_PART:
        return None
    return Replaced("gap", start, end, fit.part, 1) if _is_sharp(x, fit, first=edges[0], cell=cell) else None


def _stands_out(fit: _Fit, cell: int) -> bool:
    """Whether a sample within leaves far more unexplained than one beside it."""
    return fit.left * 2 * BESIDE * cell > EMPTY_OUT * fit.beside * (fit.end - fit.start)


def _is_sharp(x: Signal, fit: _Fit, *, first: bool, cell: int) -> bool:
    """Whether at one edge of a gap all is gone at once, or back."""
    near = round(SHARP_CELLS * cell)
    place = fit.start if first else fit.end
    before, behind = slice(max(0, place - near), place), slice(place, place + near)
    within, without = (behind, before) if first else (before, behind)
    wrong = _energy(x[within]), _energy(x[without] - fit.expected[without])
    due = _energy(fit.expected[within]), _energy(fit.expected[without])
    return sum(each / max(whole, LEAST) for each, whole in zip(wrong, due, strict=True)) < SHARP


def _closes(x: Signal, fit: _Fit, cell: int) -> bool:
    """Whether it gets quieter for some time where a gap seems to begin, as behind a gate."""
    length = fit.end - fit.start
    if length < CLOSED * cell:
        return False
    begin, inner = slice(fit.start, fit.start + cell), slice(fit.start + length // 4, fit.end - length // 4)
    return _energy(x[begin]) > SOFT * _energy(fit.expected[begin]) + NOISE * cell * _power(x[inner])


def _repeat(x: Signal, e: Signal, place: int, cell: int) -> Replaced | None:
    tried: set[int] = set()
    reach = LONGEST * cell
    for lag, window in _lags(x, place, cell):
        if lag in tried:
            continue
        tried.add(lag)
        before = np.zeros(len(x))
        before[lag:] = x[:-lag]
        around = slice(max(lag, place - reach), min(len(x), place + reach))
        fit = _fit(x, e, before, window, around, cell)
        if fit is None or fit.part < REPEAT_PART or fit.beside > REPEAT_BESIDE * (fit.beside + fit.left):
            continue
        if abs(fit.end - fit.start - lag) > WHOLE * cell + WHOLE_PART * lag:
            continue
        source = slice(fit.start - lag, fit.end - lag)
        piece = x[fit.start : fit.end]
        # Noise is like no other noise: who hears some instead of a word listens to a gate.
        if _energy(piece - x[source]) > ALIKE * _energy(piece):
            continue
        gain = _gain(x[source], e[source])[0]
        if gain > 0.0 and _energy(x[source] - gain * e[source]) < SOURCE * fit.left:
            return Replaced("repeat", fit.start, fit.end, fit.part, 2)
    return None


def _lags(x: Signal, place: int, cell: int) -> list[tuple[int, tuple[int, int]]]:
    """How long ago what is heard around a place was heard before, and where around it that is."""
    # Differences are nearer to white, so that a bass note is not like itself everywhere.
    steps = np.diff(x, prepend=x[:1])
    found = []
    for cells in WINDOWS:
        length = cells * cell
        # Either edge of a repeat may be the suspicious one.
        for start in (place + cell // 4, place - cell // 4 - length):
            first, least = max(0, start - LONGEST * cell), SHORTEST * cell
            if first >= start - least or start + length > len(x):
                continue
            window, past = steps[start : start + length], steps[first : start - least + length]
            energies = np.concatenate(([0.0], np.cumsum(past * past)))
            energies = energies[length:] - energies[:-length]
            whole = _energy(window)
            differ = energies - 2.0 * np.correlate(past, window, "valid") + whole
            best = int(np.argmin(differ))
            if differ[best] < ALIKE * whole:
                found.append((start - first - best, (start, start + length)))
    return found


def _fit(x: Signal, e: Signal, instead: Signal, guess: tuple[int, int], around: slice, cell: int) -> _Fit | None:
    """The piece in which something else explains most of what the stem does not, beside a gain on either side."""
    start, end = guess
    # What is suspicious may be an edge of it. Further off, a gain that moved may have left more unexplained.
    touched = max(0, start - NEAR * cell - around.start), max(0, end + NEAR * cell - around.start)
    margin = cell // 2
    for _ in range(ROUNDS):
        length = cell * min(max(-(-(end - start) // cell), GAIN_CELLS[0]), GAIN_CELLS[1])
        sides = (
            slice(max(0, start - margin - length), max(0, start - margin)),
            slice(end + margin, end + margin + length),
        )
        gains = _gains(*((x[side], e[side]) for side in sides))
        if gains is None:
            return None
        places = start - margin - 0.5 * length, end + margin + 0.5 * length
        due = e * np.interp(np.arange(len(x)), places, gains)
        plain, other = (x - due) ** 2, (x - instead) ** 2
        start, end = _lowest(other[around] - plain[around], *touched)
        start, end = start + around.start, end + around.start
        if start == end:
            return None
        margin = 0
    beside = BESIDE * cell
    unexplained = float(plain[max(0, start - beside) : start].sum() + plain[end : end + beside].sum())
    left, replaced_by = float(plain[start:end].sum()), float(other[start:end].sum())
    part = 1.0 - (unexplained + replaced_by) / max(unexplained + left, LEAST)
    return _Fit(start, end, part, unexplained, left, due)


def _lowest(values: Signal, low: int, high: int) -> tuple[int, int]:
    """First and last (exclusive) of the run of values with the lowest sum of those that reach into [low, high)."""
    sums = np.concatenate(([0.0], np.cumsum(values)))
    before = np.maximum.accumulate(sums)
    before[high:] = before[min(high, len(values))]
    end = low + int(np.argmin((sums - before)[low:]))
    return int(np.argmax(sums[: min(end, high) + 1])), end


def _gains(before: tuple[Signal, Signal], behind: tuple[Signal, Signal]) -> tuple[float, float] | None:
    """The gain on either side, of return and expectation there; None if neither knows one, or they are far apart.

    A side that knows none has that of the other: it may be silent, or part of the fault as long as that is not placed.
    """
    (early, was, well), (late, would, better) = _gain(*before), _gain(*behind)
    if early <= 0.0 or was < FAINT_SIDE * would or well < min(KNOWN, better):
        early = late
    elif late <= 0.0 or would < FAINT_SIDE * was or better < min(KNOWN, well):
        late = early
    return (early, late) if early > 0.0 and 1.0 / STEPPED < late / early < STEPPED else None


def _gain(x: Signal, e: Signal) -> tuple[float, float, float]:
    """The gain that explains most, the energy of what was expected, and the part of what is heard that it explains."""
    energy, both = _energy(e), float(x @ e)
    return both / max(energy, LEAST), energy, both * both / max(energy * _energy(x), LEAST)


def _energy(values: Signal) -> float:
    return float(values @ values)


def _power(values: Signal) -> float:
    return _energy(values) / max(len(values), 1)
