"""The marker: what it must be so that a delay can be read from it and nothing clicks."""

from __future__ import annotations

import numpy as np
import pytest

from printq.measure.stimuli import make_marker

RATES = [16_000, 44_100, 48_000, 96_000, 192_000]


def highest_hz(rate):
    return min(12_000.0, rate / 4)


@pytest.mark.parametrize("rate", RATES)
def test_it_takes_a_tenth_of_a_second_and_reaches_its_peak(rate):
    marker = make_marker(rate, 0.25)
    assert marker.shape == (rate // 10,)
    assert np.abs(marker).max() == pytest.approx(0.25, rel=1e-12)


@pytest.mark.parametrize("rate", RATES)
def test_its_spectrum_is_level_within_the_sweep_and_falls_off_outside(rate):
    """Level to 3 dB but where the ramps fade it, 30 dB down an octave below and 2 kHz above."""
    marker = make_marker(rate, 1.0)
    spectrum = np.abs(np.fft.rfft(marker, 8 * len(marker)))
    hz = np.fft.rfftfreq(8 * len(marker), 1.0 / rate)
    ramp = 0.15 * (highest_hz(rate) - 500.0)
    inside = spectrum[(hz > 500.0 + ramp) & (hz < highest_hz(rate) - ramp)]
    level = np.sqrt(np.mean(inside**2))
    assert 20.0 * np.log10(inside / level) == pytest.approx(0.0, abs=3.0)
    outside = spectrum[(hz < 250.0) | (hz > highest_hz(rate) + 2000.0)]
    assert 20.0 * np.log10(outside.max() / level) < -30.0


@pytest.mark.parametrize("rate", RATES)
def test_it_swells_and_fades_without_a_step(rate):
    """A step of a thousandth, 60 dB under its peak, is where the ramps begin; they are 15 ms long."""
    marker = make_marker(rate, 1.0)
    assert max(abs(marker[0]), abs(marker[-1])) < 1e-3
    loudest = [np.abs(part).max() for part in np.split(marker[: rate // 100], 10)]
    assert loudest == sorted(loudest)
    assert loudest[0] < 0.02


@pytest.mark.parametrize("rate", RATES)
def test_its_autocorrelation_has_one_clear_peak(rate):
    """The strongest other lobe is that of the sweep's own middle frequency; beyond 1 ms there is next to nothing."""
    marker = make_marker(rate, 1.0)
    correlation = np.correlate(marker, marker, mode="full")
    correlation = np.abs(correlation[len(marker) - 1 :]) / correlation[len(marker) - 1]
    assert correlation[1:].max() < 0.97
    assert correlation[round(0.001 * rate) :].max() < 0.1
    assert correlation[round(0.004 * rate) :].max() < 0.02


def test_the_same_marker_comes_every_time():
    np.testing.assert_array_equal(make_marker(48_000, 0.1), make_marker(48_000, 0.1))
