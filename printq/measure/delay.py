"""How late a signal came back, to a small part of a sample.

A matched filter: the delay is where the interpolated cross-correlation of what was sent and what came back
is largest in magnitude; its sign is the polarity. For a known signal in white noise that is the maximum
likelihood estimate, and it reaches the Cramer-Rao bound above its threshold (Kay, Fundamentals of
Statistical Signal Processing, vol. I, ch. 3). The correlation is interpolated exactly, as the band-limited
function that it is: a parabola through three samples would pull towards the samples.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from printq.errors import UnmeasurableError

__all__ = ["DelayEstimate", "find_delay", "likely_delays", "match_material"]

Signal = NDArray[np.float64]
Spectrum = NDArray[np.complex128]

MIN_PROMINENCE = 7.0
"""Noise alone stays below this many times its RMS over a window of a second, but for one in a million."""
MIN_MATERIAL_PROMINENCE = 20.0
"""Music is not noise: two stems of one piece, in one key and one metre, reach 13."""
RIVAL_SHARE = 0.9
"""A second peak this close to the highest leaves it open which of them is the delay."""
CORE_S = 0.004
"""What lies this close to the peak belongs to it, and counts neither as background nor as a rival."""
FLATTENING_FLOOR = 1e-6
"""Bins further below the strongest are not raised to meet the others."""

CANDIDATES = 12
"""Local maxima on the sample grid that are looked at between samples: the highest there need not be the highest on
the grid."""
CANDIDATE_SHARE = 0.5
"""Those under this share of the highest cannot be: a peak of the full band half way between two samples reaches
2/pi on either."""
FINENESS = 16
"""Steps to a sample of the rough look, close enough for Newton's method to end at the same peak."""
SINC_HALF = 32
NEWTON_STEPS = 8


@dataclass(frozen=True)
class DelayEstimate:
    """A delay, and how good it is."""

    samples: float
    """Positive: what came back is later."""
    polarity: int
    """1 or -1."""
    gain: float
    """Least-squares gain at that delay, linear, positive."""
    prominence: float
    """Height of the peak over the RMS of the correlation away from it."""
    standard_error: float
    """In samples, if all that the delayed signal does not explain were noise: for white noise the Cramer-Rao bound."""


def find_delay(
    sent: Signal,
    returned: Signal,
    rate: int,
    *,
    lowest: float = 0.0,
    highest: float | None = None,
    min_prominence: float = MIN_PROMINENCE,
) -> DelayEstimate:
    """Estimate how late `sent` arrives in `returned`.

    Parameters
    ----------
    sent : ndarray, shape (n,)
        What was played: broadband, so that its correlation has one clear peak.
    returned : ndarray, shape (m,)
        What came back, starting at the same frame.
    rate : int
        Hz.
    lowest, highest : float
        Where to look, in samples; `highest` defaults to m - n, the last delay at which all of it is there. An
        estimate may lie outside by half a sample. A negative delay finds what came back early.
    min_prominence : float
        Lowest accepted peak, in multiples of the RMS of the correlation elsewhere.

    Raises
    ------
    UnmeasurableError
        Silence, or no clear peak: none that stands out, or two of about the same height. Never a guess, never NaN.
    ValueError
        An array is not one-dimensional or not finite, or there is nothing between `lowest` and `highest`.

    Examples
    --------
    >>> import numpy as np
    >>> noise = np.random.default_rng(7).standard_normal(4096)
    >>> back = np.concatenate([np.zeros(137), -0.5 * noise, np.zeros(100)])
    >>> found = find_delay(noise, back, 48_000)
    >>> round(found.samples, 3), found.polarity, round(found.gain, 3)
    (137.0, -1, 0.5)
    """
    pair = _Pair.of(sent, returned)
    return _locate(pair, np.ones(len(pair.sent)), rate, lowest, highest, min_prominence)


def match_material(
    sent: Signal,
    returned: Signal,
    rate: int,
    *,
    lowest: float = 0.0,
    highest: float | None = None,
    min_prominence: float = MIN_MATERIAL_PROMINENCE,
) -> DelayEstimate:
    """Estimate the delay from the stem itself.

    Music repeats and is coloured, so its plain correlation is broad and has many peaks. The cross spectrum is
    flattened by the square root of its magnitude, half way to the phase transform (Knapp & Carter, 1976), which
    sharpens the peak and still leaves the bands quiet in which there is nothing but noise.

    Parameters, result and errors are those of `find_delay`; the gain is that of the signals as they are.
    """
    pair = _Pair.of(sent, returned)
    return _locate(pair, _flattening(pair), rate, lowest, highest, min_prominence)


