"""Loudness: ITU-R BS.1770-5 (integrated), EBU Tech 3341 v4 (momentary, short-term), EBU Tech 3342 v4 (range).

Streaming: filters keep their state, and of the signal only three powers for each 100 ms are kept (less than 3 MB in
three hours).

The filters are written as products with small matrices. That is as exact as a loop over samples and twice as quick,
needs numpy alone (a filter of scipy costs nearly a second of start-up), and lets other threads run meanwhile.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from printq.measure.blocks import Block, EvenPieces

__all__ = ["LoudnessMeter", "LoudnessResult", "channel_weights", "k_weighting"]

Wide = NDArray[np.longdouble]
"""The filter's matrices are worked out with more digits, where the machine has them."""

HOPS_PER_SECOND = 100
GATING_HOPS = 40
"""Blocks of 400 ms; BS.1770-5, Annex 1."""
GATING_STEP = 10
"""Overlap of 75 %."""
SHORT_TERM_HOPS = 300
"""3 s; Tech 3341."""
QUIET_HOPS = 100
TABLE_RATE = 48_000
SHELF_TABLE = (1.53512485958697, -2.69169618940638, 1.19839281085285, 1.0, -1.69065929318241, 0.73248077421585)
HIGH_PASS_TABLE = (1.0, -2.0, 1.0, 1.0, -1.99004745483398, 0.99007225036621)
"""b0 b1 b2 a0 a1 a2 at 48 kHz; BS.1770-5, Annex 1, Tables 1 and 2."""
LOWEST_RATE = 8_000
"""Below it half the rate comes so near the shelf that no filter of its order follows it."""
FIT_LOWEST_HZ = 100.0
FIT_POINTS = 64
FIT_ROUNDS = 3
SPAN = 32
GROUP = 8
SECTIONS = 15
PIECE_FRAMES = SECTIONS * GROUP**2 * SPAN
"""Frames that are filtered together: 15 sections of 8 groups of 8 spans of 32 samples."""
ROWS = 120
"""Rows of one product: so few that the linear algebra does not start threads of its own for it, which take processor
time from the audio."""
ORDER = 4
PIECES_TOGETHER = 8
SILENCE = 1e-30
OFFSET_DB = -0.691
"""BS.1770-5, equation (2): cancels the K-weighting's gain at 997 Hz."""
ABSOLUTE_GATE_LUFS = -70.0
RELATIVE_GATE_LU = -10.0
RANGE_GATE_LU = -20.0
RANGE_TAIL_HOPS = 150
"""Tech 3342, 5: at least 1.5 s of silence are appended to a file, so that its end counts as its middle."""


@dataclass(frozen=True)
class LoudnessResult:
    """None where a figure cannot be had: nothing above the gate, or shorter than the window."""

    integrated_lufs: float | None
    range_lu: float | None
    momentary_max_lufs: float | None
    short_term_max_lufs: float | None
    momentary_max_at_s: float | None = None
    """Where the window of the maximum begins."""
    short_term_max_at_s: float | None = None
    quietest_at_s: float | None = None
    """Where the quietest second begins, K-weighted, the first of several."""


def k_weighting(rate: int) -> NDArray[np.float64]:
    """The two stages of the K-weighting at a rate, as second-order sections b0 b1 b2 a0 a1 a2, shape (2, 6).

    At 48 kHz the tables of BS.1770-5, Annex 1. Other rates have to give the same response: to 0.0001 dB from 32 kHz
    on, 0.01 dB from 11.025 kHz on, 0.03 dB at 8 kHz. The usual bilinear transform of the shelf would read a tone of
    1 kHz 0.2 dB low at 8 kHz.

    Raises
    ------
    ValueError
        The rate is below 8 kHz.
    """
    if rate < LOWEST_RATE:
        raise ValueError(f"loudness is measured from {LOWEST_RATE} Hz on, not at {rate} Hz")
    if rate == TABLE_RATE:
        return np.array([SHELF_TABLE, HIGH_PASS_TABLE])
    return np.array([_shelf(rate), _high_pass(rate)])


