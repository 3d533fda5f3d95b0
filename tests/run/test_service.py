"""The disk's side in a thread of its own: takes go on while nobody looks, and one bad file ends one take."""

from __future__ import annotations

import threading
import time
from pathlib import Path

import numpy as np
import pytest

from printq.errors import FileError, StorageError
from printq.run import Ending, PassEngine
from printq.run.service import ServiceThread
from tests.run.test_engine import BLOCK, RATE, Take, run_stream
from tests.sessions import read_audio


def break_reading(take: Take, after: int = 0) -> None:
    reads = iter(range(after))

    def read(frames: int) -> np.ndarray:
        if next(reads, None) is None:
            raise FileError("the stem cannot be read to its end")
        return np.zeros((frames, 1))

    take.stem.read = read  # type: ignore[method-assign]


def break_writing(take: Take) -> None:
    def write(block: np.ndarray) -> None:
        raise StorageError("the disk is full")

    take.flight._writer.write = write  # type: ignore[method-assign]


@pytest.mark.parametrize(("break_it", "kind"), [(break_reading, FileError), (break_writing, StorageError)])
def test_a_file_that_fails_ends_its_own_take_alone_and_says_why(tmp_path: Path, break_it: object, kind: type) -> None:
    engine = PassEngine(RATE, [1, 2], [1, 2])
    bad, good = Take(tmp_path, "bad", 0, 0), Take(tmp_path, "good", 1000, 1)
    break_it(bad)  # type: ignore[operator]
    for take in (bad, good):
        engine.start(take.flight)
    played = run_stream(engine, 1000 + good.layout.total + BLOCK, 2)
    landed = {flight.name: (ending, flight.error) for flight, ending in engine.land()}
    assert landed["good"] == (Ending.COMPLETE, None)
    assert landed["bad"][0] is Ending.FAILED
    assert isinstance(landed["bad"][1], kind)
    assert not engine.in_the_air()
    heard = read_audio(good.path)
    start = good.layout.material_at
    assert np.array_equal(heard[start : start + len(good.sent)], good.sent)
    # It fades within its 10 ms from the block after the one in which the disk failed.
    assert not played[3 * BLOCK :, 0].any()


def test_a_disk_that_is_full_at_the_very_end_fails_the_take_too(tmp_path: Path) -> None:
    engine = PassEngine(RATE, [1], [1])
    take = Take(tmp_path, "a", 0, 0)
    engine.start(take.flight)
    run_stream(engine, take.layout.total - 100, 1)
    out = np.zeros((BLOCK, 1), dtype=np.float32)
    engine.capture(out, take.layout.total - take.layout.total % BLOCK, False)
    break_writing(take)
    assert [(ending, str(flight.error)) for flight, ending in engine.land()] == [(Ending.FAILED, "the disk is full")]