def likely_delays(sent: Signal, returned: Signal, *, lowest: float, highest: float, count: int) -> list[float]:
    """Delays at which the flattened correlation is high, the highest first, for somebody who can try each.

    Music repeats itself; where several delays are about as likely, only a subtraction tells which is meant.

    Parameters
    ----------
    sent, returned : ndarray
        As for `find_delay`.
    lowest, highest : float
        Where to look, in samples.
    count : int
        How many at most.

    Raises
    ------
    UnmeasurableError
        One of the two is silent.
    ValueError
        As for `find_delay`.
    """
    from scipy.fft import irfft

    pair = _Pair.of(sent, returned)
    correlation = irfft(pair.cross * _flattening(pair), pair.transform)
    first, last = _range_of(pair, lowest, highest)
    magnitude = np.abs(np.take(correlation, np.arange(first - 1, last + 2), mode="wrap"))
    inner = magnitude[1:-1]
    peaks = np.flatnonzero((inner > magnitude[:-2]) & (inner >= magnitude[2:]))
    peaks = peaks[np.argsort(-inner[peaks], kind="stable")][:count]
    # A parabola through three samples is close enough for a first try.
    below, at, above = (magnitude[peaks + step] for step in range(3))
    bend = below - 2.0 * at + above
    return list(map(float, first + peaks + 0.5 * (below - above) / np.where(bend < 0.0, bend, -np.inf)))


@dataclass(frozen=True)
class _Pair:
    """Spectra of what was sent and what came back, long enough that no lag wraps round."""

    sent: Spectrum
    returned: Spectrum
    cross: Spectrum
    transform: int
    """Length of the transform."""
    sent_frames: int
    returned_frames: int

    @classmethod
    def of(cls, sent: Signal, returned: Signal) -> _Pair:
        from scipy.fft import next_fast_len, rfft

        for name, signal in (("sent", sent), ("returned", returned)):
            if signal.ndim != 1:
                raise ValueError(f"{name} must be one-dimensional, it has the shape {signal.shape}")
            if not np.all(np.isfinite(signal)):
                raise ValueError(f"{name} holds samples that are not finite numbers")
        if not np.any(sent):
            raise UnmeasurableError("what was sent is silent: it has no place in what came back")
        if not np.any(returned):
            raise UnmeasurableError("nothing but digital silence came back")
        transform = next_fast_len(len(sent) + len(returned) + 2 * SINC_HALF, real=True)
        sent_spectrum = rfft(np.asarray(sent, dtype=np.float64), transform)
        returned_spectrum = rfft(np.asarray(returned, dtype=np.float64), transform)
        return cls(
            sent=sent_spectrum,
            returned=returned_spectrum,
            cross=returned_spectrum * np.conj(sent_spectrum),
            transform=transform,
            sent_frames=len(sent),
            returned_frames=len(returned),
        )

    def turn(self) -> Signal:
        """Radians a sample at each bin."""
        return np.asarray(2.0 * np.pi / self.transform * np.arange(len(self.sent)))

    def share(self) -> Signal:
        """What each bin counts in the inverse transform: bins other than DC and Nyquist stand for two."""
        share = np.full(len(self.sent), 2.0 / self.transform)
        share[0] = 1.0 / self.transform
        if self.transform % 2 == 0:
            share[-1] = 1.0 / self.transform
        return share


def _flattening(pair: _Pair) -> Signal:
    magnitude = np.abs(pair.cross)
    return np.asarray(1.0 / np.sqrt(np.maximum(magnitude, FLATTENING_FLOOR * magnitude.max())))


def _range_of(pair: _Pair, lowest: float, highest: float) -> tuple[int, int]:
    first = max(math.floor(lowest), 1 - pair.sent_frames)
    last = min(math.ceil(highest), pair.returned_frames - 1)
    if last < first:
        raise ValueError(f"there is no delay between {lowest} and {highest} at which the signals meet")
    return first, last


