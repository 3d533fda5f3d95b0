"""Loudness and peaks against other programs: libebur128, pyloudnorm and ffmpeg.

libebur128 (Debian: libebur128-1) is called through ctypes, by its header, ebur128.h 1.2.6. All three derive their
filters at other rates than 48 kHz from an analogue prototype, and with the numerator 1, -2, 1 of the high-pass, which
is 0.02 dB less at 96 kHz and, at 8 kHz, 0.3 dB more on white noise. So at other rates they are asked about the same
signal at 48 kHz.
"""

from __future__ import annotations

import ctypes
import os
import re
import subprocess
from collections.abc import Callable
from functools import cache
from pathlib import Path

import numpy as np
import pyloudnorm
import pytest
import soundfile
from numpy.typing import NDArray
from scipy.signal import resample_poly, sosfilt

from printq.measure.loudness import LoudnessMeter, LoudnessResult
from printq.measure.peaks import LevelMeter, TruePeakMeter
from tests.conftest import need_program
from tests.measure.signals import RATE, feed

Signal = NDArray[np.float64]

DRY = Path(__file__).parents[2] / "sample_sessions/lighthouse_waltz/dry"
STEMS = {"speech": "narrator", "plucked music": "harp", "bowed music": "cello", "reeds": "harmonium"}
AGREEMENT_LU = 0.02
MODE_ALL = 0x1F
"""Momentary, short-term, integrated, range and sample peak."""
SHELF = [1.53512485958697, -2.69169619938640, 1.19839281085285, 1.0, -1.69065929318241, 0.73248077421585]
HIGH_PASS = [1.0, -2.0, 1.0, 1.0, -1.99004745483398, 0.99007225036621]


class Ebur128:
    """libebur128, fed 10 ms at a time, so that its momentary and short-term maxima have our steps."""

    def __init__(self, signal: Signal, rate: int) -> None:
        library = find_ebur128()
        library.ebur128_init.restype = ctypes.c_void_p
        state = ctypes.c_void_p(library.ebur128_init(signal.shape[1], ctypes.c_ulong(rate), MODE_ALL))
        self.momentary = self.short_term = -np.inf
        hop = rate // 100
        signal = np.ascontiguousarray(signal, dtype=np.float64)

        def ask(name: str, *more: object) -> float:
            value = ctypes.c_double()
            assert getattr(library, name)(state, *more, ctypes.byref(value)) == 0
            return value.value

        for start in range(0, len(signal), hop):
            block = signal[start : start + hop]
            data = block.ctypes.data_as(ctypes.c_void_p)
            assert library.ebur128_add_frames_double(state, data, ctypes.c_size_t(len(block))) == 0
            if start + hop >= 0.4 * rate:
                self.momentary = max(self.momentary, ask("ebur128_loudness_momentary"))
            if start + hop >= 3.0 * rate:
                self.short_term = max(self.short_term, ask("ebur128_loudness_shortterm"))
        self.integrated = ask("ebur128_loudness_global")
        self.range = ask("ebur128_loudness_range")
        self.sample_peaks = tuple(
            ask("ebur128_sample_peak", ctypes.c_uint(channel)) for channel in range(signal.shape[1])
        )
        library.ebur128_destroy(ctypes.byref(state))


def feed_ebur128(signal: Signal, rate: int) -> float:
    """Its integrated loudness of a signal that it is given at once, its loudness range worked out as well."""
    library = find_ebur128()
    library.ebur128_init.restype = ctypes.c_void_p
    state = ctypes.c_void_p(library.ebur128_init(signal.shape[1], ctypes.c_ulong(rate), MODE_ALL & ~0x10))
    value = ctypes.c_double()
    data = np.ascontiguousarray(signal).ctypes.data_as(ctypes.c_void_p)
    assert library.ebur128_add_frames_double(state, data, ctypes.c_size_t(len(signal))) == 0
    assert library.ebur128_loudness_range(state, ctypes.byref(value)) == 0
    assert library.ebur128_loudness_global(state, ctypes.byref(value)) == 0
    library.ebur128_destroy(ctypes.byref(state))
    return value.value


@cache
def find_ebur128() -> ctypes.CDLL:
    try:
        return ctypes.CDLL("libebur128.so.1")
    except OSError:
        (pytest.fail if os.environ.get("CI") else pytest.skip)("libebur128 is not installed")


