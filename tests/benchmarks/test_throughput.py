"""How fast the whole is: figures as ratios, to look at.

python -m pytest --benchmark-only tests/benchmarks
"""

from __future__ import annotations

import shutil
import time
from pathlib import Path
from typing import Any

from printq.audio.simulated import SimulatedRack
from printq.intake import load_job
from printq.spool.operator import AssumingOperator, SilentListener
from printq.spool.session import run_session

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
