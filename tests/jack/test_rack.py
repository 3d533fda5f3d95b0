"""The rack itself, without a server: each thing that a lane does, against its formula."""

from __future__ import annotations

import numpy as np
import pytest

from tests.jack.rack import Lane, LaneSettings

RATE = 48_000
BLOCK = 256


def through(settings: LaneSettings, signal: np.ndarray, seed: int = 1) -> np.ndarray:
    lane = Lane(settings, RATE, seed)
    blocks = signal.astype(np.float32).reshape(-1, BLOCK)
    return np.concatenate([lane.process(block, number * BLOCK) for number, block in enumerate(blocks)])


def noise(frames: int = 64 * BLOCK) -> np.ndarray:
    return np.random.default_rng(9).uniform(-0.5, 0.5, frames).astype(np.float32)


def test_a_lane_with_nothing_set_is_a_wire_and_says_what_it_heard() -> None:
    signal = np.zeros(8 * BLOCK, dtype=np.float32)
    signal[300:900] = 0.25
    lane = Lane(LaneSettings(), RATE, 1)
    out = np.concatenate([lane.process(signal[k : k + BLOCK], k) for k in range(0, len(signal), BLOCK)])
    assert np.array_equal(out, signal)
    assert (lane.report.peak, lane.report.first_sound, lane.report.last_sound) == (0.25, 300, 899)
    assert lane.report.largest_step == 0.25


@pytest.mark.parametrize("delay", [1, 100, 5000])
def test_whole_delays_move_samples_and_nothing_else(delay: int) -> None:
    signal = noise()
    out = through(LaneSettings(delay=delay, gain=0.5, inverted=True), signal)
    assert np.array_equal(out[delay:], -0.5 * signal[:-delay])
    assert not out[:delay].any()


def test_a_fraction_of_a_sample_turns_the_phase_of_a_tone_by_that_much() -> None:
    times = np.arange(64 * BLOCK) / RATE
    out = through(LaneSettings(delay=100.3), np.sin(2 * np.pi * 3000 * times))
    settled = slice(1000, None)
    assert np.allclose(out[settled], np.sin(2 * np.pi * 3000 * (times - 100.3 / RATE))[settled], atol=1e-4)


def test_a_lost_block_makes_the_rest_early_and_a_repeated_one_late() -> None:
    signal = noise()
    at = 20 * BLOCK
    lost = through(LaneSettings(delay=300, drop_at_s=at / RATE), signal)
    assert np.array_equal(lost[300:at], signal[: at - 300])
    assert np.array_equal(lost[at:], signal[at - 300 + BLOCK : len(signal) - 300 + BLOCK])
    twice = through(LaneSettings(delay=300, repeat_at_s=at / RATE), signal)
    assert np.array_equal(twice[at : at + BLOCK], twice[at - BLOCK : at])
    assert np.array_equal(twice[at:], signal[at - 300 - BLOCK : len(signal) - 300 - BLOCK])


def test_a_cut_lasts_40_ms_from_its_time_after_the_first_sound() -> None:
    signal = np.ones(64 * BLOCK)
    signal[:1000] = 0.0
    silent = np.flatnonzero(through(LaneSettings(cut_at_s=0.1), signal) == 0.0)
    assert np.array_equal(silent[silent >= 1000], np.arange(1000 + 4800, 1000 + 4800 + 1920))


def test_hum_noise_and_clipping_have_the_level_they_were_given() -> None:
    silence = np.zeros(200 * BLOCK)
    hum = through(LaneSettings(hum=0.1, hum_hz=60.0), silence)
    assert np.allclose(hum, 0.1 * np.sin(2 * np.pi * 60 * np.arange(len(hum)) / RATE))
    assert through(LaneSettings(noise=0.01), silence).std() == pytest.approx(0.01, rel=0.02)
    assert np.abs(through(LaneSettings(gain=4.0, clip=0.7), noise())).max() == 0.7
    assert not through(LaneSettings(dead=True, noise=0.1), noise()).any()


def test_feedback_over_one_grows_to_full_scale_and_under_one_dies() -> None:
    spike = np.zeros(400 * BLOCK)
    spike[0] = 0.01
    grown = through(LaneSettings(feedback=1.2, feedback_delay=480), spike)
    # 0.01 times 1.2 to the power of 26 is over 1.
    assert grown[480 * 3] == pytest.approx(0.01 * 1.2**3)
    assert grown[480 * 26] == 1.0
    assert np.abs(through(LaneSettings(feedback=0.5), spike)[480 * 30 :]).max() < 1e-9


def test_an_equaliser_is_its_difference_equation() -> None:
    signal = noise(4 * BLOCK)
    b0, b1, b2, a1, a2 = 1.2, -0.4, 0.1, -0.5, 0.2
    expected = np.zeros(len(signal))
    x, y = np.concatenate((np.zeros(2), signal.astype(np.float64))), np.zeros(len(signal) + 2)
    for n in range(2, len(x)):
        y[n] = b0 * x[n] + b1 * x[n - 1] + b2 * x[n - 2] - a1 * y[n - 1] - a2 * y[n - 2]
    expected = y[2:]
    assert np.allclose(through(LaneSettings(biquad=[b0, b1, b2, a1, a2]), signal), expected)
