"""Valve and tape: harmonics, tone, mean.

For small signals the bend (tanh(d x + b) - tanh b) / (d (1 - tanh² b)) is x - d tanh(b) x² - ..., so a tone of
peak A has a second harmonic of d tanh(b) A / 2; at b = 0 it is x - d² x³ / 3, with a third harmonic of d² A² / 12.
"""

from __future__ import annotations

import numpy as np
import pytest

from .signals import RATE, harmonics_db, play, response_db, tone

HZ = 200


def ratio(drive_db):
    return 10.0 ** (drive_db / 20.0) - 1.0


def settled_harmonics(kind, peak, count=5, **parameters):
    heard = play(kind, tone(HZ, 2.0, peak), **parameters)
    return harmonics_db(heard[RATE:], HZ, count)


@pytest.mark.parametrize("drive_db", [3.0, 6.0, 12.0])
def test_bias_makes_the_second_harmonic_of_the_series(drive_db):
    first, second, *_ = settled_harmonics("valve-saturation", 0.01, drive_db=drive_db, bias=0.5)
    expected = ratio(drive_db) * np.tanh(0.5) * 0.01 / 2.0
    assert second - first == pytest.approx(20.0 * np.log10(expected), abs=0.1)


@pytest.mark.parametrize("kind", ["valve-saturation", "tape-saturation"])
def test_without_bias_the_third_harmonic_is_that_of_the_series(kind):
    parameters = {"bias": 0.0} if kind == "valve-saturation" else {"bump_db": 0.0, "loss": 0.0}
    first, second, third, *_ = settled_harmonics(kind, 0.05, drive_db=12.0, **parameters)
    expected = ratio(12.0) ** 2 * 0.05**2 / 12.0
    assert third - first == pytest.approx(20.0 * np.log10(expected), abs=0.3)
    assert second < first - 200.0


@pytest.mark.parametrize("kind", ["valve-saturation", "tape-saturation"])
def test_harmonics_rise_with_drive(kind):
    order = 2 if kind == "valve-saturation" else 3
    rises = []
    for drive_db in (1.0, 3.0, 6.0, 9.0):
        levels = settled_harmonics(kind, 0.3, drive_db=drive_db)
        rises.append(levels[order - 1] - levels[0])
    assert np.diff(rises).min() > 2.0


def test_tape_saturates_treble_before_bass():
    def compression_db(hz):
        signal = tone(hz, 2.0, 0.5)
        dry, wet = (play("tape-saturation", signal, drive_db=drive, bump_db=0.0, loss=0.0) for drive in (0.0, 9.0))
        return harmonics_db(wet[RATE:], hz, 1)[0] - harmonics_db(dry[RATE:], hz, 1)[0]

    assert compression_db(8000) < compression_db(200) - 2.0


@pytest.mark.parametrize("kind", ["valve-saturation", "tape-saturation"])
@pytest.mark.parametrize("drive_db", [3.0, 12.0, 24.0])
def test_the_output_has_no_dc(kind, drive_db):
    """An uneven signal as well: half waves of different height, with a mean of zero."""
    uneven = tone(HZ, 3.0, 0.5)
    uneven = np.where(uneven > 0.0, uneven, 0.2 * uneven)
    for signal in (tone(HZ, 3.0, 0.5), uneven - uneven.mean()):
        heard = play(kind, signal, drive_db=drive_db)[RATE:]
        assert 20.0 * np.log10(abs(heard.mean()) + 1e-20) < -80.0


def test_little_drive_changes_little():
    """The step from clean to a twentieth of a dB is no jump."""
    signal = tone(HZ, 1.0, 0.9)
    assert np.abs(play("valve-saturation", signal, drive_db=0.05) - signal).max() < 0.01


def test_small_signals_keep_their_level_at_any_drive():
    signal = tone(HZ, 2.0, 1e-5)
    heard = play("valve-saturation", signal, drive_db=20.0)
    assert harmonics_db(heard[RATE:], HZ, 1)[0] == pytest.approx(-100.0, abs=0.01)


def test_the_valve_tone_control_is_a_roll_off_of_6_db_an_octave():
    at_corner, above = response_db("valve-saturation", [2000.0, 8000.0], tone_hz=2000.0)
    assert at_corner == pytest.approx(-3.01, abs=0.02)
    assert -14.0 < above < -12.0


@pytest.mark.parametrize(("speed", "bump_hz"), [(19.05, 30.0), (38.1, 60.0), (76.2, 120.0)])
def test_the_head_bump_moves_with_the_speed(speed, bump_hz):
    hz = np.arange(15.0, 400.0, 5.0)
    measured = response_db("tape-saturation", hz, bump_db=3.0, loss=0.0, speed_cm_s=speed)
    assert hz[np.argmax(measured)] == bump_hz
    assert measured.max() == pytest.approx(3.0, abs=0.01)


def test_slow_tape_loses_treble():
    at_9k = [response_db("tape-saturation", [9000.0], speed_cm_s=s, bump_db=0.0)[0] for s in (19.05, 38.1, 76.2)]
    assert at_9k[0] == pytest.approx(-3.01, abs=0.02)
    assert at_9k == sorted(at_9k)
    assert at_9k[2] > -1.0
