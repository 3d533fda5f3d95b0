"""Noise and hum of leads that are longer than a mains stays where it is."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest

from printq.measure.noise import measure_noise
from tests.measure.signals import RATE, Signal


def humming(seconds: float, drift_hz_per_s: float) -> Signal:
    """Noise of -100 dBFS under lines of -40, -50 and -60 dBFS RMS of a mains that begins at 50 Hz."""
    time = np.arange(round(seconds * RATE)) / RATE
    turns = 50.0 * time + drift_hz_per_s * time**2 / 2
    lines = sum(
        10.0 ** (db / 20.0) * np.sqrt(2.0) * np.sin(2.0 * np.pi * n * turns + n)
        for n, db in {1: -40.0, 3: -50.0, 10: -60.0}.items()
    )
    return np.asarray(lines + 1e-5 * np.random.default_rng(50).standard_normal(len(time)))


@pytest.mark.parametrize("drift_hz_per_s", [0.0, 0.002, -0.01])
def test_hum_of_a_mains_that_wanders_is_told_from_the_noise(drift_hz_per_s: float) -> None:
    found = measure_noise(humming(20.0, drift_hz_per_s), RATE, 50.0)
    # Powers of 1e-4, 1e-5 and 1e-6 together.
    assert found.hum_dbfs == pytest.approx(10.0 * np.log10(1.11e-4), abs=0.02)
    assert [round(hz) for hz, _ in found.lines] == [
        pytest.approx(n * (50.0 + 10.0 * drift_hz_per_s), abs=1.0) for n in (1, 3, 10)
    ]
    # What a second of wandering leaves behind is 45 dB and more under the hum.
    assert found.rms_dbfs < -99.0 if drift_hz_per_s == 0.0 else found.rms_dbfs < -85.0


def test_a_minute_takes_little_more_memory_than_its_samples() -> None:
    lead = humming(60.0, 0.0)
    tracemalloc.start()
    measure_noise(lead, RATE, 50.0)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    # A matrix of all lines at once would be forty times the lead.
    assert peak < 12 * lead.nbytes