def _high_pass(rate: int) -> NDArray[np.float64]:
    """Bilinear transform of what the table is the transform of: at 38 Hz it bends nothing."""
    b0, _, _, _, a1, a2 = HIGH_PASS_TABLE
    at_zero, at_half = 1.0 + a1 + a2, 1.0 - a1 + a2
    table_tan = math.sqrt(at_zero / at_half)
    damping = 2.0 * (1.0 - a2) / at_half / table_tan
    tan = math.tan(math.atan(table_tan) * TABLE_RATE / rate)
    scale = 1.0 + damping * tan + tan**2
    # The table's passband is not quite at 1, and half the rate is where the transform puts infinite frequency.
    b0 *= 4.0 / at_half / scale
    return np.array([b0, -2.0 * b0, b0, 1.0, 2.0 * (tan**2 - 1.0) / scale, (1.0 - damping * tan + tan**2) / scale])


def _shelf(rate: int) -> NDArray[np.float64]:
    """The section whose squared magnitude comes nearest to the table's.

    With p = sin(pi f / rate) ** 2 that square is (1 + b1 p + b2 p ** 2) / (1 + a1 p + a2 p ** 2): least squares for
    the numerator less the table's square times the denominator, each time weighted with the denominator found before
    (Sanathanan and Koerner, IEEE Transactions on Automatic Control 8, 1963).
    """
    hz = np.geomspace(FIT_LOWEST_HZ, min(rate, TABLE_RATE) / 2.0, FIT_POINTS)
    turn = np.exp(-2j * np.pi * hz / TABLE_RATE)
    wanted = np.abs(np.polyval(SHELF_TABLE[2::-1], turn) / np.polyval(SHELF_TABLE[:2:-1], turn)) ** 2
    place = np.sin(np.pi * hz / rate) ** 2
    columns = np.stack([place, place**2, -wanted * place, -wanted * place**2], axis=1)
    # So that all columns are of one size, whatever the rate.
    sizes = np.abs(columns).max(axis=0)
    weight = 1.0 / wanted
    for _ in range(FIT_ROUNDS):
        found = np.linalg.lstsq(columns / sizes * weight[:, np.newaxis], (wanted - 1.0) * weight, rcond=None)[0] / sizes
        weight = 1.0 / (wanted * (1.0 + found[2] * place + found[3] * place**2))
    zeros, poles = _polynomial_in_z(*found[:2]), _polynomial_in_z(*found[2:])
    return np.concatenate((zeros * (poles.sum() / zeros.sum()), poles))


def _polynomial_in_z(p1: float, p2: float) -> NDArray[np.float64]:
    """The polynomial of second order with roots inside the unit circle whose square is 1 + p1 p + p2 p ** 2."""
    outer, inner = p2 / 16.0, -(p1 + p2) / 4.0
    roots = np.roots([outer, inner, 1.0 + p1 / 2.0 + 0.375 * p2, inner, outer])
    return np.asarray(np.poly(roots[np.abs(roots) < 1.0]).real)


def channel_weights(channels: int) -> tuple[float, ...]:
    """BS.1770-5, Table 3: fronts 1, surrounds 1.41, the LFE of six channels left out."""
    if channels == 5:
        return (1.0, 1.0, 1.0, 1.41, 1.41)
    if channels == 6:
        return (1.0, 1.0, 1.0, 0.0, 1.41, 1.41)
    return (1.0,) * channels