def ask_ffmpeg(signal: Signal, rate: int) -> dict[str, list[float]]:
    """What its ebur128 filter says every 100 ms: I, LRA, M, S to three decimals."""
    words = [need_program("ffmpeg"), "-v", "error", "-f", "f64le", "-ar", str(rate), "-ac", str(signal.shape[1])]
    words += ["-i", "pipe:0", "-af", "ebur128=metadata=1,ametadata=mode=print:file=-", "-f", "null", "-"]
    text = subprocess.run(words, input=signal.astype("<f8").tobytes(), capture_output=True, check=True).stdout.decode()
    return {
        key: [float(value) for value in re.findall(rf"lavfi\.r128\.{key}=(-?[\d.]+)", text)]
        for key in ("I", "LRA", "M", "S")
    }


def ours(signal: Signal, rate: int = RATE) -> LoudnessResult:
    found = feed(LoudnessMeter(rate, signal.shape[1]), signal)
    assert isinstance(found, LoudnessResult)
    return found


def white_noise() -> Signal:
    return np.random.default_rng(3).standard_normal((20 * RATE, 2)) * [0.1, 0.05]


def wandering_noise() -> Signal:
    """Two channels of noise whose level wanders by 20 dB, with a pause that the gate leaves out."""
    time = np.arange(20 * RATE) / RATE
    level = 10.0 ** ((-30.0 + 10.0 * np.sin(2.0 * np.pi * 0.13 * time)) / 20.0)
    level[(time > 4.0) & (time < 6.0)] = 1e-5
    return np.asarray(np.random.default_rng(1770).standard_normal((len(time), 2)) * level[:, np.newaxis])


def stem(name: str) -> Signal:
    samples, rate = soundfile.read(DRY / f"{STEMS[name]}.flac", always_2d=True)
    assert rate == RATE
    return np.asarray(samples)