def test_a_thread_serves_takes_while_the_driver_waits(tmp_path: Path) -> None:
    # Three buffers long: without the thread it would starve.
    engine = PassEngine(RATE, [1], [1])
    take = Take(tmp_path, "a", 0, 0)
    take.flight._ahead = type(take.flight._ahead)(take.layout.total // 3, 1)
    with ServiceThread(engine, 0.001) as service:
        engine.start(take.flight)
        for first in range(0, take.layout.total + BLOCK, BLOCK):
            while take.flight._ahead.available < BLOCK and take.flight._playout.left:
                time.sleep(0.0005)
            out = np.zeros((BLOCK, 1), dtype=np.float32)
            engine.fill(out, first)
            engine.capture(out, first, False)
        service.check()
    assert [ending for _, ending in engine.land()] == [Ending.COMPLETE]
    heard, start = read_audio(take.path), take.layout.material_at
    assert np.array_equal(heard[start : start + len(take.sent)], take.sent)


def test_starting_landing_and_serving_from_two_threads_loses_nothing(tmp_path: Path) -> None:
    channels = list(range(1, 25))
    engine = PassEngine(RATE, channels, channels)
    takes = [Take(tmp_path, f"take{number}", 0, number) for number in range(24)]
    ended = threading.Event()
    errors: list[BaseException] = []
    frame = 0

    def callback() -> None:
        nonlocal frame
        try:
            while not ended.is_set():
                out = np.zeros((BLOCK, 24), dtype=np.float32)
                engine.fill(out, frame)
                engine.capture(out, frame, False)
                frame += BLOCK
                # As real time would, but faster: not ahead of the disk.
                while any(f._ahead.available < BLOCK and f._playout.left for f in engine._flights):
                    time.sleep(0.0002)
        except BaseException as error:
            errors.append(error)

    stream = threading.Thread(target=callback)
    stream.start()
    endings = []
    with ServiceThread(engine, 0.001) as service:
        for take in takes:
            while engine.in_the_air() >= 8:
                endings += engine.land()
            take.flight.service()
            take.flight.start = frame + 200 * BLOCK
            engine.start(take.flight)
        deadline = time.monotonic() + 30
        while engine.in_the_air() and time.monotonic() < deadline:
            endings += engine.land()
        service.check()
    ended.set()
    stream.join()
    assert not errors
    assert [ending for _, ending in endings] == [Ending.COMPLETE] * 24
    for take in takes:
        heard, start = read_audio(take.path), take.layout.material_at
        assert np.array_equal(heard[start : start + len(take.sent)], take.sent)


def test_what_is_no_file_error_is_remembered_and_raised(tmp_path: Path) -> None:
    engine = PassEngine(RATE, [1], [1])
    engine.service = lambda: 1 / 0  # type: ignore[method-assign, assignment, return-value]
    with ServiceThread(engine, 0.001) as service:
        deadline = time.monotonic() + 5
        while service._error is None and time.monotonic() < deadline:
            time.sleep(0.001)
        with pytest.raises(ZeroDivisionError):
            service.check()


def test_stopping_twice_or_before_the_start_is_harmless() -> None:
    service = ServiceThread(PassEngine(RATE, [1], [1]))
    service.stop()
    service.stop()


@pytest.mark.parametrize("block", [1, 100, 5000, 48_000])
def test_a_take_moves_through_blocks_of_any_length(tmp_path: Path, block: int) -> None:
    engine = PassEngine(RATE, [1], [1])
    take = Take(tmp_path, "a", 77, 0)
    take.flight.start = 77
    engine.start(take.flight)
    frames = 3000 if block == 1 else 77 + take.layout.total
    first = 0
    while first < frames:
        out = np.zeros((min(block, frames - first), 1), dtype=np.float32)
        engine.fill(out, first)
        engine.capture(out, first, False)
        if first % 4800 < block:
            engine.service()
        first += len(out)
    engine.abort()
    engine.close()
    heard, start = read_audio(take.path)[:, 0], take.layout.material_at
    assert len(heard) == frames - 77
    assert take.flight.error is None
    if block > 1:
        assert np.array_equal(heard[start : start + len(take.sent)], take.sent[:, 0])


def test_a_stream_that_has_ended_leaves_files_that_can_be_read(tmp_path: Path) -> None:
    engine = PassEngine(RATE, [1], [1])
    take = Take(tmp_path, "a", 0, 0)
    engine.start(take.flight)
    played = run_stream(engine, 20 * BLOCK, 1)
    engine.close()
    engine.close()
    assert not engine.in_the_air()
    assert np.array_equal(read_audio(take.path), played.astype(np.float64))


@pytest.mark.parametrize("side", ["playing", "recording"])
def test_a_take_that_begins_too_late_on_either_side_is_a_glitch_and_not_a_shifted_take(
    tmp_path: Path, side: str
) -> None:
    # Its files took longer to open than the margin lasted: the stream is past its first frame already.
    engine = PassEngine(RATE, [1], [1])
    take = Take(tmp_path, "a", 100, 0)
    engine.start(take.flight)
    for first in range(0, take.layout.total + 4 * BLOCK, BLOCK):
        out = np.zeros((BLOCK, 1), dtype=np.float32)
        if first or side == "recording":
            engine.fill(out, first)
        if first or side == "playing":
            engine.capture(out, first, False)
    assert [ending for _, ending in engine.land()] == [Ending.GLITCH]
