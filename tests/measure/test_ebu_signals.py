"""The test signals of EBU Tech 3341 v4 (Nov 2023), Table 1, and EBU Tech 3342 v4 (Nov 2023), Table 1.

A sine of 1000 Hz in both channels, its peak at the level that is given, unless said otherwise. Signals 7 and 8 (5 and
6 of Tech 3342) are recordings that the EBU supplies; 11 and 14 are for live meters, which show a maximum that is reset
between their parts.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import firwin, lfilter

from printq.measure.loudness import LoudnessMeter
from printq.measure.peaks import TruePeakMeter

from .signals import RATE, feed, steps, stereo

LOUDNESS_LU = 0.1
"""Tech 3341, Table 1."""


def loudness(*pieces):
    return feed(LoudnessMeter(RATE, 2), stereo(steps(*pieces)))


@pytest.mark.parametrize("level", [pytest.param(-23.0, id="1"), pytest.param(-33.0, id="2")])
def test_signals_1_and_2_read_the_same_on_all_three_scales(level):
    found = loudness((20.0, level))
    expected = pytest.approx(level, abs=LOUDNESS_LU)
    assert (found.momentary_max_lufs, found.short_term_max_lufs, found.integrated_lufs) == (expected,) * 3


@pytest.mark.parametrize(
    "pieces",
    [
        pytest.param([(10, -36.0), (60, -23.0), (10, -36.0)], id="3: relative gate"),
        pytest.param([(10, -72.0), (10, -36.0), (60, -23.0), (10, -36.0), (10, -72.0)], id="4: both gates"),
        pytest.param([(20, -26.0), (20.1, -20.0), (20, -26.0)], id="5: overlap of blocks"),
    ],
)
def test_signals_3_to_5_read_minus_23_through_the_gates(pieces):
    assert loudness(*pieces).integrated_lufs == pytest.approx(-23.0, abs=LOUDNESS_LU)


def test_signal_6_weights_the_surrounds_of_five_channels():
    sine = steps((20.0, 0.0))
    levels = np.array([-28.0, -28.0, -24.0, -30.0, -30.0])
    found = feed(LoudnessMeter(RATE, 5), sine[:, np.newaxis] * 10.0 ** (levels / 20.0))
    assert found.integrated_lufs == pytest.approx(-23.0, abs=LOUDNESS_LU)


def test_signal_9_reads_a_steady_short_term_loudness():
    signal = stereo(steps(*[(1.34, -20.0), (1.66, -30.0)] * 5))
    for start in np.arange(0.0, 12.1, 0.25):
        window = signal[round(start * RATE) : round((start + 3.0) * RATE)]
        found = feed(LoudnessMeter(RATE, 2), window)
        assert found.short_term_max_lufs == pytest.approx(-23.0, abs=LOUDNESS_LU), f"from {start} s"
    assert feed(LoudnessMeter(RATE, 2), signal).short_term_max_lufs == pytest.approx(-23.0, abs=LOUDNESS_LU)


@pytest.mark.parametrize("segment", range(20))
def test_signal_10_reads_its_short_term_maximum_wherever_it_begins(segment):
    found = loudness((0.15 * segment, None), (3.0, -23.0), (1.0, None))
    assert found.short_term_max_lufs == pytest.approx(-23.0, abs=LOUDNESS_LU)


def test_signal_12_reads_a_steady_momentary_loudness():
    signal = stereo(steps(*[(0.18, -20.0), (0.22, -30.0)] * 25))
    for start in np.arange(0.0, 2.0, 0.05):
        window = signal[round(start * RATE) : round((start + 0.4) * RATE)]
        found = feed(LoudnessMeter(RATE, 2), window)
        assert found.momentary_max_lufs == pytest.approx(-23.0, abs=LOUDNESS_LU), f"from {start} s"
    assert feed(LoudnessMeter(RATE, 2), signal).momentary_max_lufs == pytest.approx(-23.0, abs=LOUDNESS_LU)


@pytest.mark.parametrize("segment", range(20))
def test_signal_13_reads_its_momentary_maximum_wherever_it_begins(segment):
    """A step of 100 ms between windows reads 0.45 LU too little here."""
    found = loudness((0.02 * segment, None), (0.4, -23.0), (1.0, None))
    assert found.momentary_max_lufs == pytest.approx(-23.0, abs=LOUDNESS_LU)


@pytest.mark.parametrize("segment", range(20))
def test_signal_11_reads_the_short_term_maximum_of_each_segment(segment):
    """For live meters: each segment is 1 dB louder, and the meter is reset before it."""
    found = loudness(*live_segment(3.0, 0.15, segment))
    assert found.short_term_max_lufs == pytest.approx(-38.0 + segment, abs=LOUDNESS_LU)


@pytest.mark.parametrize("segment", range(20))
def test_signal_14_reads_the_momentary_maximum_of_each_segment(segment):
    found = loudness(*live_segment(0.4, 0.02, segment))
    assert found.momentary_max_lufs == pytest.approx(-38.0 + segment, abs=LOUDNESS_LU)


@pytest.mark.parametrize(
    ("seconds", "step", "figure"),
    [
        pytest.param(3.0, 0.15, "short_term_max_lufs", id="11"),
        pytest.param(0.4, 0.02, "momentary_max_lufs", id="14"),
    ],
)
def test_the_live_signals_read_in_turn_by_a_meter_that_runs_on(seconds, step, figure):
    """As the levels rise, the maximum so far is that of the newest segment; asking for it disturbs nothing."""
    meter = LoudnessMeter(RATE, 2)
    for segment in range(20):
        meter.add(stereo(steps(*live_segment(seconds, step, segment))))
        assert getattr(meter.result(), figure) == pytest.approx(-38.0 + segment, abs=LOUDNESS_LU), segment


def live_segment(seconds, step, segment):
    """Silence, the tone, silence: as long in all as two tones."""
    return (step * segment, None), (seconds, -38.0 + segment), (seconds - step * segment, None)


def true_peak_db(signal, rate=RATE):
    (peak,) = feed(TruePeakMeter(rate, 1), signal[:, np.newaxis])
    return 20.0 * np.log10(peak)


def within_table(expected):
    """+0.2 and -0.4 dB; Tech 3341, Table 1."""
    return pytest.approx(expected - 0.1, abs=0.3)


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000, 192_000])
@pytest.mark.parametrize(
    ("period", "peak", "degrees", "expected"),
    [
        pytest.param(4, 0.50, 0.0, -6.0, id="15"),
        pytest.param(4, 0.50, 45.0, -6.0, id="16"),
        pytest.param(6, 0.50, 60.0, -6.0, id="17"),
        pytest.param(8, 0.50, 67.5, -6.0, id="18"),
        pytest.param(4, 1.41, 45.0, 3.0, id="19"),
    ],
)
def test_signals_15_to_19_show_the_peak_between_the_samples(rate, period, peak, degrees, expected):
    """A steady sine with fades of 10 ms; the samples themselves read up to 3 dB less."""
    frames = rate // 2
    fade = np.clip(np.arange(frames) / (0.01 * rate), 0.0, 1.0)
    sine = peak * np.sin(2.0 * np.pi * np.arange(frames) / period + np.radians(degrees)) * fade * fade[::-1]
    assert true_peak_db(sine, rate) == within_table(expected)


@pytest.mark.parametrize("offset", [0, 1, 2, 3], ids=["20", "21", "22", "23"])
def test_signals_20_to_23_show_the_peak_of_a_single_period(offset):
    """Built at four times the rate; the low-pass before decimation is ours (255 taps, Kaiser with beta 8)."""
    steady = 0.5 * np.sin(2.0 * np.pi * np.arange(24 * 400) / 24)
    burst = np.sin(2.0 * np.pi * np.arange(16) / 16)
    fast = np.concatenate((steady, burst, steady))
    fade = np.clip(np.arange(len(fast)) / (0.01 * 4 * RATE), 0.0, 1.0)
    limited = lfilter(firwin(255, 0.25, window=("kaiser", 8.0)), 1.0, fast * fade * fade[::-1])
    # The filter delays by 127 samples, so that offset 0 lies on multiples of 4 of the signal.
    assert true_peak_db(limited[127 + offset :: 4]) == within_table(0.0)


@pytest.mark.parametrize(
    ("levels", "expected"),
    [
        pytest.param([-20.0, -30.0], 10.0, id="1"),
        pytest.param([-20.0, -15.0], 5.0, id="2"),
        pytest.param([-40.0, -20.0], 20.0, id="3"),
        pytest.param([-50.0, -35.0, -20.0, -35.0, -50.0], 15.0, id="4"),
    ],
)
def test_the_loudness_range_signals_read_as_tech_3342_says(levels, expected):
    """The table allows 1 LU; steps of a steady tone leave no room for more than a tenth."""
    assert loudness(*[(20.0, level) for level in levels]).range_lu == pytest.approx(expected, abs=0.1)
