"""How fast the whole is: figures as ratios, to look at.

python -m pytest --benchmark-only tests/benchmarks
"""

from __future__ import annotations

import shutil
import subprocess
import time
from pathlib import Path
from typing import Any

import numpy as np

from printq.audio.simulated import SimulatedRack
from printq.intake import load_job
from printq.measure.loudness import LoudnessMeter
from printq.measure.peaks import LevelMeter, TruePeakMeter
from printq.spool.operator import AssumingOperator, SilentListener
from printq.spool.session import run_session
from tests.conftest import need_program
from tests.sessions import RATE, make_music, read_audio, write_wav

SAMPLE = Path(__file__).parents[2] / "sample_sessions/lighthouse_waltz"


def test_the_sample_session_against_real_time(benchmark: Any, tmp_path: Path) -> None:
    """Seconds of takes recorded, checked and delivered in a second; real hardware has 1 for each pass in the air."""
    ratios = []

    def run() -> None:
        folder = tmp_path / f"run{len(ratios)}"
        shutil.copytree(SAMPLE, folder, ignore=shutil.ignore_patterns(".printq", "*.v[0-9]*", "prints"))
        job = load_job(folder)
        start = time.perf_counter()
        report = run_session(
            job,
            lambda restarts: SimulatedRack(job.rig, restarts),
            AssumingOperator(),
            SilentListener(),
            workers=1,
        )
        assert report.exit_status == 0
        ratios.append(report.rolled_s / (time.perf_counter() - start))

    benchmark.pedantic(run, rounds=2)
    benchmark.extra_info["times_real_time"] = [round(ratio, 1) for ratio in ratios]
    print(f"\n{max(ratios):.1f} times real time")


def test_level_true_peak_and_loudness_against_ffmpeg(benchmark: Any, tmp_path: Path) -> None:
    """Our meters on two minutes in stereo, as a share of the time of ffmpeg's ebur128 with true peak."""
    path = tmp_path / "music.wav"
    write_wav(path, np.tile(make_music(30.0, 2), (4, 1)))
    samples = read_audio(path)

    def measure() -> None:
        meters = (LevelMeter(2), TruePeakMeter(RATE, 2), LoudnessMeter(RATE, 2))
        for start in range(0, len(samples), 1 << 16):
            for meter in meters:
                meter.add(samples[start : start + (1 << 16)])
        for meter in meters:
            meter.result()

    start = time.perf_counter()
    words = [need_program("ffmpeg"), "-nostats", "-i", str(path), "-af", "ebur128=peak=true", "-f", "null", "-"]
    subprocess.run(words, capture_output=True, check=True)
    reference = time.perf_counter() - start
    benchmark.pedantic(measure, rounds=3)
    share = benchmark.stats.stats.min / reference
    benchmark.extra_info["share_of_ffmpeg"] = round(share, 2)
    print(f"\n{share:.2f} of ffmpeg's time")
