"""How late a signal came back, to a small part of a sample.

A matched filter: the delay is where the interpolated cross-correlation of what was sent and what came back
is largest in magnitude; its sign is the polarity. For a known signal in white noise that is the maximum
likelihood estimate, and it reaches the Cramer-Rao bound above its threshold (Kay, Fundamentals of
Statistical Signal Processing, vol. I, ch. 3). The correlation is interpolated exactly, as the band-limited
function that it is: a parabola through three samples would pull towards the samples.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from printq.errors import UnmeasurableError

__all__ = ["DelayEstimate", "find_delay", "match_material"]

Signal = NDArray[np.float64]

MIN_PROMINENCE = 7.0
"""Noise alone stays below this many times its RMS over a window of a second, but for one in a million."""
RIVALS = 8
"""Local maxima on the sample grid that are refined: the highest between samples need not be the highest on them."""
NEWTON_STEPS = 12
CORE_S = 0.004
"""What lies this close to the peak belongs to it, and does not count as background."""


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
    """Cramer-Rao bound for what is left over as noise, in samples."""


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
        Where to look, in samples; `highest` defaults to m - n, the last delay at which all of it is there.
    min_prominence : float
        Lowest accepted peak, in multiples of the RMS of the correlation elsewhere.

    Raises
    ------
    UnmeasurableError
        Silence, or no clear peak. Never a guess, never NaN.
    ValueError
        An array is not one-dimensional or not finite.

    Examples
    --------
    >>> import numpy as np
    >>> noise = np.random.default_rng(7).standard_normal(4096)
    >>> back = np.concatenate([np.zeros(137), -0.5 * noise, np.zeros(100)])
    >>> found = find_delay(noise, back, 48_000)
    >>> round(found.samples, 3), found.polarity, round(found.gain, 3)
    (137.0, -1, 0.5)
    """
    _validate(sent, returned)
    spectrum, frames = _cross_spectrum(sent, returned)
    return _locate(spectrum, frames, sent, returned, rate, lowest, highest, min_prominence)


def match_material(
    sent: Signal,
    returned: Signal,
    rate: int,
    *,
    lowest: float = 0.0,
    highest: float | None = None,
    min_prominence: float = MIN_PROMINENCE,
) -> DelayEstimate:
    """Estimate the delay from the stem itself.

    Music repeats and is coloured, so its plain correlation is broad and has many peaks. The cross spectrum is
    flattened by the square root of its magnitude, which sharpens the peak and leaves the quiet bands quiet. The same
    parameters, result and errors as `find_delay`; the gain is that of the flattened correlation's place.
    """
    _validate(sent, returned)
    spectrum, frames = _cross_spectrum(sent, returned)
    magnitude = np.abs(spectrum)
    floor = 1e-6 * magnitude.max()
    flattened = spectrum / np.sqrt(np.maximum(magnitude, floor))
    return _locate(flattened, frames, sent, returned, rate, lowest, highest, min_prominence, plain=spectrum)


def _validate(sent: Signal, returned: Signal) -> None:
    for name, signal in (("sent", sent), ("returned", returned)):
        if signal.ndim != 1:
            raise ValueError(f"{name} must be one-dimensional, it has shape {signal.shape}")
        if not np.all(np.isfinite(signal)):
            raise ValueError(f"{name} holds samples that are not finite")
    if not np.any(sent):
        raise UnmeasurableError("what was sent is silent: it has no place in what came back")
    if not np.any(returned):
        raise UnmeasurableError("nothing but digital silence came back")


def _cross_spectrum(sent: Signal, returned: Signal) -> tuple[NDArray[np.complex128], int]:
    from scipy.fft import next_fast_len, rfft

    frames = next_fast_len(len(sent) + len(returned), real=True)
    return rfft(returned, frames) * np.conj(rfft(sent, frames)), frames


def _locate(
    spectrum: NDArray[np.complex128],
    frames: int,
    sent: Signal,
    returned: Signal,
    rate: int,
    lowest: float,
    highest: float | None,
    min_prominence: float,
    plain: NDArray[np.complex128] | None = None,
) -> DelayEstimate:
    from scipy.fft import irfft

    last = float(max(0, len(returned) - len(sent))) if highest is None else highest
    low, high = max(0, int(np.floor(lowest))), int(np.ceil(last))
    correlation = irfft(spectrum, frames)
    window = np.abs(correlation[low : high + 1])
    place, height = _refine(spectrum, frames, window, low, lowest, last)
    background = _background(correlation[low : high + 1], place - low, rate)
    prominence = abs(height) / background if background > 0.0 else np.inf
    if not prominence >= min_prominence:
        raise UnmeasurableError(
            f"no clear peak: the highest is {prominence:.1f} times the background, {min_prominence:.1f} are needed"
        )
    energy = float(np.dot(sent, sent))
    projection = _evaluate(plain, frames, place)[0] if plain is not None else height
    gain = abs(projection) / energy
    left_over = max(float(np.dot(returned, returned)) - gain**2 * energy, 0.0) / len(returned)
    slope_energy = float(np.sum(np.gradient(sent) ** 2))
    error = np.sqrt(left_over / (gain**2 * slope_energy)) if gain > 0.0 and slope_energy > 0.0 else np.inf
    return DelayEstimate(
        samples=float(place),
        polarity=1 if height > 0.0 else -1,
        gain=float(gain),
        prominence=float(prominence),
        standard_error=float(error),
    )


def _refine(
    spectrum: NDArray[np.complex128], frames: int, window: Signal, low: int, lowest: float, highest: float
) -> tuple[float, float]:
    """The place and height of the largest magnitude, between the samples."""
    best = (float(low), 0.0)
    order = np.argsort(window)[::-1][:RIVALS]
    for candidate in order:
        if window[candidate] < 0.5 * window[order[0]]:
            break
        place = float(candidate + low)
        for _ in range(NEWTON_STEPS):
            _, slope, bend = _evaluate(spectrum, frames, place)
            if bend == 0.0:
                break
            # Half a sample at most: further would be another lobe.
            step = float(np.clip(-slope / bend, -0.5, 0.5))
            place = float(
                np.clip(place + step, max(lowest, candidate + low - 1.0), min(highest, candidate + low + 1.0))
            )
            if abs(step) < 1e-9:
                break
        height = _evaluate(spectrum, frames, place)[0]
        if abs(height) > abs(best[1]):
            best = (place, height)
    return best


def _evaluate(spectrum: NDArray[np.complex128] | None, frames: int, place: float) -> tuple[float, float, float]:
    """The band-limited correlation at a place, its slope and its bend."""
    assert spectrum is not None
    turn = 2.0 * np.pi * np.arange(len(spectrum)) / frames
    # Bins other than DC and Nyquist stand for two.
    weight = np.full(len(spectrum), 2.0 / frames)
    weight[0] = 1.0 / frames
    if frames % 2 == 0:
        weight[-1] = 1.0 / frames
    rotated = weight * spectrum * np.exp(1j * turn * place)
    return (
        float(rotated.real.sum()),
        float(-(turn * rotated.imag).sum()),
        float(-(turn**2 * rotated.real).sum()),
    )


def _background(correlation: Signal, peak: float, rate: int) -> float:
    core = round(CORE_S * rate)
    places = np.arange(len(correlation))
    away = correlation[np.abs(places - peak) > core]
    return float(np.sqrt(np.mean(away**2))) if len(away) else 0.0
