"""What the audio callback costs: 64 channels at 48 kHz, blocks of 1024, eight stereo takes in the air.

    python -m pytest --benchmark-only -s tests/benchmarks/test_callback.py

A block lasts 21.3 ms. The aim is a tenth of that on average, and half of it for all but one call in a thousand.
"""

from __future__ import annotations

import gc
import time
import tracemalloc
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from printq.audio.hardware import _Callback
from printq.files.soundfiles import TakeWriter
from printq.files.stems import StemPart, StemReader
from printq.measure.stimuli import make_marker
from printq.models.job import Options
from printq.models.layout import PassLayout
from printq.models.rig import Insert
from printq.run import Flight, PassEngine, Playout, PlayoutPlan
from tests.sessions import make_music, write_wav

RATE = 48_000
BLOCK = 1024
CHANNELS = 64
TAKES = 8
CALLS = 4000


class Times:
    """PortAudio's times of a block."""

    def __init__(self) -> None:
        self.inputBufferAdcTime = self.currentTime = 1.0


def make_flight(folder: Path, number: int) -> Flight:
    stem = folder / f"stem{number}.wav"
    music = make_music(1.0, 2, seed=number + 1)
    write_wav(stem, np.tile(music, (CALLS * BLOCK // len(music) + 1, 1))[: CALLS * BLOCK])
    insert = Insert.model_validate(
        {"id": "bus", "units": ["box"], "mode": "stereo", "sends": [1, 2], "returns": [1, 2], "tail_s": 0.1}
    )
    layout = PassLayout.make(Options.model_validate({"lead_s": 0.2}), insert, CALLS * BLOCK, RATE)
    plan = PlayoutPlan(layout, "stereo", RATE, 0.0, make_marker(RATE, 0.03), True, False)
    columns = [2 * number, 2 * number + 1]
    playout = Playout(plan, StemReader([StemPart(stem)], 2, CALLS * BLOCK))
    writer = TakeWriter(folder / f"take{number}.wav", RATE, 2)
    return Flight(f"take{number}", playout, writer, columns, columns, 0, layout.total, RATE, BLOCK)


@pytest.mark.parametrize("integers", [False, True], ids=["floats", "integers"])
def test_the_callback_against_the_length_of_its_block(benchmark: Any, tmp_path: Path, integers: bool) -> None:
    channels = list(range(1, CHANNELS + 1))
    paths = {f"bus{k}": ([2 * k + 1, 2 * k + 2], [2 * k + 1, 2 * k + 2]) for k in range(CHANNELS // 2)}
    engine = PassEngine(RATE, channels, channels, paths)
    columns = list(range(CHANNELS))
    callback = _Callback(engine, RATE, sends=columns, returns=columns, integers=integers)
    for number in range(TAKES):
        engine.start(make_flight(tmp_path, number))
    kind = np.int32 if integers else np.float32
    recorded = (np.random.default_rng(1).standard_normal((BLOCK, CHANNELS)) * (2**28 if integers else 0.1)).astype(kind)
    played = np.zeros((BLOCK, CHANNELS), dtype=kind)
    times = Times()
    took = np.zeros(CALLS)

    def call() -> None:
        # The disk works between the calls, in this thread: its share is the benchmark of the whole, not this one.
        for number in range(CALLS):
            if number % 16 == 0:
                engine.service()
            start = time.perf_counter()
            callback(recorded, played, BLOCK, times, False)
            took[number] = time.perf_counter() - start

    benchmark.pedantic(call, rounds=1)
    assert callback.error is None
    assert engine.in_the_air() == TAKES
    engine.close()
    share = 100 * took / (BLOCK / RATE)
    mean, rare = float(share.mean()), float(np.percentile(share, 99.9))
    benchmark.extra_info.update(mean_percent=round(mean, 2), percentile_99_9_percent=round(rare, 2))
    print(f"\nof the block's 21.3 ms: {mean:.1f} % on average, {rare:.1f} % at the 99.9th percentile")


def test_the_callback_keeps_no_memory(benchmark: Any, tmp_path: Path) -> None:
    """Bytes that the callback asks for at once, beyond what it gives back, and collections that it sets off."""
    channels = list(range(1, CHANNELS + 1))
    engine = PassEngine(RATE, channels, channels, {"all": (channels, channels)})
    callback = _Callback(engine, RATE, sends=range(CHANNELS), returns=range(CHANNELS))
    engine.start(make_flight(tmp_path, 0))
    recorded, played = np.full((BLOCK, CHANNELS), 0.1, np.float32), np.zeros((BLOCK, CHANNELS), np.float32)
    times = Times()
    callback(recorded, played, BLOCK, times, False)
    collections = sum(generation["collections"] for generation in gc.get_stats())
    tracemalloc.start()
    before = tracemalloc.get_traced_memory()[0]
    benchmark.pedantic(lambda: [callback(recorded, played, BLOCK, times, False) for _ in range(100)], rounds=1)
    after, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    collections = sum(generation["collections"] for generation in gc.get_stats()) - collections
    engine.close()
    benchmark.extra_info.update(kept_bytes=after - before, peak_bytes=peak - before, collections=collections)
    print(f"\n{after - before} bytes kept, {peak - before} at most at once, {collections} collections in 100 calls")
