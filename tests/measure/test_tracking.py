"""The delay through a take: drift and slips told apart."""

from __future__ import annotations

import numpy as np
import pytest

from printq.measure.tracking import TrackResult
from tests.measure import material
from tests.measure.material import MadeFault, Signal, Unit
from tests.measure.test_dropouts import RATE, find, take

WORKING = {
    "equaliser": [Unit("parametric-equaliser", {"high_pass_hz": 80.0, "bell1_db": 6.0, "high_db": -4.0})],
    "compressor": [Unit("vca-compressor", {"threshold_db": -24.0, "ratio": 8.0, "attack_ms": 3.0})],
    "saturation": [Unit("tape-saturation", {"drive_db": 12.0})],
}


def drifting(signal: Signal, ppm: float, half: int = 24) -> Signal:
    """A signal on a clock that runs slower: y[n] = x(n / (1 + ppm)), by a sinc under a Kaiser window."""
    place = np.arange(len(signal)) / (1.0 + ppm * 1e-6)
    whole = np.floor(place).astype(np.intp)
    out = np.zeros(len(signal))
    for step in range(1 - half, half + 1):
        apart = place - whole - step
        window = np.i0(9.0 * np.sqrt(np.maximum(0.0, 1.0 - (apart / half) ** 2))) / np.i0(9.0)
        out += signal[np.clip(whole + step, 0, len(signal) - 1)] * np.sinc(apart) * window
    return out


def track(stem: Signal, returned: Signal) -> TrackResult:
    return find(stem, returned).track


@pytest.mark.parametrize("unit", WORKING)
@pytest.mark.parametrize("ppm", [0.0, 3.0, 20.0, 100.0])
def test_a_drift_is_measured_within_its_error_and_is_no_slip(ppm: float, unit: str) -> None:
    stem, clean, noise = take("applause", 21, 12.0, WORKING[unit])
    found = track(stem, drifting(clean, ppm) + noise if ppm else clean + noise)
    assert found.slips == ()
    assert found.drift_ppm is not None
    assert found.drift_error_ppm is not None
    assert abs(found.drift_ppm - ppm) <= 4.0 * found.drift_error_ppm + 0.002 * ppm
    assert found.drift_error_ppm < 0.5


# Few blocks of speech tell anything there, and some that do lie in a row by chance.
@pytest.mark.parametrize("seed", [0, 2, 8, 10])
def test_quiet_speech_near_the_noise_has_no_drift_by_chance(seed: int) -> None:
    stem, clean, noise = take("speech", seed, 90.0, noise_dbfs=-71.0)
    found = track(0.01 * stem, 0.01 * clean + noise)
    assert found.slips == ()
    assert found.drift_ppm is not None
    assert found.drift_error_ppm is not None
    assert abs(found.drift_ppm) <= 4.0 * found.drift_error_ppm
    assert found.drift_error_ppm < 0.02
    assert max(abs(window.delay_samples) for window in found.windows) < 0.5


def test_a_drift_and_a_slip_are_told_apart() -> None:
    stem, clean, noise = take("applause", 22, 15.0)
    late = material.insert_fault(drifting(clean, 5.0), MadeFault("slip", 7 * RATE, 256))
    found = track(stem, late + noise)
    assert [slip.samples for slip in found.slips] == [256]
    assert abs(found.slips[0].frame - 7 * RATE) <= 48
    assert found.drift_ppm == pytest.approx(5.0, abs=0.3)
    # 15 s at 5 ppm are 3.6 samples, and 256 from the slip.
    assert found.windows[-1].delay_samples == pytest.approx(256.0 + 3.5, abs=0.3)


@pytest.mark.parametrize("music", ["applause", "harp", "speech"])
@pytest.mark.parametrize("samples", [-1, 1, -64, 256, -512])
def test_slips_are_found_and_placed(samples: int, music: str) -> None:
    stem, clean, noise = take(music, 23, 12.0, WORKING["compressor"])
    at = 6 * RATE + int(np.argmax(np.abs(clean[6 * RATE : 7 * RATE])))
    found = track(stem, material.insert_fault(clean, MadeFault("slip", at, samples)) + noise)
    assert [slip.samples for slip in found.slips] == [samples]
    assert abs(found.slips[0].frame - at) <= 480


def test_windows_say_where_the_delay_is_and_are_bounded() -> None:
    stem, clean, noise = take("applause", 24, 12.0)
    found = track(stem, clean + noise)
    assert 10 <= len(found.windows) <= 512
    assert all(abs(window.delay_samples) < 0.02 for window in found.windows)
    assert all(0.0 < window.standard_error < 0.1 for window in found.windows)


def test_silence_has_no_delay() -> None:
    found = track(np.zeros(5 * RATE), np.zeros(5 * RATE))
    assert found == TrackResult((), (), None, None)
