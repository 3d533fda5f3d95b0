"""Levels with exact answers, and true peak against EBU Tech 3341 v4, signals 15 to 23."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import firwin, oaconvolve, resample

from printq.errors import UnmeasurableError
from printq.measure.peaks import LevelMeter, LevelResult, TruePeakMeter
from tests.measure.signals import Signal, delayed, sine

RATE = 48_000


def levels(signal: NDArray[np.floating]) -> LevelResult:
    meter = LevelMeter(signal.shape[1])
    meter.add(signal)
    return meter.result()


def true_peaks(signal: NDArray[np.floating], rate: int = RATE) -> tuple[float, ...]:
    meter = TruePeakMeter(rate, signal.shape[1])
    meter.add(signal)
    return meter.result()


def true_peak_db(signal: Signal, rate: int = RATE) -> float:
    return 20.0 * math.log10(true_peaks(signal[:, np.newaxis], rate)[0])


def test_levels_of_simple_signals_are_exact() -> None:
    signal = np.array([[0.5, -1.0], [-0.5, 0.0], [0.5, 0.0], [0.5, 0.0]])
    found = levels(signal)
    assert found.sample_peak == (0.5, 1.0)
    assert found.rms == (0.5, 0.5)
    assert found.mean == (0.25, -0.25)
    assert found.frames == 4


def test_a_sine_is_3_db_over_its_rms() -> None:
    found = levels(sine(1.0, 0.0, RATE)[:, np.newaxis])
    assert found.rms[0] == pytest.approx(math.sqrt(0.5), rel=1e-12)
    assert found.mean[0] == pytest.approx(0.0, abs=1e-15)


def test_nothing_has_no_level() -> None:
    assert levels(np.zeros((0, 2))) == LevelResult((0.0, 0.0), (0.0, 0.0), (0.0, 0.0), 0)
    assert true_peaks(np.zeros((0, 2))) == (0.0, 0.0)


def test_the_quietest_sample_of_24_bits_is_seen_after_an_hour() -> None:
    # Sums of squares must not lose it: one step of 24 bits throughout.
    step = np.full((48_000, 1), 2.0**-23, dtype=np.float32)
    meter = LevelMeter(1)
    for _ in range(60):
        meter.add(step)
    assert meter.result().rms[0] == pytest.approx(2.0**-23, rel=1e-12)
    assert meter.result().mean[0] == pytest.approx(2.0**-23, rel=1e-12)


def faded(signal: Signal, rate: int = RATE) -> Signal:
    """With ramps of 10 ms, as Tech 3341 asks for."""
    ramp = np.linspace(0.0, 1.0, round(0.01 * rate), endpoint=False)
    shaped = signal.copy()
    shaped[: len(ramp)] *= ramp
    shaped[-len(ramp) :] *= ramp[::-1]
    return shaped


@pytest.mark.parametrize("rate", [44_100, 48_000, 88_200, 96_000, 192_000])
@pytest.mark.parametrize(
    ("divisor", "level", "degrees", "dbtp"),
    # Tech 3341 v4, Table 1.
    [
        pytest.param(4, 0.50, 0.0, -6.0, id="15"),
        pytest.param(4, 0.50, 45.0, -6.0, id="16"),
        pytest.param(6, 0.50, 60.0, -6.0, id="17"),
        pytest.param(8, 0.50, 67.5, -6.0, id="18"),
        pytest.param(4, 1.41, 45.0, 3.0, id="19"),
    ],
)
def test_true_peak_of_tech_3341_tones(divisor: int, level: float, degrees: float, dbtp: float, rate: int) -> None:
    tone = faded(level * np.sin(2 * np.pi * np.arange(rate) / divisor + math.radians(degrees)), rate)
    found = true_peak_db(tone, rate)
    assert dbtp - 0.4 <= found <= dbtp + 0.2
    # Published are +0.2 and -0.4; an interpolator without error reads the peak itself, which these phases hit.
    assert found == pytest.approx(20 * math.log10(level), abs=0.02)


@pytest.mark.parametrize("offset", range(4), ids=["20", "21", "22", "23"])
def test_true_peak_of_one_loud_period(offset: int) -> None:
    # Tech 3341 v4, Table 1: fs/6 at 0.50 with one period of fs/4 at 1.00, built at 4 fs, low-passed, decimated.
    quiet = 0.5 * np.sin(2 * np.pi * np.arange(24 * 1000) / 24)
    loud = np.sin(2 * np.pi * np.arange(16) / 16)
    built = np.concatenate((quiet, loud, quiet))
    low_passed = oaconvolve(built, firwin(255, 0.25, window=("kaiser", 8.0)), mode="same")
    found = true_peak_db(faded(low_passed[offset::4]))
    assert -0.4 <= found <= 0.2


@pytest.mark.parametrize(("rate", "factor"), [(8_000, 4), (44_100, 4), (48_000, 4), (96_000, 2), (192_000, 2)])
def test_no_peak_between_samples_is_missed(rate: int, factor: int) -> None:
    # Against the transform's own, exact interpolation, with noise below 0.42 of the rate.
    rng = np.random.default_rng(rate)
    taps = firwin(401, 2 * 0.42, window=("kaiser", 10.0))
    for _ in range(10):
        noise = np.zeros(8192)
        noise[1000:7000] = rng.standard_normal(6000) * rng.uniform(0.0, 1.0, 6000) ** 4
        noise = np.convolve(noise, taps, mode="same")
        exact = np.abs(resample(noise, factor * len(noise))).max()
        # Never less; a finer grid than asked for may read more.
        assert true_peaks(noise[:, np.newaxis], rate)[0] >= exact * 10 ** (-0.005 / 20)
        finest = np.abs(resample(noise, 32 * len(noise))).max()
        assert true_peaks(noise[:, np.newaxis], rate)[0] <= finest * 10 ** (0.005 / 20)


def test_ruling_out_by_bounds_changes_nothing() -> None:
    # Alone, the loudest place cannot be ruled out by others: the whole must read as the largest of its parts.
    rng = np.random.default_rng(4)
    quiet = 0.02 * rng.standard_normal(200_000)
    for at in rng.integers(1_000, 199_000, 5):
        burst = delayed(rng.uniform(0.5, 1.0) * np.hanning(9) * (-1.0) ** np.arange(9), rng.uniform(0, 1), 200)
        signal = quiet.copy()
        signal[at : at + 200] += burst[: len(signal[at : at + 200])]
        alone = true_peaks(signal[at - 500 : at + 700, np.newaxis])[0]
        assert true_peaks(signal[:, np.newaxis])[0] == pytest.approx(alone, rel=1e-12)


def test_a_peak_behind_the_last_sample_counts() -> None:
    # A tone of fs/4 that stops at two equal samples swings past both; what the filter rings there is output too.
    tone = np.sin(2 * np.pi * np.arange(4002) / 4 + np.pi / 4)
    assert true_peaks(tone[:, np.newaxis])[0] > 1.05


def test_one_sample_is_its_own_true_peak() -> None:
    assert true_peaks(np.array([[0.7, -0.3]])) == (0.7, 0.3)


def test_the_true_peak_is_never_below_the_sample_peak() -> None:
    noise = np.random.default_rng(5).standard_normal((20_000, 2)).astype(np.float32)
    for true, plain in zip(true_peaks(noise), levels(noise).sample_peak, strict=True):
        assert true >= plain


@pytest.mark.parametrize("bad", [math.nan, math.inf])
@pytest.mark.parametrize("make", [lambda: LevelMeter(2), lambda: TruePeakMeter(RATE, 2)], ids=["level", "true peak"])
def test_what_is_not_a_number_is_refused_and_leaves_no_trace(make, bad: float) -> None:  # type: ignore[no-untyped-def]
    good = np.random.default_rng(6).standard_normal((20_000, 2))
    spoilt = good.copy()
    spoilt[19_999, 0] = bad
    meter, other = make(), make()
    with pytest.raises(UnmeasurableError, match="not finite"):
        meter.add(spoilt)
    meter.add(good)
    other.add(good)
    assert meter.result() == other.result()