def with_tail(signal: Signal) -> Signal:
    """Tech 3342, 5: what our meter appends by itself."""
    return np.concatenate((signal, np.zeros((RATE * 3 // 2, signal.shape[1]))))


SIGNALS: dict[str, Callable[[], Signal]] = {
    "white noise": white_noise,
    "wandering noise": wandering_noise,
    **{name: (lambda name=name: stem(name)) for name in STEMS},
}
every_signal = pytest.mark.parametrize("make", SIGNALS.values(), ids=SIGNALS)


@every_signal
def test_agrees_with_libebur128(make: Callable[[], Signal]) -> None:
    signal = make()
    found, theirs = ours(signal), Ebur128(signal, RATE)
    assert found.integrated_lufs == pytest.approx(theirs.integrated, abs=AGREEMENT_LU)
    assert found.momentary_max_lufs == pytest.approx(theirs.momentary, abs=AGREEMENT_LU)
    assert found.short_term_max_lufs == pytest.approx(theirs.short_term, abs=AGREEMENT_LU)
    assert feed(LevelMeter(signal.shape[1]), signal).sample_peak == theirs.sample_peaks


@every_signal
def test_agrees_with_pyloudnorm(make: Callable[[], Signal]) -> None:
    """Its "DeMan" filters are those of the tables; its default ones are up to 0.04 dB off."""
    signal = make()
    theirs = pyloudnorm.Meter(RATE, filter_class="DeMan").integrated_loudness(signal)
    assert ours(signal).integrated_lufs == pytest.approx(theirs, abs=0.005)


@every_signal
def test_agrees_with_ffmpeg(make: Callable[[], Signal]) -> None:
    """Its maxima are read every 100 ms, where ours are every 10 ms: they cannot be larger."""
    signal = make()
    found, theirs = ours(signal), ask_ffmpeg(signal, RATE)
    assert found.integrated_lufs == pytest.approx(theirs["I"][-1], abs=AGREEMENT_LU)
    assert found.momentary_max_lufs is not None
    assert found.short_term_max_lufs is not None
    assert max(theirs["M"]) - 0.005 <= found.momentary_max_lufs <= max(theirs["M"]) + 0.3
    assert max(theirs["S"]) - 0.005 <= found.short_term_max_lufs <= max(theirs["S"]) + 0.05


@pytest.mark.parametrize(
    ("rate", "tolerance"),
    [
        (8_000, 0.01),
        (11_025, 0.01),
        (16_000, 0.005),
        (22_050, 0.005),
        (44_100, 0.005),
        (88_200, 0.001),
        (96_000, 0.001),
    ],
)
def test_the_same_signal_at_another_rate_reads_what_libebur128_reads_at_48_khz(rate: int, tolerance: float) -> None:
    """Noise below 0.35 of the lower rate, resampled; every hop edge, window and filter of the other rate is in it.

    Its level stays within 6 dB: a single block of this length that lies on a gate is worth 0.04 LU."""
    slow = min(rate, 44_100)
    rng = np.random.default_rng(44)
    noise = rng.standard_normal((12 * slow, 2)) * np.geomspace(0.05, 0.1, 12 * slow)[:, np.newaxis]
    spectrum = np.fft.rfft(noise, axis=0)
    spectrum[int(0.7 * len(spectrum)) :] = 0.0
    noise = np.fft.irfft(spectrum, len(noise), axis=0)

    def at(wanted: int) -> Signal:
        divisor = int(np.gcd(wanted, slow))
        return np.asarray(resample_poly(noise, wanted // divisor, slow // divisor, axis=0, window=("kaiser", 12.0)))

    found, theirs = ours(noise if rate == slow else at(rate), rate), Ebur128(at(RATE), RATE)
    assert found.integrated_lufs == pytest.approx(theirs.integrated, abs=tolerance)
    assert found.momentary_max_lufs == pytest.approx(theirs.momentary, abs=tolerance)
    assert found.short_term_max_lufs == pytest.approx(theirs.short_term, abs=tolerance)


@every_signal
def test_the_loudness_range_is_that_of_tech_3342_step_by_step(make: Callable[[], Signal]) -> None:
    """The text of Tech 3342 v4, 3.1 and 5: a window of 3 s every 100 ms, two gates, nearest-rank percentiles."""
    signal = with_tail(make())
    power = np.sum(sosfilt([SHELF, HIGH_PASS], signal, axis=0) ** 2, axis=1)
    starts = range(0, len(power) - 3 * RATE + 1, RATE // 10)
    powers = np.array([power[start : start + 3 * RATE].mean() for start in starts])
    powers = powers[-0.691 + 10.0 * np.log10(np.maximum(powers, 1e-20)) >= -70.0]
    powers = np.sort(powers[powers >= powers.mean() / 100.0])
    low, high = (powers[int((len(powers) - 1) * share + 0.5)] for share in (0.10, 0.95))
    assert ours(make()).range_lu == pytest.approx(10.0 * np.log10(high / low), abs=1e-5)


@every_signal
def test_the_loudness_range_is_near_ffmpegs_for_the_same_signal_with_silence_after_it(
    make: Callable[[], Signal],
) -> None:
    """It sorts levels into bins of 0.1 LU or less and counts to its percentiles another way: with the few windows of
    half a minute the next one may lie 0.2 LU off. Without the silence it reads up to 0.9 LU less on these stems."""
    signal = make()
    theirs = ask_ffmpeg(with_tail(signal), RATE)["LRA"][-1]
    assert ours(signal).range_lu == pytest.approx(theirs, abs=0.25)


@pytest.mark.slow
def test_the_loudness_range_of_slow_changes_is_near_that_of_both_programs() -> None:
    """libebur128 looks once a second where Tech 3342 asks for ten times: on music of half a minute it is up to 3 LU
    off, on music of minutes 1 LU. Where the level changes by 1 LU in some seconds, it has to agree."""
    time = np.arange(240 * RATE) / RATE
    level = 10.0 ** ((-30.0 + 8.0 * np.sin(2.0 * np.pi * time / 80.0)) / 20.0)
    noise = np.random.default_rng(8).standard_normal((len(time), 1)) * level[:, np.newaxis]
    found = ours(noise).range_lu
    assert found == pytest.approx(Ebur128(noise, RATE).range, abs=0.15)
    assert found == pytest.approx(ask_ffmpeg(noise, RATE)["LRA"][-1], abs=0.15)


@pytest.mark.parametrize("name", STEMS)
def test_the_true_peak_of_music_is_near_ffmpegs(name: str) -> None:
    """It resamples to 192 kHz with a shorter filter; on music, which has little near half the rate, that is all one."""
    signal = stem(name)
    words = [need_program("ffmpeg"), "-nostats", "-hide_banner", "-f", "f64le", "-ar", str(RATE)]
    words += ["-ac", str(signal.shape[1]), "-i", "pipe:0", "-af", "ebur128=peak=true", "-f", "null", "-"]
    text = subprocess.run(words, input=signal.astype("<f8").tobytes(), capture_output=True, check=True).stderr.decode()
    theirs = float(re.findall(r"Peak:\s+(-?[\d.]+) dBFS", text)[-1])
    peak = 20.0 * np.log10(max(feed(TruePeakMeter(RATE, signal.shape[1]), signal)))
    # It prints one decimal.
    assert peak == pytest.approx(theirs, abs=0.07)