class LoudnessMeter:
    """Measures loudness of a signal that comes in blocks.

    Parameters
    ----------
    rate : int
        Hz, 8000 to 192000 and beyond.
    channels : int
    weights : sequence of float, optional
        One for each channel; those of `channel_weights` if left out.

    Raises
    ------
    ValueError
        There are more or fewer weights than channels, or the rate is below 8 kHz.
    """

    def __init__(self, rate: int, channels: int, weights: Sequence[float] | None = None) -> None:
        if weights is not None and len(weights) != channels:
            raise ValueError(f"{channels} channels need {channels} weights, not {len(weights)}")
        self._rate = rate
        self._weights = channel_weights(channels) if weights is None else tuple(weights)
        self._filter = _KFilter(k_weighting(rate))
        self._states = np.zeros((channels, ORDER))
        self._pieces = EvenPieces(channels, PIECE_FRAMES)
        self._frames = 0
        self._begun = 0.0
        self._hops: list[NDArray[np.float64]] = []
        self._momentary = _SlidingPower(GATING_HOPS)
        self._short_term = _SlidingPower(SHORT_TERM_HOPS)
        self._seconds = _SlidingPower(QUIET_HOPS)

    def add(self, block: Block) -> None:
        """Add samples, shape (frames, channels), full scale = 1.0.

        Raises
        ------
        ValueError
            The shape is another.
        UnmeasurableError
            A sample is not a finite number; nothing of the block is counted then.
        """
        for piece in self._pieces.add(block):
            powers, self._begun = self._measure(piece, self._states)
            self._frames += PIECE_FRAMES
            self._hops.append(powers)
            if len(self._hops) == PIECES_TOGETHER:
                self._flush()

    def result(self) -> LoudnessResult:
        """The figures for all that has been added."""
        self._flush()
        rest = self._pieces.rest()
        padded = np.zeros((len(rest), PIECE_FRAMES))
        padded[:, : rest.shape[1]] = rest
        powers, _ = self._measure(padded, self._states.copy(), rest.shape[1])
        momentary, short_term = self._momentary.followed_by(powers), self._short_term.followed_by(powers)
        seconds = self._seconds.followed_by(powers)
        return LoudnessResult(
            integrated_lufs=_gated_loudness(momentary.stepped()),
            range_lu=_loudness_range(short_term),
            momentary_max_lufs=_loudness(momentary.loudest),
            short_term_max_lufs=_loudness(short_term.loudest),
            momentary_max_at_s=momentary.loudest_at_s,
            short_term_max_at_s=short_term.loudest_at_s,
            quietest_at_s=seconds.quietest_at_s,
        )

    def _flush(self) -> None:
        powers = np.concatenate((np.zeros(0), *self._hops))
        self._hops.clear()
        self._momentary.add(powers)
        self._short_term.add(powers)
        self._seconds.add(powers)

    def _measure(
        self, piece: NDArray[np.float64], states: NDArray[np.float64], frames: int = PIECE_FRAMES
    ) -> tuple[NDArray[np.float64], float]:
        """Mean power of each hop that ends in the first `frames` of a piece, and the energy of the one left open.

        Moves `states` on by a whole piece.
        """
        hops = np.arange(self._ended(self._frames), self._ended(self._frames + frames)) + 1
        # To the nearest sample where the rate is no multiple of 100.
        ends = (hops * self._rate + HOPS_PER_SECOND // 2) // HOPS_PER_SECOND - self._frames
        starts = np.concatenate(([0], ends[ends < frames]))
        energies = np.zeros(len(ends) + 1)
        energies[0] = self._begun
        for channel, weight in enumerate(self._weights):
            if weight == 0.0:
                continue
            weighted = self._filter.run(piece[channel], states[channel])[:frames]
            if frames:
                energies[: len(starts)] += weight * np.add.reduceat(weighted * weighted, starts)
        return energies[:-1] * (HOPS_PER_SECOND / self._rate), float(energies[-1])

    def _ended(self, frames: int) -> int:
        """Hops that end within so many frames."""
        return (frames * HOPS_PER_SECOND + HOPS_PER_SECOND // 2 - 1) // self._rate


class _SlidingPower:
    """Mean power in a window that slides on by single hops: its extremes, and every tenth place of it."""

    def __init__(self, width: int) -> None:
        self._width = width
        self._past = np.zeros(0)
        self._windows = 0
        self._kept: list[NDArray[np.float64]] = []
        self._loudest_window = self._quietest_window = 0
        self.loudest, self._quietest = 0.0, math.inf

    @property
    def complete(self) -> bool:
        """Whether the signal has been as long as the window."""
        return self._windows > 0

    @property
    def loudest_at_s(self) -> float | None:
        """Where the first window with the most power begins; None for silence."""
        return self._loudest_window / HOPS_PER_SECOND if self.loudest > SILENCE else None

    @property
    def quietest_at_s(self) -> float | None:
        """Where the first window with the least power begins; None where none is complete."""
        return self._quietest_window / HOPS_PER_SECOND if self.complete else None

    def add(self, powers: NDArray[np.float64]) -> None:
        """Add the mean powers of further hops."""
        together = np.concatenate((self._past, powers))
        means = _window_sums(together, self._width) / self._width
        self._past = together[len(means) :].copy()
        if means.max(initial=0.0) > self.loudest:
            place = int(means.argmax())
            self.loudest, self._loudest_window = float(means[place]), self._windows + place
        if means.min(initial=math.inf) < self._quietest:
            place = int(means.argmin())
            self._quietest, self._quietest_window = float(means[place]), self._windows + place
        self._kept.append(means[-self._windows % GATING_STEP :: GATING_STEP].copy())
        self._windows += len(means)

    def followed_by(self, powers: NDArray[np.float64]) -> _SlidingPower:
        """The same with further hops; this one stays as it is."""
        other = _SlidingPower(self._width)
        other._past, other._windows = self._past, self._windows
        other._kept = list(self._kept)
        other.loudest, other._loudest_window = self.loudest, self._loudest_window
        other._quietest, other._quietest_window = self._quietest, self._quietest_window
        other.add(powers)
        return other

    def stepped(self) -> NDArray[np.float64]:
        """The window at every tenth hop."""
        return np.concatenate((np.zeros(0), *self._kept))


def _loudness_range(short_term: _SlidingPower) -> float | None:
    """EBU Tech 3342."""
    if not short_term.complete:
        return None
    powers = short_term.followed_by(np.zeros(RANGE_TAIL_HOPS)).stepped()
    levels = _levels(powers)
    kept = levels >= ABSOLUTE_GATE_LUFS
    if not kept.any():
        return None
    relative = _level(float(powers[kept].mean())) + RANGE_GATE_LU
    loud = np.sort(levels[kept & (levels >= relative)])
    # Tech 3342: nearest rank, round((n - 1) p / 100 + 1) counted from 1.
    low, high = (int((len(loud) - 1) * share + 0.5) for share in (0.10, 0.95))
    return float(loud[high] - loud[low])


def _window_sums(values: NDArray[np.float64], width: int) -> NDArray[np.float64]:
    """Sum of every `width` neighbours; empty if there are fewer.

    Added up from sums of 1, 2, 4 ... neighbours. A running sum would be as quick, but it subtracts, and then a
    quiet window after a loud one is wrong.
    """
    count = max(0, len(values) - width + 1)
    sums = np.zeros(count)
    runs, length, covered = values, 1, 0
    while count and covered < width:
        if width & length:
            sums += runs[covered : covered + count]
            covered += length
        runs, length = runs[:-length] + runs[length:], 2 * length
    return sums


def _gated_loudness(powers: NDArray[np.float64]) -> float | None:
    """BS.1770-5, equations (5) to (7): both gates let through what is strictly louder."""
    powers = powers[_levels(powers) > ABSOLUTE_GATE_LUFS]
    if not len(powers):
        return None
    gate = _level(float(powers.mean())) + RELATIVE_GATE_LU
    powers = powers[_levels(powers) > gate]
    return _level(float(powers.mean())) if len(powers) else None


def _levels(powers: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(OFFSET_DB + 10.0 * np.log10(np.maximum(powers, SILENCE)))


def _level(power: float) -> float:
    return OFFSET_DB + 10.0 * math.log10(power)


def _loudness(power: float) -> float | None:
    return _level(float(power)) if power > SILENCE else None


class _KFilter:
    """Two second-order sections, applied to pieces of one channel.

    The state before every span of 32 samples is found first, from spans to groups of 8, to sections of 8 groups, to the
    whole piece, and back again; the filtered span is then its samples and that state, times a matrix.
    """

    def __init__(self, sections: NDArray[np.float64]) -> None:
        step, enters, leaves, direct = _even_states(*_state_space(sections))
        powers = _powers(step, SPAN)
        response = [direct, *(leaves @ power @ enters for power in powers[: SPAN - 1])]
        filtered = np.zeros((SPAN + ORDER, SPAN))
        for sample in range(SPAN):
            filtered[sample, sample:] = response[: SPAN - sample]
            filtered[SPAN:, sample] = leaves @ powers[sample]
        self._filtered = filtered
        self._driven = np.array([powers[SPAN - 1 - sample] @ enters for sample in range(SPAN)]).astype(np.float64)
        in_group, from_group = _running_states(powers[-1], GROUP)
        in_section, from_section = _running_states(_powers(powers[-1], GROUP)[-1], GROUP)
        in_piece, from_piece = _running_states(_powers(powers[-1], GROUP**2)[-1], SECTIONS)
        self._in_group, self._in_section, self._in_piece = in_group, in_section, in_piece
        self._from_group, self._from_section, self._from_piece = from_group, from_section, from_piece
        self._input = np.empty((PIECE_FRAMES // SPAN, SPAN + ORDER))
        self._output = np.empty((PIECE_FRAMES // SPAN, SPAN))

    def run(self, piece: NDArray[np.float64], state: NDArray[np.float64]) -> NDArray[np.float64]:
        """The filtered piece, valid until the next one; moves the state, shape (4,), on."""
        self._input[:, :SPAN] = piece.reshape(-1, SPAN)
        rows = self._input.reshape(-1, ROWS, SPAN + ORDER)
        driven = rows[:, :, :SPAN] @ self._driven
        # In each row the states before every span (or group, or section) and behind the last, as if all began at rest.
        groups = driven.reshape(-1, GROUP * ORDER) @ self._in_group
        sections = groups[:, GROUP * ORDER :].reshape(-1, GROUP * ORDER) @ self._in_section
        piece_states = sections[:, GROUP * ORDER :].ravel() @ self._in_piece + state @ self._from_piece
        state[:] = piece_states[-ORDER:]
        # And then with what they really begin with.
        sections += piece_states[:-ORDER].reshape(-1, ORDER) @ self._from_section
        groups += sections[:, : GROUP * ORDER].reshape(-1, ORDER) @ self._from_group
        self._input[:, SPAN:] = groups[:, : GROUP * ORDER].reshape(-1, ORDER)
        np.matmul(rows, self._filtered, out=self._output.reshape(-1, ROWS, SPAN))
        return self._output.ravel()


def _state_space(sections: NDArray[np.float64]) -> tuple[Wide, Wide, Wide, Any]:
    """The sections as matrices: the state moves on by `step` and `enters` times the sample, and shows by `leaves`."""
    wide = sections.astype(np.longdouble)
    columns = np.zeros((ORDER + 1, ORDER + 1), np.longdouble)
    for source in range(ORDER + 1):
        # Transposed direct form II, for one sample, with a single 1 in the state or as the sample.
        state = np.zeros(ORDER, np.longdouble)
        sample = np.longdouble(source == ORDER)
        if source < ORDER:
            state[source] = 1.0
        for number, (b0, b1, b2, _, a1, a2) in enumerate(wide):
            first, second = state[2 * number : 2 * number + 2]
            result = b0 * sample + first
            state[2 * number : 2 * number + 2] = b1 * sample - a1 * result + second, b2 * sample - a2 * result
            sample = result
        columns[:ORDER, source], columns[ORDER, source] = state, sample
    return columns[:ORDER, :ORDER], columns[:ORDER, ORDER], columns[ORDER, :ORDER], columns[ORDER, ORDER]


def _even_states(step: Wide, enters: Wide, leaves: Wide, direct: Any) -> tuple[Wide, Wide, Wide, Any]:
    """The same filter with states that white noise makes equally large, and independent.

    Where the poles lie close to 1, as those of the high-pass do, the states of the direct form are differences of
    large numbers, and at 192 kHz half of the digits are gone.
    """
    spread, power = np.outer(enters, enters), step
    for _ in range(40):
        spread, power = spread + power @ spread @ power.T, power @ power
    to_old = np.linalg.cholesky(spread.astype(np.float64)).astype(np.longdouble)
    to_new = np.linalg.inv(to_old.astype(np.float64)).astype(np.longdouble)
    for _ in range(2):
        to_new = to_new @ (2.0 * np.eye(ORDER) - to_old @ to_new)
    return to_new @ step @ to_old, to_new @ enters, leaves @ to_old, direct


def _powers(step: Wide, count: int) -> list[Wide]:
    """Powers 0 to `count` of a matrix."""
    powers = [np.eye(ORDER, dtype=np.longdouble)]
    for _ in range(count):
        powers.append(step @ powers[-1])
    return powers


def _running_states(step: Wide, count: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Matrices that give the states before each of `count` inputs and behind the last, all in one row.

    The first takes the inputs in one row, and the second the state at the beginning; their results add up.
    """
    powers = _powers(step, count)
    from_inputs = np.zeros((count * ORDER, (count + 1) * ORDER))
    for source in range(count):
        for place in range(source + 1, count + 1):
            from_inputs[source * ORDER : (source + 1) * ORDER, place * ORDER : (place + 1) * ORDER] = powers[
                place - source - 1
            ].T
    return from_inputs, np.concatenate([power.T for power in powers], axis=1).astype(np.float64)