def _locate(
    pair: _Pair, weights: Signal, rate: int, lowest: float, highest: float | None, min_prominence: float
) -> DelayEstimate:
    """Find the peak of the correlation whose bins are weighted."""
    from scipy.fft import irfft

    if highest is None:
        highest = float(max(0, pair.returned_frames - pair.sent_frames))
    first, last = _range_of(pair, lowest, highest)
    correlation = irfft(pair.cross * weights, pair.transform)
    rough, rough_height = _look_between_samples(correlation, first, last)
    prominence = rough_height / _background(correlation, rough, rough_height, first, last, pair, rate)
    if prominence < min_prominence:
        raise UnmeasurableError(
            f"no clear peak: the highest is {prominence:.1f} times the background, {min_prominence:.1f} are needed"
        )
    place, height, bend = _climb(pair, weights, rough)
    turned = np.exp(1j * pair.turn() * place)
    share = pair.share()
    gain = float((share * (pair.cross * turned).real).sum() / (share * np.abs(pair.sent) ** 2).sum())
    left_over = pair.returned - gain * pair.sent * np.conj(turned)
    # The slope of the correlation would be nought at the true delay; what noise makes of it moves the peak by
    # slope / bend. Zero-padding makes neighbouring bins depend on each other, hence the ratio of lengths.
    slopes = share * pair.turn() * weights * np.abs(pair.sent) * np.abs(left_over)
    slope_variance = 0.5 * pair.transform / pair.returned_frames * float(np.sum(slopes**2))
    return DelayEstimate(
        samples=place,
        polarity=1 if height > 0.0 else -1,
        gain=abs(gain),
        prominence=prominence,
        standard_error=math.sqrt(slope_variance) / abs(bend),
    )


def _look_between_samples(correlation: Signal, first: int, last: int) -> tuple[float, float]:
    """Place, to 1/16 of a sample, and height of the largest magnitude among the local maxima."""
    magnitude = np.abs(np.take(correlation, np.arange(first - 1, last + 2), mode="wrap"))
    inner = magnitude[1:-1]
    peaks = np.flatnonzero((inner > magnitude[:-2]) & (inner >= magnitude[2:]))
    if not len(peaks):
        raise UnmeasurableError("no clear peak: the correlation has none within the delays that were asked for")
    peaks = peaks[np.argsort(-inner[peaks], kind="stable")][:CANDIDATES]
    peaks = peaks[inner[peaks] >= CANDIDATE_SHARE * inner[peaks[0]]]
    around = np.arange(1 - SINC_HALF, SINC_HALF)
    offsets = np.arange(-FINENESS + 1, FINENESS) / FINENESS
    distance = around[:, np.newaxis] - offsets
    window = 0.5 + 0.5 * np.cos(np.pi * distance / (SINC_HALF + 1))
    near = np.take(correlation, peaks[:, np.newaxis] + first + around, mode="wrap")
    heights = np.abs(near @ (np.sinc(distance) * window))
    peak, offset = np.unravel_index(int(np.argmax(heights)), heights.shape)
    return float(peaks[peak] + first + offsets[offset]), float(heights[peak, offset])


def _background(
    correlation: Signal, peak: float, height: float, first: int, last: int, pair: _Pair, rate: int
) -> float:
    """RMS of the correlation away from its peak, where none as high may be.

    It is taken where at least half of what was sent meets what came back, however narrow the search is. A rival
    as high as the peak is looked for within the search alone.
    """
    half = pair.sent_frames // 2
    lags = np.arange(min(first, -half), max(last, pair.returned_frames - pair.sent_frames + half) + 1)
    magnitude = np.abs(np.take(correlation, lags, mode="wrap"))
    away = np.abs(lags - peak) > max(1.0, CORE_S * rate)
    rival = float(magnitude[away & (lags >= first) & (lags <= last)].max(initial=0.0))
    if rival > RIVAL_SHARE * height:
        raise UnmeasurableError(
            f"no clear peak: a second one, far from the highest, has {100.0 * rival / height:.0f} % of its height"
        )
    background = float(np.sqrt(np.mean(magnitude[away] ** 2))) if away.any() else 0.0
    if background == 0.0:
        raise UnmeasurableError("no clear peak: the signals are too short to tell one from its surroundings")
    return background


def _climb(pair: _Pair, weights: Signal, rough: float) -> tuple[float, float, float]:
    """Newton's method on the exact correlation: place, height and bend of the maximum next to `rough`."""
    spectrum = pair.share() * weights * pair.cross
    turn = pair.turn()

    def look(place: float) -> tuple[float, float, float]:
        turned = spectrum * np.exp(1j * turn * place)
        return float(turned.real.sum()), -float((turn * turned.imag).sum()), -float((turn**2 * turned.real).sum())

    place = rough
    height, slope, bend = look(place)
    for _ in range(NEWTON_STEPS):
        if height * bend >= 0.0:
            raise UnmeasurableError("no clear peak: the correlation is flat at its highest")
        step = float(np.clip(-slope / bend, -1.0 / FINENESS, 1.0 / FINENESS))
        place += step
        height, slope, bend = look(place)
        if abs(step) < 1e-9:
            break
    if abs(place - rough) > 0.5:
        raise UnmeasurableError("no clear peak: the correlation is flat at its highest")
    return place, height, bend
