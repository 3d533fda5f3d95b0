"""Bags against sha512sum over the same files in the same run; ratios to look at, above 1 is faster than it."""

from __future__ import annotations

import shutil
import statistics
import subprocess
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from printq.archive.audit import audit_bag
from printq.archive.writer import write_bag
from tests.archive.conftest import items_of, wave
from tests.conftest import need_program


def test_bags_keep_up_with_sha512sum(benchmark: Any, tmp_path: Path) -> None:
    """Wanted: archive at least 0.6 of it, audit at least 0.8 with one worker; medians of five rounds."""
    sha512sum = need_program("sha512sum")
    folder = tmp_path / "session"
    folder.mkdir()
    for number in range(6):
        (folder / f"stem{number}.wav").write_bytes(wave(24, 2, 5_000_000 + number))

    def timed(function: Callable[[], object]) -> float:
        begin = time.perf_counter()
        function()
        return time.perf_counter() - begin

    rounds: list[tuple[float, float]] = []

    def both() -> None:
        shutil.rmtree(tmp_path / "bag", ignore_errors=True)
        files = [str(path) for path in folder.iterdir()]
        alone = timed(lambda: subprocess.run([sha512sum, *files], check=True, capture_output=True))
        wrote = timed(lambda: write_bag(tmp_path / "bag", items_of(folder), {}))
        read = timed(lambda: audit_bag(tmp_path / "bag"))
        rounds.append((alone / wrote, alone / read))

    benchmark.pedantic(both, rounds=5)
    ratios = tuple(statistics.median(each) for each in zip(*rounds, strict=True))
    benchmark.extra_info["archive_over_sha512sum"], benchmark.extra_info["audit_over_sha512sum"] = ratios
    print(f"archive {ratios[0]:.2f}, audit {ratios[1]:.2f} of sha512sum")
    assert audit_bag(tmp_path / "bag").ok
