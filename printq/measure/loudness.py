"""Loudness: ITU-R BS.1770-5 (integrated), EBU Tech 3341 v4 (momentary, short-term), EBU Tech 3342 v4 (range).

Streaming: filters keep their state, and of the signal only two powers for each 100 ms are kept (less than 2 MB in
three hours).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from printq.measure.blocks import EvenPieces

__all__ = ["LoudnessMeter", "LoudnessResult", "channel_weights", "k_weighting"]

Signal = NDArray[np.floating]

HOPS_PER_SECOND = 100
GATING_HOPS = 40
"""Blocks of 400 ms; BS.1770-5, Annex 1."""
GATING_STEP = 10
"""Overlap of 75 %."""
SHORT_TERM_HOPS = 300
"""3 s; Tech 3341."""
HIGH_PASS_GAIN = 4.0 / (1.0 + 1.99004745483398 + 0.99007225036621)
"""The second stage at half the rate, by BS.1770-5, Annex 1, Table 2; its passband is not quite at 1."""
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


def k_weighting(rate: int) -> NDArray[np.float64]:
    """The two stages of the K-weighting at a rate, as second-order sections, shape (2, 6).

    The same response at every rate, as BS.1770-5, Annex 1 asks, but for what the bilinear transform bends.
    """
    import pyloudnorm

    # Its "DeMan" class reproduces the tables of BS.1770; the default one is up to 0.043 dB low.
    filters = pyloudnorm.Meter(rate, filter_class="DeMan")._filters
    sections = np.array([np.concatenate((stage.b, stage.a)) for stage in filters.values()])
    # Its high-pass has the numerator of the 48 kHz table at every rate, and with it another gain: 0.03 dB less at
    # 192 kHz. Half the rate is where the bilinear transform puts infinite frequency, so there it must not change.
    sections[1, :3] *= HIGH_PASS_GAIN / _gain_at_half_rate(sections[1])
    return sections


def _gain_at_half_rate(section: NDArray[np.float64]) -> float:
    signs = np.array([1.0, -1.0, 1.0])
    return float(np.dot(section[:3], signs) / np.dot(section[3:], signs))


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
        There are more or fewer weights than channels.
    """

    def __init__(self, rate: int, channels: int, weights: Sequence[float] | None = None) -> None:
        if weights is not None and len(weights) != channels:
            raise ValueError(f"{channels} channels need {channels} weights, not {len(weights)}")
        self._rate = rate
        self._weights = np.array(channel_weights(channels) if weights is None else weights)
        self._sections = k_weighting(rate)
        self._state = np.zeros((2, channels, 2))
        # A piece is a second, so that the hops of all pieces begin at the same frames.
        self._pieces = EvenPieces(channels, rate)
        self._momentary = _SlidingPower(GATING_HOPS)
        self._short_term = _SlidingPower(SHORT_TERM_HOPS)

    def add(self, block: Signal) -> None:
        """Add samples, shape (frames, channels), full scale = 1.0.

        Raises
        ------
        ValueError
            The shape is another.
        UnmeasurableError
            A sample is not a finite number; nothing of the block is counted then.
        """
        for piece in self._pieces.add(block):
            powers, self._state = self._measure(piece)
            self._momentary.add(powers)
            self._short_term.add(powers)

    def result(self) -> LoudnessResult:
        """The figures for all that has been added."""
        rest, _ = self._measure(self._pieces.rest())
        momentary, short_term = self._momentary.followed_by(rest), self._short_term.followed_by(rest)
        return LoudnessResult(
            integrated_lufs=_gated_loudness(momentary.stepped()),
            range_lu=_loudness_range(short_term),
            momentary_max_lufs=_loudness(momentary.loudest),
            short_term_max_lufs=_loudness(short_term.loudest),
        )

    def _measure(self, piece: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Mean power of each whole hop of a piece, and the filters' state behind it."""
        # To the nearest sample where the rate is no multiple of 100.
        edges = (np.arange(HOPS_PER_SECOND + 1) * self._rate + HOPS_PER_SECOND // 2) // HOPS_PER_SECOND
        edges = edges[edges <= piece.shape[1]]
        if len(edges) < 2:
            return np.zeros(0), self._state
        from scipy.signal import sosfilt

        filtered, state = sosfilt(self._sections, piece, axis=-1, zi=self._state)
        power = np.einsum("cf,cf,c->f", filtered, filtered, self._weights)
        return np.add.reduceat(power[: edges[-1]], edges[:-1]) * (HOPS_PER_SECOND / self._rate), state


class _SlidingPower:
    """Mean power in a window that slides on by single hops: its maximum, and every tenth place of it."""

    def __init__(self, width: int) -> None:
        self._width = width
        self._past = np.zeros(0)
        self._windows = 0
        self._kept: list[NDArray[np.float64]] = []
        self.loudest = 0.0

    @property
    def complete(self) -> bool:
        """Whether the signal has been as long as the window."""
        return self._windows > 0

    def add(self, powers: NDArray[np.float64]) -> None:
        """Add the mean powers of further hops."""
        together = np.concatenate((self._past, powers))
        means = _window_sums(together, self._width) / self._width
        self._past = together[len(means) :].copy()
        self.loudest = max(self.loudest, float(means.max(initial=0.0)))
        self._kept.append(means[-self._windows % GATING_STEP :: GATING_STEP].copy())
        self._windows += len(means)

    def followed_by(self, powers: NDArray[np.float64]) -> _SlidingPower:
        """The same with further hops; this one stays as it is."""
        other = _SlidingPower(self._width)
        other._past, other._windows = self._past, self._windows
        other._kept, other.loudest = list(self._kept), self.loudest
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
    return np.asarray(OFFSET_DB + 10.0 * np.log10(np.maximum(powers, 1e-30)))


def _level(power: float) -> float:
    return OFFSET_DB + 10.0 * math.log10(power)


def _loudness(power: float) -> float | None:
    return _level(float(power)) if power > 1e-30 else None
