"""How deep two recordings of one thing cancel: gain, polarity and delay are fitted, the rest is what differs.

Depth is 20 log10 of the residual's RMS over that of the fitted reference: more negative is deeper. The model is
B = gain x A, delayed. Its least-squares fit works on samples and their time derivative (Gauss-Newton): a maximum of
a correlation over a stretch leans by a few thousandths of a sample towards the stretch's louder end, and that alone
would end a null at -60 dB.

Both signals come in blocks, lined up to within a sample or so; three seconds of them are held.
"""

from __future__ import annotations

import copy
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from printq.errors import UnmeasurableError
from printq.measure.bands import ThirdOctaves
from printq.measure.blocks import EvenPieces
from printq.measure.delay import match_material
from printq.units import power_to_db

__all__ = [
    "DelayCourse",
    "NullBand",
    "NullFit",
    "NullFitter",
    "NullMeter",
    "NullResult",
    "NullWindow",
    "band_powers",
    "delay_course",
    "null_floor_db",
]

Signal = NDArray[np.float64]

HALF_TAPS = 512
"""The delayed copy is right to -120 dB up to 0.49 of the rate."""
KAISER_BETA = 12.3
STEP = 1e-4
"""Samples to either side from which the derivative by time is taken."""
FARTHEST_LINEAR = 0.5
"""Samples: a window whose delay seems further off than this is correlated instead, and does not pull the fit."""
FARTHEST_JUMP_S = 0.05
"""How far a window's delay is looked for where the fit does not hold."""
JUMPED_ABOVE_DB = -12.0
"""A window that nulls no deeper may have jumped."""
SNAP = 1e-9
PLATEAU = 3
"""Seconds on either side of a jump that have to agree on it."""
MOST_UNSURE = 8
"""Seconds that a slope needs."""
SURE = 5.0
LEAST_SLOPE = 1e-5
"""Samples a second: less is rounding."""
SILENCE = 1e-20
"""Mean power of -200 dBFS: less is silence."""


@dataclass(frozen=True)
class NullFit:
    """B is `gain` times A, turned by `polarity`, `delay_samples` later."""

    delay_samples: float
    gain: float
    """Linear, positive."""
    polarity: int
    """1 or -1."""
    depth_db: float = 0.0
    """What it leaves, to first order: good enough to tell a fit from another."""
    curve: Signal | None = field(default=None, compare=False)
    """Gain at the middle of each second, linear, relative to `gain`; None for a constant gain."""


@dataclass(frozen=True)
class NullBand:
    """A third octave; levels are None where the reference has nothing there."""

    hz: float
    depth_db: float | None
    gain_db: float | None
    reference_power: float
    """Mean power of the fitted reference in the band."""
    residual_power: float
    """Mean power of what is left in the band, channels summed."""


@dataclass(frozen=True)
class NullWindow:
    """A second of it; None where the reference is silent."""

    start_s: float
    depth_db: float | None
    gain_db: float | None
    delay_samples: float | None
    """None also where the window fits at no delay nearby."""
    residual_power: float
    """Mean power of what is left, channels summed."""


@dataclass(frozen=True)
class DelayCourse:
    """How the delay went on over time: clocks that run apart, and samples lost or repeated."""

    drift_ppm: float | None
    """Positive: B falls behind more and more. None where it is no more than chance, or too short to say."""
    jumps: tuple[tuple[float, int], ...]
    """(second, samples) of each step by whole samples that stays; positive: what follows is later."""


@dataclass(frozen=True)
class NullResult:
    """What is left when B is compared with the fit."""

    depth_db: float
    """Minus infinity for a perfect null."""
    channel_depth_db: tuple[float, ...]
    reference_power: float
    """Mean power of the fitted reference, channels summed."""
    residual_power: float
    bands: tuple[NullBand, ...]
    over_time: tuple[NullWindow, ...]
    quietest_power: tuple[float, float]
    """Mean power of A and B, channels summed, in their quietest tenth of a second that is not digital silence."""


def null_floor_db(gain: float, noise_a: float, noise_b: float, reference_power: float) -> float | None:
    """Depth at which two recordings stop to cancel because each has noise of its own.

    Independent noises add in power: two passes with noise at N dB each null to N + 3 dB.

    Parameters
    ----------
    gain : float
        Linear, of the fit.
    noise_a, noise_b : float
        Mean powers of the noise, channels summed as in `reference_power`.
    reference_power : float
        Mean power of the fitted reference.
    """
    noise = gain**2 * noise_a + noise_b
    return power_to_db(noise / reference_power) if noise > 0.0 and reference_power > 0.0 else None


