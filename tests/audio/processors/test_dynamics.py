"""Compressors, gate and transient shaper: static curves and times.

Times are read off a constant signal, where output over input is the gain at each frame.
"""

from __future__ import annotations

import numpy as np
import pytest

from .signals import RATE, peak_db, play, tone

LOUD, SOFT = 0.5, 0.0005
HOP_MS = 1000.0 * 16 / RATE


def reduction_db(signal, kind, **parameters):
    return -20.0 * np.log10(play(kind, signal, **parameters) / signal)


def step(*parts):
    """Constant parts, each (value, seconds)."""
    return np.concatenate([np.full(round(seconds * RATE), value) for value, seconds in parts])


def ms_until(condition):
    assert condition.any()
    return 1000.0 * float(np.argmax(condition)) / RATE


@pytest.mark.parametrize(
    ("over_db", "ratio", "out_db"), [(10.0, 4.0, 2.5), (10.0, 2.0, 5.0), (6.0, 20.0, 0.3), (-10.0, 4.0, -10.0)]
)
@pytest.mark.parametrize("hz", [60.0, 1000.0, 7000.0])
def test_a_settled_tone_comes_out_where_the_ratio_puts_it(over_db, ratio, out_db, hz):
    """Over the threshold, output rises 1 dB for each `ratio` dB of input: 10 dB over at 4:1 is 2.5 dB over."""
    signal = tone(hz, 2.0, 10.0 ** ((-20.0 + over_db) / 20.0))
    heard = play("vca-compressor", signal, threshold_db=-20.0, ratio=ratio, knee_db=0.0)
    assert peak_db(heard[-RATE // 4 :]) == pytest.approx(-20.0 + out_db, abs=0.05)


@pytest.mark.parametrize("over_db", [-6.0, -4.0, -1.0, 0.0, 2.0, 5.9, 6.1, 12.0])
def test_a_soft_knee_is_a_parabola_around_the_threshold(over_db):
    """Equation 4 of "Digital dynamic range compressor design", JAES 60(6): W = 12 dB, R = 3, T = -20 dB."""
    width, ratio = 12.0, 3.0
    if 2.0 * over_db < -width:
        expected = over_db
    elif 2.0 * abs(over_db) <= width:
        expected = over_db + (1.0 / ratio - 1.0) * (over_db + width / 2.0) ** 2 / (2.0 * width)
    else:
        expected = over_db / ratio
    signal = tone(1000.0, 2.0, 10.0 ** ((-20.0 + over_db) / 20.0))
    heard = play("vca-compressor", signal, threshold_db=-20.0, ratio=ratio, knee_db=width)
    assert peak_db(heard[-RATE // 4 :]) + 20.0 == pytest.approx(expected, abs=0.05)


@pytest.mark.parametrize("attack_ms", [5.0, 20.0, 100.0])
def test_the_attack_reaches_63_percent_in_its_time(attack_ms):
    signal = step((SOFT, 0.2), (LOUD, 1.5))
    reduction = reduction_db(signal, "vca-compressor", threshold_db=-30.0, ratio=4.0, attack_ms=attack_ms)
    loud = reduction[round(0.2 * RATE) :]
    assert ms_until(loud >= (1.0 - np.exp(-1.0)) * loud[-1]) == pytest.approx(attack_ms, rel=0.15)


@pytest.mark.parametrize("release_ms", [20.0, 150.0, 800.0])
def test_the_release_loses_63_percent_in_its_time(release_ms):
    signal = step((LOUD, 1.0), (SOFT, 4.0))
    reduction = reduction_db(
        signal, "vca-compressor", threshold_db=-30.0, ratio=4.0, attack_ms=5.0, release_ms=release_ms
    )
    soft = reduction[RATE:]
    start = 0.9 * soft[0]
    spent = ms_until(soft <= start / np.e) - ms_until(soft <= start)
    assert spent == pytest.approx(release_ms, rel=0.15)


def test_a_fast_attack_acts_within_three_hops():
    reduction = reduction_db(step((SOFT, 0.2), (LOUD, 0.1)), "vca-compressor", threshold_db=-30.0, attack_ms=0.1)
    loud = reduction[round(0.2 * RATE) :]
    assert ms_until(loud >= 0.9 * loud[-1]) <= 3.0 * HOP_MS


def test_makeup_and_mix_do_what_they_say():
    signal = tone(1000.0, 1.0, 0.1)
    settled = slice(-RATE // 4, None)
    squeezed = {"threshold_db": -30.0, "ratio": 2.0, "knee_db": 0.0}
    assert peak_db(play("vca-compressor", signal, **squeezed)[settled]) == pytest.approx(-25.0, abs=0.01)
    assert peak_db(play("vca-compressor", signal, **squeezed, makeup_db=4.0)[settled]) == pytest.approx(-21.0, abs=0.01)
    half = 0.5 * 0.1 + 0.5 * 10.0 ** (-25.0 / 20.0)
    mixed = play("vca-compressor", signal, **squeezed, mix=0.5)[settled]
    assert peak_db(mixed) == pytest.approx(20.0 * np.log10(half), abs=0.01)


def opto_release(lit_seconds):
    """Reduction in dB after the light goes out, from full on."""
    signal = step((LOUD, lit_seconds), (SOFT, 10.0))
    return reduction_db(signal, "opto-compressor", threshold_db=-30.0, ratio=4.0)[round(lit_seconds * RATE) :]


def tail_seconds(released):
    """Time constant between 0.3 and 1.3 s after the light went out."""
    first, second = released[round(0.3 * RATE)], released[round(1.3 * RATE)]
    return 1.0 / np.log(first / second)


@pytest.mark.parametrize("hz", [60.0, 1000.0])
def test_a_settled_tone_leaves_the_opto_where_the_ratio_puts_it(hz):
    heard = play("opto-compressor", tone(hz, 3.0, 10.0 ** (-10.0 / 20.0)), threshold_db=-30.0, ratio=4.0)
    assert peak_db(heard[-RATE // 4 :]) == pytest.approx(-30.0 + 20.0 / 4.0, abs=0.3)


@pytest.mark.parametrize("lit_seconds", [0.5, 20.0])
def test_an_opto_loses_half_of_its_reduction_in_about_60_ms(lit_seconds):
    released = opto_release(lit_seconds)
    # Beginning with the first fall: the detector holds 10 ms.
    spent = ms_until(released <= 0.5 * released[0]) - ms_until(released < 0.999 * released[0])
    assert 40.0 <= spent <= 90.0


def test_an_opto_lets_go_of_the_rest_the_slower_the_longer_it_compressed():
    tails = [tail_seconds(opto_release(lit)) for lit in (0.3, 2.0, 6.0, 20.0)]
    assert tails == sorted(tails)
    assert 0.4 <= tails[0] <= 1.2
    assert 3.5 <= tails[-1] <= 5.5


@pytest.mark.parametrize("range_db", [10.0, 60.0])
def test_a_gate_closes_by_its_range(range_db):
    signal = step((LOUD, 0.5), (SOFT, 3.0))
    reduction = reduction_db(signal, "gate", threshold_db=-40.0, range_db=range_db)
    assert reduction[RATE // 4] == pytest.approx(0.0, abs=1e-6)
    assert reduction[-1] == pytest.approx(range_db, abs=0.01)


def test_a_gate_starts_closed_and_opens_in_its_attack_time():
    reduction = reduction_db(step((SOFT, 0.2), (LOUD, 0.5)), "gate", threshold_db=-40.0, range_db=40.0, attack_ms=10.0)
    assert reduction[0] == pytest.approx(40.0)
    loud = reduction[round(0.2 * RATE) :]
    assert ms_until(loud <= 40.0 / np.e) == pytest.approx(10.0, rel=0.15)


@pytest.mark.parametrize("hold_ms", [0.0, 50.0, 400.0])
def test_a_gate_holds_before_it_releases(hold_ms):
    signal = step((LOUD, 0.5), (SOFT, 3.0))
    reduction = reduction_db(signal, "gate", threshold_db=-40.0, range_db=40.0, hold_ms=hold_ms, release_ms=100.0)
    soft = reduction[RATE // 2 :]
    begins = ms_until(soft > 0.05)
    # The detector holds 10 ms of its own, and the gain follows within two hops.
    assert begins == pytest.approx(hold_ms + 10.0, abs=3.0 * HOP_MS)
    assert ms_until(soft >= 40.0 * (1.0 - np.exp(-1.0))) - begins == pytest.approx(100.0, rel=0.15)


def test_a_gate_leaves_what_is_above_its_threshold_alone():
    signal = tone(200.0, 1.0, 0.2)
    heard = play("gate", signal, threshold_db=-20.0, range_db=60.0)
    assert heard[RATE // 10 :] == pytest.approx(signal[RATE // 10 :], abs=1e-9)


def plucked(peak, gap_seconds=1.5, count=3):
    """Notes that start at once and fall by 40 dB a second."""
    note = tone(330.0, gap_seconds, peak) * 10.0 ** (-2.0 * np.arange(round(gap_seconds * RATE)) / RATE)
    return np.tile(note, count)


def level_at(signal, seconds, frames=480):
    start = round(seconds * RATE)
    return peak_db(signal[start : start + frames])


@pytest.mark.parametrize("attack_db", [-9.0, 9.0])
def test_a_shaper_moves_the_attack_and_leaves_the_rest(attack_db):
    dry = plucked(0.3)
    wet = play("transient-shaper", dry, attack_db=attack_db)
    moved_attack = level_at(wet, 3.002) - level_at(dry, 3.002)
    moved_rest = level_at(wet, 3.4) - level_at(dry, 3.4)
    assert 0.8 <= moved_attack / attack_db <= 1.01
    assert moved_rest == pytest.approx(0.0, abs=0.1)


@pytest.mark.parametrize("sustain_db", [-9.0, 9.0])
def test_a_shaper_moves_the_decay_and_leaves_the_attack(sustain_db):
    dry = plucked(0.3)
    wet = play("transient-shaper", dry, sustain_db=sustain_db)
    moved_attack = level_at(wet, 3.002) - level_at(dry, 3.002)
    moved_decay = level_at(wet, 3.8) - level_at(dry, 3.8)
    assert moved_attack == pytest.approx(0.0, abs=1.0)
    assert 0.6 <= moved_decay / sustain_db <= 1.01


def test_a_shaper_acts_the_same_on_loud_and_on_soft():
    # Ten notes: the first comes out of silence, which has a floor and not a level, and must be forgotten.
    loud, soft = (
        play("transient-shaper", plucked(peak, 0.5, 10), attack_db=6.0, sustain_db=4.0) for peak in (0.5, 0.1)
    )
    last = slice(round(4.5 * RATE), None)
    assert np.abs(soft[last] - 0.2 * loud[last]).max() < 1e-4


def test_a_shaper_leaves_a_steady_tone_alone():
    signal = tone(500.0, 3.0, 0.2)
    heard = play("transient-shaper", signal, attack_db=12.0, sustain_db=12.0)
    assert heard[2 * RATE :] == pytest.approx(signal[2 * RATE :], rel=1e-3)
