"""How long a null takes, against the plainest way to do it with whole files in memory."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

import numpy as np
from scipy.signal import fftconvolve

from printq.recordings.nulling import Recording, null_recordings
from tests.sessions import make_music, read_audio, write_wav


def test_two_minutes_in_stereo_against_a_correlation_of_the_whole_files(benchmark: Any, tmp_path: Path) -> None:
    """Ours fits fractions of a sample and describes bands and seconds; the reference finds the whole-sample delay,
    subtracts, and knows no more."""
    dry = np.tile(make_music(30.0, 2), (4, 1))
    write_wav(tmp_path / "a.wav", dry)
    write_wav(tmp_path / "b.wav", np.concatenate((np.zeros((187, 2)), 0.8 * dry)))
    start = time.perf_counter()
    a, b = read_audio(tmp_path / "a.wav"), read_audio(tmp_path / "b.wav")
    lag = int(np.argmax(np.abs(fftconvolve(b[:, 0], a[::-1, 0])))) - (len(a) - 1)
    moved = b[lag : lag + len(a)]
    gain = float(np.vdot(moved, a) / np.vdot(a, a))
    assert np.mean((moved - gain * a) ** 2) < 1e-9
    reference = time.perf_counter() - start

    benchmark.pedantic(lambda: null_recordings(Recording(tmp_path / "a.wav"), Recording(tmp_path / "b.wav")), rounds=2)
    share = benchmark.stats.stats.min / reference
    benchmark.extra_info["share_of_a_plain_correlation"] = round(share, 2)
    print(f"\n{share:.2f} of the time of a correlation of the whole files")