def delay_course(windows: Sequence[NullWindow], rate: int) -> DelayCourse:
    """Tell jumps from drift in the delays of successive seconds.

    A jump is a step between the medians of a few seconds before and after; a drift is the slope that is left when
    the jumps are taken out, if it is five times its own standard error.
    """
    known = [(w.start_s, w.delay_samples) for w in windows if w.delay_samples is not None]
    if len(known) < 3:
        return DelayCourse(None, ())
    places, delays = (np.array(column, dtype=float) for column in zip(*known, strict=True))
    slope = float(np.median(np.diff(delays) / np.diff(places)))
    level = delays - slope * places
    jumps = []
    n = 1
    while n < len(level):
        before, after = np.median(level[max(0, n - PLATEAU) : n]), np.median(level[n : n + PLATEAU])
        step = round(float(after - before))
        if step and abs(level[n] - level[n - 1]) >= FARTHEST_LINEAR:
            jumps.append((float(places[n]), step))
            level[n:] -= step
            delays[n:] -= step
        n += 1
    return DelayCourse(_drift(places, delays, rate), tuple(jumps))


def _drift(places: Signal, delays: Signal, rate: int) -> float | None:
    # Seconds that fit nowhere near the others say nothing about clocks.
    usual = np.median(delays - np.polyval(np.polyfit(places, delays, 1), places))
    kept = np.abs(delays - np.polyval(np.polyfit(places, delays, 1), places) - usual) < FARTHEST_LINEAR
    if kept.sum() < MOST_UNSURE:
        return None
    (slope, _), covariance = np.polyfit(places[kept], delays[kept], 1, cov=True)
    error = math.sqrt(max(0.0, float(covariance[0, 0])))
    return float(slope) / rate * 1e6 if abs(slope) > SURE * error and abs(slope) > LEAST_SLOPE else None


