"""How fast `printq measure` and its meters are: each as a share of a reference program's time in the same run.

    python -m pytest --benchmark-only tests/benchmarks/test_measure.py

PRINTQ_MEASURE_MINUTES=60 measures an hour instead of 10 minutes (and needs 1 GB of disk). The program wants at most
0.8 of ffmpeg's time for 10 minutes, and half for an hour. The two take turns, so that a busy machine hits both.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pyloudnorm
import pytest
import soundfile
from numpy.typing import NDArray
from scipy.signal import resample_poly

from printq.measure.loudness import LoudnessMeter
from printq.measure.peaks import TruePeakMeter
from tests.conftest import need_program
from tests.measure.test_references import feed_ebur128
from tests.sessions import RATE, make_music

MINUTES = int(os.environ.get("PRINTQ_MEASURE_MINUTES", "10"))
ROUNDS = 3
Signal = NDArray[np.float64]


def white_noise(seconds: float) -> Signal:
    """At full scale: what is hardest for a true peak meter that rules out."""
    return np.asarray(np.random.default_rng(1).uniform(-1.0, 1.0, (round(seconds * RATE), 2)))


def music(seconds: float) -> Signal:
    return make_music(seconds, 2)


def limited_music(seconds: float) -> Signal:
    """Most of it near full scale."""
    return np.tanh(20.0 * make_music(seconds, 2))


every_signal = pytest.mark.parametrize("make", [music, limited_music, white_noise], ids=lambda make: make.__name__)


def compare(benchmark: Any, ours: Callable[[], None], theirs: Callable[[], None], name: str) -> None:
    """Run both in turn and keep the ratio of their quickest rounds."""
    reference = []

    def time_theirs() -> None:
        start = time.perf_counter()
        theirs()
        reference.append(time.perf_counter() - start)

    benchmark.pedantic(ours, setup=time_theirs, rounds=ROUNDS)
    share = benchmark.stats.stats.min / min(reference)
    benchmark.extra_info[f"share_of_{name}"] = round(share, 3)
    print(f"\n{share:.2f} of the time of {name}")


@every_signal
def test_the_whole_command_against_ffmpeg(benchmark: Any, tmp_path: Path, make: Callable[[float], Signal]) -> None:
    """Start-up included, on stereo with 24 bits at 48 kHz."""
    ffmpeg = need_program("ffmpeg")
    path = tmp_path / "long.rf64"
    samples = np.rint(np.clip(make(20.0), -1.0, 1.0 - 2.0**-23) * 2**23).astype(np.int32) << 8
    with soundfile.SoundFile(path, "w", RATE, 2, subtype="PCM_24", format="RF64") as file:
        for _ in range(3 * MINUTES):
            file.write(samples)

    def ours() -> None:
        subprocess.run([sys.executable, "-m", "printq", "measure", str(path)], capture_output=True, check=True)

    def theirs() -> None:
        words = [ffmpeg, "-nostats", "-i", str(path), "-af", "ebur128=peak=true", "-f", "null", "-"]
        subprocess.run(words, capture_output=True, check=True)

    compare(benchmark, ours, theirs, f"ffmpeg on {MINUTES} min")


def feed_loudness(signal: Signal) -> None:
    meter = LoudnessMeter(RATE, signal.shape[1])
    meter.add(signal)
    meter.result()


def test_loudness_against_libebur128(benchmark: Any) -> None:
    """Integrated, range, and all short-term windows, where libebur128 is asked for no maxima."""
    signal = music(20.0)
    compare(benchmark, lambda: feed_loudness(signal), lambda: feed_ebur128(signal, RATE), "libebur128")


def test_loudness_against_pyloudnorm(benchmark: Any) -> None:
    """Which measures the integrated loudness alone."""
    signal = music(20.0)
    meter = pyloudnorm.Meter(RATE)
    compare(benchmark, lambda: feed_loudness(signal), lambda: meter.integrated_loudness(signal) and None, "pyloudnorm")


@every_signal
def test_true_peak_against_resampling_all_of_it(benchmark: Any, make: Callable[[float], Signal]) -> None:
    signal = make(20.0)

    def ours() -> None:
        meter = TruePeakMeter(RATE, 2)
        meter.add(signal)
        meter.result()

    compare(
        benchmark, ours, lambda: np.abs(resample_poly(signal, 4, 1, axis=0)).max() and None, "resampling by polyphase"
    )
