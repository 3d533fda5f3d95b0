"""All checks of a take against one meter of another program on the same take."""

from __future__ import annotations

import os
import subprocess
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from printq.files.stems import StemPart
from printq.intake import load_job
from printq.spool.journal import Journal
from printq.spool.paths import SessionPaths
from printq.verify.measure_take import measure_take
from printq.verify.timing import measure_timing
from tests.conftest import need_program
from tests.sessions import SmallSession, make_music, write_wav

MINUTES = int(os.environ.get("PRINTQ_CHECKED_MINUTES", "2"))
"""10 for the figure that counts."""
ROUNDS = 3


@pytest.mark.parametrize("noise_dbfs", [-100.0, -75.0])
def test_every_check_of_a_take_in_stereo_against_one_meter(benchmark: Any, tmp_path: Path, noise_dbfs: float) -> None:
    """Delay, levels, true peak, loudness, noise, clipping, sides, polarity, bypass and dropouts; the stem checksummed,
    the print compared with the take sample for sample. ffmpeg's ebur128 with true peak looks at the take alone.

    With more noise there is more that might be a dropout.
    """
    session = SmallSession(tmp_path)
    session.keep_stems("harp")
    write_wav(tmp_path / "dry/harp.wav", np.tile(make_music(30.0, 2, seed=3), (2 * MINUTES, 1)))
    session.simulation["noise_dbfs"] = noise_dbfs
    session.rig["unit"][2]["model"] = {
        "kind": "vca-compressor",
        "parameters": {"threshold_db": -24.0, "ratio": 3.0},
    }
    session.write().run()
    job = load_job(tmp_path)
    with Journal(SessionPaths(tmp_path).journal, read_only=True) as journal:
        (entry,), (delivery,) = journal.takes("harp/bus"), journal.deliveries("harp/bus")
    assert entry.record is not None
    assert entry.trim is not None
    each, insert, take, trim = job.passes[0], job.insert_of(job.passes[0]), entry.record, entry.trim
    path, parts, staged = tmp_path / entry.file, [StemPart(tmp_path / "dry/harp.wav")], tmp_path / "dry/harp.bus.v1.wav"

    def check() -> None:
        measure_timing(each, insert, take, path, parts)
        figures = measure_take(
            each, insert, take, path, trim, parts, staged, entry.source, 50, written_sha256=delivery.audio_sha256
        )
        assert figures.source_unchanged

    words = [need_program("ffmpeg"), "-nostats", "-i", str(path), "-af", "ebur128=peak=true", "-f", "null", "-"]
    references = []
    for _ in range(ROUNDS):
        start = time.perf_counter()
        subprocess.run(words, capture_output=True, check=True)
        references.append(time.perf_counter() - start)
    benchmark.pedantic(check, rounds=ROUNDS, warmup_rounds=1)
    # The best of both: whatever else the machine does takes time from either.
    share = benchmark.stats.stats.min / min(references)
    benchmark.extra_info["share_of_ffmpeg"] = round(share, 2)
    print(f"\n{share:.2f} of ffmpeg's time")
