"""Noise and hum of a stretch in which nothing plays.

Mains lines are fitted as sinusoids at the mains frequency and its harmonics, by least squares, with the
frequency itself found within half a hertz: a mains is never quite on its nominal. What the noise alone would
put into a line is taken off it, and a line that does not stand out is noise.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from printq.errors import UnmeasurableError
from printq.units import power_to_db

__all__ = ["NoiseResult", "a_weighting", "decimate", "measure_noise"]

Signal = NDArray[np.float64]

STRETCH_S = 1.0
"""A mains wanders, by a hundredth of a hertz in seconds: over a longer stretch no steady sine fits it."""
HIGHEST_LINE_HZ = 1000.0
MAINS_WANDER_HZ = 0.5
PADDING = 8
"""Zeros appended before the search, in lengths of the lead: its spectrum is then dense enough to read lines from."""
TUNING_STEPS = 3
FIT_RATE = 4000
FIT_EDGE = 10
"""Samples at either end that the resampling takes from beyond the lead, where there is nothing."""
STANDS_OUT = 25.0
"""A line counts when it has this many times the power that noise would put there. White noise alone did that in none
of 1600 simulated leads of 0.3 and 1 s, although the frequency is searched for what explains most."""
NEIGHBOURHOOD_HZ = 20.0


@dataclass(frozen=True)
class NoiseResult:
    """Levels in dBFS RMS, full scale = 1.0; minus infinity for digital silence."""

    rms_dbfs: float
    """Without mains lines and without DC."""
    a_weighted_dbfs: float
    """The same, A-weighted (IEC 61672-1)."""
    hum_dbfs: float
    """Sum of the mains lines."""
    lines: tuple[tuple[float, float], ...]
    """(Hz, dBFS) of each line that stands out."""


def measure_noise(lead: Signal, rate: int, mains_hz: float) -> NoiseResult:
    """Measure noise and hum.

    Parameters
    ----------
    lead : ndarray, shape (n,)
        Nothing but noise; 0.1 s or longer.
    rate : int
        Hz.
    mains_hz : float
        50 or 60.

    Raises
    ------
    UnmeasurableError
        Shorter than 0.1 s, or not finite.
    """
    if len(lead) < rate // 10:
        raise UnmeasurableError(f"a lead of {len(lead) / rate:.3f} s is too short to measure noise: 0.1 s are needed")
    if not np.all(np.isfinite(lead)):
        raise UnmeasurableError("the lead holds samples that are not finite numbers")
    noise = lead - lead.mean()
    if not np.any(noise):
        return NoiseResult(-math.inf, -math.inf, -math.inf, ())
    stretches = np.array_split(noise, max(1, round(len(noise) / (STRETCH_S * rate))))
    split = [_split_lines(stretch, rate, mains_hz) for stretch in stretches]
    rest = np.concatenate([rest for _, rest in split])
    lines = _average([lines for lines, _ in split], mains_hz)
    return NoiseResult(
        rms_dbfs=power_to_db(float(np.mean(rest**2))),
        a_weighted_dbfs=power_to_db(_a_weighted_power(rest, rate)),
        hum_dbfs=power_to_db(sum(power for _, power in lines)),
        lines=tuple((hz, power_to_db(power)) for hz, power in lines),
    )


def a_weighting(hz: NDArray[np.float64]) -> NDArray[np.float64]:
    """A-weighting as a linear gain; the formula of IEC 61672-1, its constants from memory."""
    square = np.asarray(hz, dtype=np.float64) ** 2
    gain = (12194.217**2 * square**2) / (
        (square + 20.598997**2) * np.sqrt((square + 107.65265**2) * (square + 737.86223**2)) * (square + 12194.217**2)
    )
    return np.asarray(gain * 10.0 ** (2.0 / 20.0))


def _split_lines(noise: Signal, rate: int, mains_hz: float) -> tuple[list[tuple[float, float]], Signal]:
    """The lines that stand out as (Hz, power), and what is left without them."""
    from scipy.fft import rfft, rfftfreq

    # Lines lie low: at a few kilohertz a fit costs next to nothing.
    step = max(1, rate // FIT_RATE)
    slow = decimate(noise, step)[FIT_EDGE:-FIT_EDGE]
    slow_rate = rate / step
    count = int(min(HIGHEST_LINE_HZ, 0.25 * slow_rate) // (mains_hz + MAINS_WANDER_HZ))
    fundamental, weights = _fit(slow, slow_rate, mains_hz, count)
    rest = slow - _waves(len(slow), slow_rate, fundamental, np.arange(1, count + 1)) @ weights
    density = np.abs(rfft(rest)) ** 2 * 2.0 / (slow_rate * len(rest))
    places = rfftfreq(len(rest), 1.0 / slow_rate)
    found = []
    kept = []
    for line in range(count):
        hz = fundamental * (line + 1)
        power = 0.5 * float(weights[2 * line] ** 2 + weights[2 * line + 1] ** 2)
        near = np.abs(places - hz) < max(NEIGHBOURHOOD_HZ, 4.0 * slow_rate / len(rest))
        expected = float(density[near].mean()) * slow_rate / len(rest)
        if power > STANDS_OUT * expected and power > 1e-20:
            found.append((hz, power - expected))
            kept.append(line)
    if not kept:
        return [], noise
    columns = [column for line in kept for column in (2 * line, 2 * line + 1)]
    first = -FIT_EDGE * step
    lines = _waves(len(noise), rate, fundamental, np.array(kept) + 1, first) @ weights[columns]
    rest = noise - lines
    # The mean that was taken off the lead was partly that of lines which do not fill it with whole periods.
    return found, rest - rest.mean()


def decimate(signal: Signal, step: int) -> Signal:
    """Every so many samples of a signal, without what is above half their rate; silence is around it.

    A windowed sinc of ten zeros to either side. The window, Kaiser's, leaves ripples of -80 dB: what they did to a line
    would be left behind as noise. By numpy alone: scipy's signal package costs 60 MB and half a second.
    """
    reach = 10 * step
    taps = np.sinc(np.arange(-reach, reach + 1) / step) * np.kaiser(2 * reach + 1, 8.0)
    windows = np.lib.stride_tricks.sliding_window_view(np.pad(signal, reach), 2 * reach + 1)[::step]
    return np.asarray(windows @ (taps / taps.sum()))


def _average(stretches: list[list[tuple[float, float]]], mains_hz: float) -> list[tuple[float, float]]:
    """Mean place and power of each line over all stretches; its power is 0 where it does not stand out."""
    found: dict[int, list[tuple[float, float]]] = {}
    for hz, power in (line for lines in stretches for line in lines):
        found.setdefault(round(hz / mains_hz), []).append((hz, power))
    return [
        (sum(hz for hz, _ in same) / len(same), sum(power for _, power in same) / len(stretches))
        for _, same in sorted(found.items())
    ]


def _find_fundamental(noise: Signal, rate: float, mains_hz: float, count: int) -> float:
    """The frequency near the mains at which all lines together hold most power."""
    from scipy.fft import next_fast_len, rfft

    frames = next_fast_len(PADDING * len(noise), real=True)
    power = np.abs(rfft(noise, frames)) ** 2
    # A step moves the highest line by one bin.
    step = rate / frames / count
    candidates = mains_hz + np.arange(-MAINS_WANDER_HZ, MAINS_WANDER_HZ + step, step)
    bins = np.rint(np.outer(candidates, np.arange(1, count + 1)) * frames / rate).astype(np.intp)
    return float(candidates[int(np.argmax(power[bins].sum(axis=1)))])


def _fit(noise: Signal, rate: float, mains_hz: float, count: int) -> tuple[float, Signal]:
    """Least squares: the fundamental, and the weights of the cosine and sine of each harmonic, in turn.

    The frequency is tuned by Gauss-Newton steps. Half a step of the search alone would leave a tenth of a strong
    upper line behind, and that would count as noise.
    """
    fundamental = _find_fundamental(noise, rate, mains_hz, count)
    harmonics = np.arange(1, count + 1)
    seconds = np.arange(len(noise)) / rate
    waves = _waves(len(noise), rate, fundamental, harmonics)
    weights = _least_squares(waves, noise)
    for _ in range(TUNING_STEPS):
        # How the sum of the lines changes with the fundamental.
        turned = np.empty_like(weights)
        turned[0::2] = harmonics * weights[1::2]
        turned[1::2] = -harmonics * weights[0::2]
        change = 2.0 * np.pi * seconds * (waves @ turned)
        scale = float(np.sqrt(np.dot(change, change)))
        if scale == 0.0:
            break
        together = np.column_stack((waves, change / scale))
        tuned = fundamental + float(_least_squares(together, noise)[-1]) / scale
        fundamental = float(np.clip(tuned, mains_hz - MAINS_WANDER_HZ, mains_hz + MAINS_WANDER_HZ))
        waves = _waves(len(noise), rate, fundamental, harmonics)
        weights = _least_squares(waves, noise)
    return fundamental, weights


def _least_squares(columns: Signal, signal: Signal) -> Signal:
    return np.asarray(np.linalg.solve(columns.T @ columns, columns.T @ signal))


def _waves(frames: int, rate: float, fundamental: float, harmonics: NDArray[np.int_], first: int = 0) -> Signal:
    """Cosine and sine of each harmonic, in turn, shape (frames, 2 * len(harmonics)), from a frame on."""
    turns = 2.0 * np.pi * fundamental / rate * np.outer(np.arange(first, first + frames), harmonics)
    waves = np.empty((frames, 2 * len(harmonics)))
    waves[:, 0::2] = np.cos(turns)
    waves[:, 1::2] = np.sin(turns)
    return waves


def _a_weighted_power(noise: Signal, rate: int) -> float:
    from scipy.fft import rfft, rfftfreq

    spectrum = np.abs(rfft(noise)) ** 2 * a_weighting(rfftfreq(len(noise), 1.0 / rate)) ** 2
    spectrum[1:] *= 2.0
    if len(noise) % 2 == 0:
        spectrum[-1] /= 2.0
    return float(spectrum.sum() / len(noise) ** 2)