def band_powers(signal: Signal, rate: int) -> dict[float, float]:
    """Mean power in each third octave of a signal, shape (frames, channels), channels summed, by nominal Hz.

    Hann windows that overlap by half, a second or the whole signal long.
    """
    frames = min(len(signal), rate)
    if frames < 16:
        return {}
    bands = ThirdOctaves(rate, frames)
    window = _hann(frames)
    starts = range(0, len(signal) - frames + 1, max(1, frames // 2))
    total = sum(_powers(signal[start : start + frames].T, window, bands) for start in starts)
    return dict(zip(bands.hz, (np.asarray(total) / len(starts)).tolist(), strict=True))


class _Aligned:
    """Gives A delayed by a part of a sample, its derivative, and B, a second at a time.

    Holds three seconds, as the filter looks ahead and back.
    """

    def __init__(self, rate: int, channels: int, delay: float) -> None:
        from scipy.fft import next_fast_len, rfft

        self.rate, self.channels = rate, channels
        self._pieces = EvenPieces(2 * channels, rate)
        self._before = np.zeros((2 * channels, HALF_TAPS))
        self._is_first = True
        self._now: Signal | None = None
        self._size = next_fast_len(rate + 4 * HALF_TAPS, real=True)
        taps = _taps(delay)
        slope = (_taps(delay - STEP) - _taps(delay + STEP)) / (2.0 * STEP)
        self._response = rfft(taps, self._size), rfft(slope, self._size)
        self._is_whole = delay == 0.0

    def add(self, a: Signal, b: Signal) -> Iterator[tuple[Signal, Signal, Signal]]:
        """Take a block of each, shape (frames, channels); yields arrays of the shape (channels, frames)."""
        if a.shape != b.shape:
            raise ValueError(f"blocks of both must have one shape, these have {a.shape} and {b.shape}")
        for piece in self._pieces.add(np.concatenate((a, b), axis=1)):
            if self._now is not None:
                yield self._work_out(piece)
            self._now = piece.copy()

    def rest(self) -> Iterator[tuple[Signal, Signal, Signal]]:
        """What is left, shorter; silence follows it."""
        tail = self._pieces.rest().copy()
        if self._now is not None:
            yield self._work_out(tail)
        self._now = tail
        if tail.shape[1]:
            yield self._work_out(tail[:, :0])

    def _work_out(self, behind: Signal) -> tuple[Signal, Signal, Signal]:
        from scipy.fft import irfft, rfft

        assert self._now is not None
        now, frames, channels = self._now, self._now.shape[1], self.channels
        a, b = now[:channels], now[channels:]
        ahead = np.zeros((channels, HALF_TAPS))
        known = min(HALF_TAPS, behind.shape[1])
        ahead[:, :known] = behind[:channels, :known]
        around = np.concatenate((self._before[:channels], a, ahead), axis=1)
        self._before = np.concatenate((self._before, now), axis=1)[:, -HALF_TAPS:]
        is_first, self._is_first = self._is_first, False
        spectrum = rfft(around, self._size, axis=1)
        there = slice(2 * HALF_TAPS, 2 * HALF_TAPS + frames)
        slope = irfft(spectrum * self._response[1], self._size, axis=1)[:, there]
        if self._is_whole:
            return a, slope, b
        a, b = irfft(spectrum * self._response[0], self._size, axis=1)[:, there], b.copy()
        # Next to the ends the filter misses what lies beyond them: left out of everything.
        missing = [slice(max(0, frames + known - HALF_TAPS), None)]
        if is_first:
            missing.append(slice(0, HALF_TAPS))
        for part in missing:
            for signal in (a, slope, b):
                signal[:, part] = 0.0
        return a, slope, b


@dataclass
class _Sums:
    """Products of A delayed, its derivative and B, one row for each second: all that a fit needs."""

    rows: list[tuple[float, ...]] = field(default_factory=list)

    def add(self, a: Signal, slope: Signal, b: Signal) -> None:
        self.rows.append(tuple(_dot(x, y) for x, y in ((a, a), (a, slope), (slope, slope), (a, b), (slope, b), (b, b))))


class NullFitter:
    """Improves gain, polarity and delay of a fit over a whole signal.

    Parameters
    ----------
    rate : int
        Hz.
    channels : int
        Of each signal. All channels share one gain and one delay.
    delay : float
        Where to begin, in samples, within about half a sample of the truth.
    follow_gain : bool
        Also work out the gain over time.
    """

    def __init__(self, rate: int, channels: int, delay: float = 0.0, *, follow_gain: bool = False) -> None:
        self._aligned = _Aligned(rate, channels, delay)
        self._delay = delay
        self._follow = follow_gain
        self._sums = _Sums()

    def add(self, a: Signal, b: Signal) -> None:
        """Add a block of each, shape (frames, channels).

        Raises
        ------
        ValueError
            Their shapes differ, or have other channels.
        UnmeasurableError
            A sample is not a finite number.
        """
        for piece in self._aligned.add(a, b):
            self._sums.add(*piece)

    def result(self) -> NullFit:
        """The fit over all that has been added.

        Raises
        ------
        UnmeasurableError
            One of the two is silent.
        """
        sums = _Sums(list(self._sums.rows))
        for piece in copy.deepcopy(self._aligned).rest():
            sums.add(*piece)
        rows = np.array(sums.rows).reshape(-1, 6)
        frames = max(1, len(rows) * self._aligned.rate)
        if rows[:, 0].sum() / frames < SILENCE or rows[:, 5].sum() / frames < SILENCE:
            raise UnmeasurableError("one of the two is silent: there is nothing to null")
        fits = [_solve(row) for row in rows]
        shifts = np.array([shift for _, shift in fits])
        loud = rows[:, 0] > 1e-3 * rows[:, 0].mean()
        usual = float(np.median(shifts[loud]))
        # A second after a slip, or with a dropout in it, says nothing about the others.
        kept = np.abs(shifts - usual) <= FARTHEST_LINEAR
        row = rows[kept].sum(axis=0) if kept.any() else rows.sum(axis=0)
        gain, shift = _solve(row)
        if gain == 0.0:
            raise UnmeasurableError("nothing of the one is in the other: there is nothing to null")
        delay = self._delay + float(np.clip(shift, -1.0, 1.0))
        return NullFit(
            # Rounding alone must not send a copy through a filter.
            delay_samples=delay if abs(delay - round(delay)) > SNAP else float(round(delay)),
            gain=abs(gain),
            polarity=1 if gain > 0.0 else -1,
            depth_db=_left_over_db(row, gain, shift),
            curve=_gain_curve(rows, gain) if self._follow else None,
        )


class NullMeter:
    """Subtracts a fit and describes what is left.

    Parameters
    ----------
    rate : int
        Hz.
    channels : int
        Of each signal.
    fit : NullFit
        Its `delay_samples` counts from how the blocks are lined up.
    shift : int
        Whole samples by which B was moved to line the blocks up: added to every delay that is reported.
    """

    def __init__(self, rate: int, channels: int, fit: NullFit, *, shift: int = 0) -> None:
        self._fit, self._shift, self._rate = fit, shift, rate
        self._aligned = _Aligned(rate, channels, fit.delay_samples)
        self._gain = fit.gain * fit.polarity
        self._bands = ThirdOctaves(rate, rate)
        self._window = _hann(rate)
        self._half: tuple[Signal, Signal] | None = None
        self._second = 0
        self._frames = 0
        self._residual = np.zeros(channels)
        self._reference = np.zeros(channels)
        self._band_sums = np.zeros((4, len(self._bands.hz)))
        self._framed = 0
        self._windows: list[NullWindow] = []
        self._quietest = [math.inf, math.inf]

    def add(self, a: Signal, b: Signal) -> None:
        """Add a block of each, shape (frames, channels). Raises as `NullFitter.add`."""
        for piece in self._aligned.add(a, b):
            self._take(*piece)

    def result(self) -> NullResult:
        """What is left, over all that has been added.

        Raises
        ------
        UnmeasurableError
            The reference is silent, or nothing has been added.
        """
        whole = copy.deepcopy(self)
        for piece in whole._aligned.rest():
            whole._take(*piece)
        return whole._describe()

    def _take(self, a: Signal, slope: Signal, b: Signal) -> None:
        frames = a.shape[1]
        reference = self._gain * a * self._curve(frames)
        residual = b - reference
        self._frames += frames
        self._residual += np.einsum("cf,cf->c", residual, residual)
        self._reference += np.einsum("cf,cf->c", reference, reference)
        self._windows.append(self._look(a, slope, b, reference, residual))
        self._look_for_quiet(a, b)
        self._add_bands(reference, residual)
        self._second += 1

    def _curve(self, frames: int) -> Signal | float:
        curve = self._fit.curve
        if curve is None or not len(curve):
            return 1.0
        middles = np.arange(len(curve)) + 0.5
        return np.interp(self._second + np.arange(frames) / self._rate, middles, curve)

    def _look(self, a: Signal, slope: Signal, b: Signal, reference: Signal, residual: Signal) -> NullWindow:
        start = float(self._second)
        power = _dot(reference, reference)
        left = _dot(residual, residual)
        left_power = left / max(1, a.shape[1])
        if power <= SILENCE * a.shape[1]:
            return NullWindow(start, None, None, None, left_power)
        depth = power_to_db(left / power)
        row = _Sums()
        row.add(a, slope, b)
        gain, shift = _solve(np.array(row.rows[0]))
        delay: float | None = self._fit.delay_samples + shift
        if depth > JUMPED_ABOVE_DB or abs(shift) > FARTHEST_LINEAR:
            delay = self._correlate(a, b)
        return NullWindow(
            start,
            depth,
            power_to_db(gain**2) if gain != 0.0 else None,
            delay + self._shift if delay is not None else None,
            left_power,
        )

    def _correlate(self, a: Signal, b: Signal) -> float | None:
        loudest = int(np.argmax(np.einsum("cf,cf->c", a, a)))
        far = min(FARTHEST_JUMP_S * self._rate, 0.25 * a.shape[1])
        try:
            found = match_material(a[loudest], b[loudest], self._rate, lowest=-far, highest=far)
        except UnmeasurableError:
            return None
        return self._fit.delay_samples + found.samples

    def _look_for_quiet(self, a: Signal, b: Signal) -> None:
        span = self._rate // 10
        whole = a.shape[1] // span * span
        for n, signal in enumerate((a, b)):
            parts = signal[:, :whole].reshape(signal.shape[0], -1, span)
            powers = np.einsum("cns,cns->n", parts, parts) / span
            powers = powers[powers > SILENCE]
            self._quietest[n] = min(self._quietest[n], float(powers.min(initial=math.inf)))

    def _add_bands(self, reference: Signal, residual: Signal) -> None:
        frames, rate = reference.shape[1], self._rate
        if self._half is not None:
            before = self._half
            pairs = [
                np.concatenate((old, new[:, : rate - old.shape[1]]), axis=1)
                for old, new in zip(before, (reference, residual), strict=True)
            ]
            self._add_frame(*pairs)
        self._add_frame(reference, residual)
        self._half = (reference[:, rate // 2 :].copy(), residual[:, rate // 2 :].copy()) if frames == rate else None

    def _add_frame(self, reference: Signal, residual: Signal) -> None:
        from scipy.fft import rfft

        # The last second may be short: the window then fits what there is, and silence follows.
        frames = reference.shape[1]
        window = self._window if frames == self._rate else _hann(frames)
        there, left = (rfft(signal * window, self._rate, axis=1) for signal in (reference, residual))
        along = (left * np.conj(there)).sum(axis=0)
        bins = np.stack(
            [
                (there.real**2 + there.imag**2).sum(axis=0),
                (left.real**2 + left.imag**2).sum(axis=0),
                along.real,
                along.imag,
            ]
        )
        self._band_sums += self._bands.sum(bins) * (2.0 / self._rate**2)
        self._framed += 1

    def _describe(self) -> NullResult:
        reference = float(self._reference.sum()) / max(1, self._frames)
        if reference <= SILENCE:
            raise UnmeasurableError("the reference is silent: there is nothing to null")
        residual = float(self._residual.sum()) / self._frames
        there, left, along, across = self._band_sums / max(1, self._framed)
        fitted = power_to_db(self._fit.gain**2)
        bands = []
        for n, hz in enumerate(self._bands.hz):
            if there[n] <= max(SILENCE, 1e-15 * reference):
                bands.append(NullBand(hz, None, None, float(there[n]), float(left[n])))
                continue
            # With its phase, so that a filter's turn is not taken for a loss.
            change = abs(1.0 + complex(along[n], across[n]) / there[n])
            gain = fitted + power_to_db(change**2) if change > 0.0 else None
            bands.append(NullBand(hz, power_to_db(left[n] / there[n]), gain, float(there[n]), float(left[n])))
        return NullResult(
            depth_db=power_to_db(residual / reference),
            channel_depth_db=tuple(
                power_to_db(float(r / s)) if s > SILENCE * self._frames else math.nan
                for r, s in zip(self._residual, self._reference, strict=True)
            ),
            reference_power=reference,
            residual_power=residual,
            bands=tuple(bands),
            over_time=tuple(self._windows),
            quietest_power=(self._quietest[0], self._quietest[1]),
        )


def _dot(x: Signal, y: Signal) -> float:
    # Not through the linear algebra library: for slices it copies, and its threads take time from the audio.
    return float(np.einsum("cf,cf->", x, y))


def _solve(row: NDArray[np.float64]) -> tuple[float, float]:
    """Least squares for b = gain * a(t - shift): gain with its sign, and the shift to first order."""
    aa, as_, ss, ab, sb, _ = row
    if aa <= 0.0:
        return 0.0, 0.0
    determinant = aa * ss - as_**2
    if determinant <= 1e-12 * aa * ss:
        return float(ab / aa), 0.0
    gain = (ab * ss - sb * as_) / determinant
    along = (aa * sb - as_ * ab) / determinant
    # Where hardly anything of A is in B, a shift has no meaning.
    return float(gain), float(-along / gain) if gain != 0.0 else 0.0


def _left_over_db(row: NDArray[np.float64], gain: float, shift: float) -> float:
    """Residual over reference, by the normal equations."""
    aa, _, _, ab, sb, bb = row
    left = bb - gain * ab + gain * shift * sb
    return power_to_db(max(float(left / (gain**2 * aa)), 0.0))


def _gain_curve(rows: NDArray[np.float64], gain: float) -> Signal:
    """Gain of each second over that of the whole, smoothed with its neighbours, silent seconds left out."""
    weights = rows[:, 0]
    kernel = np.array([0.25, 0.5, 0.25])
    there = np.convolve(weights, kernel, mode="same")
    along = np.convolve(rows[:, 3], kernel, mode="same") / gain
    heard = there > 1e-6 * weights.mean()
    if not heard.any():
        return np.ones(len(rows))
    places = np.arange(len(rows))
    return np.asarray(np.interp(places, places[heard], along[heard] / there[heard]))


def _taps(delay: float) -> Signal:
    """Impulse response that delays by HALF_TAPS and part of a sample."""
    places = np.arange(-HALF_TAPS, HALF_TAPS + 1) - delay
    window = np.i0(KAISER_BETA * np.sqrt(np.maximum(0.0, 1.0 - (places / (HALF_TAPS + 2)) ** 2)))
    taps = np.sinc(places) * window
    return np.asarray(taps / taps.sum())


def _hann(frames: int) -> Signal:
    """Periodic, its mean square 1."""
    window = 0.5 - 0.5 * np.cos(2.0 * np.pi * (np.arange(frames) + 0.5) / frames)
    return np.asarray(window * np.sqrt(8.0 / 3.0))


def _powers(signal: Signal, window: Signal, bands: ThirdOctaves) -> NDArray[np.float64]:
    from scipy.fft import rfft

    spectrum = rfft(signal * window, axis=1)
    return bands.sum((spectrum.real**2 + spectrum.imag**2).sum(axis=0)) * (2.0 / len(window) ** 2)
