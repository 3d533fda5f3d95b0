"""Noise and hum of a lead whose parts are known."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import resample_poly

from printq.errors import UnmeasurableError
from printq.measure.noise import a_weighting, decimate, measure_noise

from .signals import RATE


def white(rms_dbfs, seconds=1.0, rate=RATE, seed=1):
    return np.random.default_rng(seed).standard_normal(round(seconds * rate)) * 10.0 ** (rms_dbfs / 20.0)


def tone(hz, rms_dbfs, seconds=1.0, rate=RATE, phase=0.3):
    peak = math.sqrt(2.0) * 10.0 ** (rms_dbfs / 20.0)
    return peak * np.sin(2.0 * np.pi * hz * np.arange(round(seconds * rate)) / rate + phase)


def sum_db(*levels):
    return 10.0 * math.log10(sum(10.0 ** (level / 10.0) for level in levels))


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000, 192_000])
@pytest.mark.parametrize("level", [-50.0, -90.0, -125.0])
def test_white_noise_reads_its_level(rate, level):
    """Of n samples the level is known to 8.7 / sqrt(2 n) dB: 0.03 dB for a second."""
    found = measure_noise(white(level, rate=rate), rate, 50.0)
    assert found.rms_dbfs == pytest.approx(level, abs=0.1)


@pytest.mark.parametrize("mains", [50.0, 60.0])
@pytest.mark.parametrize("off", [-0.4, -0.2, -0.17, 0.0, 0.02, 0.013, 0.37])
@pytest.mark.parametrize("seconds", [1.0, 3.0])
def test_hum_and_its_harmonics_are_told_from_the_noise(mains, off, seconds):
    """A mains is never quite on its nominal; the lines here are up to 35 dB over all of the noise together."""
    lines = {1: -60.0, 2: -62.0, 3: -55.0, 5: -70.0, 15: -72.0}
    lead = white(-90.0, seconds) + sum(tone((mains + off) * n, db, seconds, phase=n) for n, db in lines.items())
    found = measure_noise(lead, RATE, mains)
    assert found.hum_dbfs == pytest.approx(sum_db(*lines.values()), abs=0.1)
    assert found.rms_dbfs == pytest.approx(-90.0, abs=0.1)
    assert [hz for hz, _ in found.lines] == pytest.approx([(mains + off) * n for n in lines], abs=0.2)
    assert [db for _, db in found.lines] == pytest.approx(list(lines.values()), abs=0.2)


@given(st.floats(-0.5, 0.5), st.floats(0.0, 6.28))
@settings(max_examples=12, deadline=None)
def test_any_frequency_within_half_a_hertz_is_found(off, phase):
    lead = white(-95.0) + tone(50.0 + off, -60.0, phase=phase) + tone(3 * (50.0 + off), -60.0, phase=2 * phase)
    found = measure_noise(lead, RATE, 50.0)
    assert found.hum_dbfs == pytest.approx(-57.0, abs=0.1)
    assert found.rms_dbfs == pytest.approx(-95.0, abs=0.15)


@pytest.mark.parametrize(("seconds", "seeds"), [(0.3, 60), (1.0, 20)])
def test_noise_alone_reads_no_hum(seconds, seeds):
    heard = [seed for seed in range(seeds) if measure_noise(white(-80.0, seconds, seed=seed), RATE, 50.0).lines]
    assert heard == []


def test_a_tone_that_is_no_harmonic_is_noise():
    found = measure_noise(white(-90.0) + tone(440.0, -60.0), RATE, 50.0)
    assert found.rms_dbfs == pytest.approx(-60.0, abs=0.1)
    assert found.hum_dbfs < -85.0


def test_hum_of_the_other_mains_is_not_taken_for_ours():
    found = measure_noise(white(-90.0) + tone(60.0, -50.0), RATE, 50.0)
    assert found.rms_dbfs == pytest.approx(-50.0, abs=0.1)


def test_an_offset_is_no_noise():
    assert measure_noise(white(-90.0) + 0.1, RATE, 50.0).rms_dbfs == pytest.approx(-90.0, abs=0.1)


@pytest.mark.parametrize(
    ("band", "decibels"),
    [
        (13, -50.5),
        (15, -39.4),
        (17, -30.2),
        (20, -19.1),
        (23, -10.9),
        (27, -3.2),
        (30, 0.0),
        (33, 1.2),
        (36, 1.0),
        (39, -1.1),
        (40, -2.5),
        (42, -6.6),
    ],
)
def test_the_a_weighting_is_that_of_the_standard(band, decibels):
    """IEC 61672-1, Table 3, from memory; rounded to 0.1 dB, for the exact frequencies 10^(band / 10) Hz."""
    gain = a_weighting(np.array([10.0 ** (band / 10.0)]))
    assert 20.0 * np.log10(gain[0]) == pytest.approx(decibels, abs=0.06)


@pytest.mark.parametrize(("hz", "weight"), [(10.0**3.3, 1.2), (10.0**3.9, -1.1), (10.0**4.0, -2.5)])
def test_a_tone_reads_its_a_weighted_level(hz, weight):
    """The same table; a tone that fills no whole number of periods spills a little."""
    found = measure_noise(tone(hz, -60.0), RATE, 50.0)
    assert found.a_weighted_dbfs == pytest.approx(-60.0 + weight, abs=0.1)


def test_the_a_weighted_level_leaves_the_hum_out():
    quiet = measure_noise(white(-90.0), RATE, 50.0)
    humming = measure_noise(white(-90.0) + tone(750.0, -60.0), RATE, 50.0)
    assert humming.a_weighted_dbfs == pytest.approx(quiet.a_weighted_dbfs, abs=0.3)


@pytest.mark.parametrize("offset", [0.0, 0.25])
def test_digital_silence_has_no_level(offset):
    found = measure_noise(np.full(RATE, offset), RATE, 50.0)
    assert (found.rms_dbfs, found.a_weighted_dbfs, found.hum_dbfs) == (-math.inf,) * 3
    assert found.lines == ()


def test_a_lead_that_is_too_short_or_no_number_is_refused():
    with pytest.raises(UnmeasurableError, match=r"0\.1 s are needed"):
        measure_noise(np.zeros(4000), RATE, 50.0)
    with pytest.raises(UnmeasurableError, match="not finite"):
        measure_noise(np.full(RATE, np.nan), RATE, 50.0)


@pytest.mark.parametrize("step", [1, 2, 5, 12, 48])
def test_thinned_out_it_is_what_scipy_makes_of_it(step):
    signal = np.random.default_rng(7).standard_normal(20_000)
    expected = resample_poly(signal, 1, step, window=("kaiser", 8.0))
    assert np.allclose(decimate(signal, step), expected, rtol=0.0, atol=1e-12)
