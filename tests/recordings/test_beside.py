"""A call in a second process gives what it would give here, whatever becomes of that process."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from printq.errors import FileError
from printq.files.checksums import file_sha256
from printq.recordings import beside
from printq.recordings.beside import PLACES, Beside, Block, Handed

needs_two_cores = pytest.mark.skipif(beside._cores() < 2, reason="with one core there is no second process")


@needs_two_cores
def test_the_call_runs_in_another_process_which_is_kept_for_the_next() -> None:
    found = []
    for _ in range(2):
        with Beside(os.getpid) as call:
            found.append(call.result())
    assert found[0] != os.getpid()
    assert found[0] == found[1]


def test_what_it_raises_is_raised_here_in_its_own_words(tmp_path: Path) -> None:
    with (
        pytest.raises(FileError, match=r"gone\.wav cannot be read"),
        Beside(file_sha256, tmp_path / "gone.wav") as call,
    ):
        call.result()


@pytest.mark.skipif(sys.platform == "win32", reason="signals are sent")
@needs_two_cores
def test_a_second_process_that_is_killed_costs_only_time() -> None:
    with Beside(os.getpid) as call:
        other = call.result()
    with Beside(time.sleep, 0.2) as slept:
        os.kill(other, signal.SIGKILL)
        assert slept.result() is None
    with Beside(os.getpid) as call:
        assert call.result() not in (other, os.getpid())


@needs_two_cores
def test_a_call_that_nobody_waits_for_is_ended_and_the_next_gets_its_own_answer() -> None:
    with pytest.raises(KeyError), Beside(time.sleep, 60.0):
        raise KeyError
    with Beside(int, "7") as call:
        assert call.result() == 7


def test_where_no_process_can_be_started_the_call_runs_here(monkeypatch: pytest.MonkeyPatch) -> None:
    beside._Helper.end_resting()
    monkeypatch.setattr(sys, "executable", "/nowhere/python")
    with Beside(os.getpid) as call:
        assert call.result() == os.getpid()


@pytest.mark.skipif(sys.platform != "linux", reason="processes are looked up in /proc")
@needs_two_cores
def test_it_ends_with_the_process_that_started_it_even_a_killed_one() -> None:
    script = """
import os, time
from printq.recordings.beside import Beside
with Beside(os.getpid) as call:
    print(call.result(), flush=True)
with Beside(time.sleep, 0.5):
    time.sleep(60.0)
"""
    with subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.PIPE, text=True) as first:
        assert first.stdout is not None
        other = int(first.stdout.readline())
        assert Path(f"/proc/{other}").exists()
        first.kill()
    end = time.monotonic() + 20.0
    while Path(f"/proc/{other}").exists() and time.monotonic() < end:
        time.sleep(0.05)
    assert not Path(f"/proc/{other}").exists()


@needs_two_cores
def test_nothing_is_imported_from_the_working_directory(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "numpy.py").write_text("raise RuntimeError('not this one')")
    (tmp_path / "pickle.py").write_text("raise RuntimeError('not this one')")
    monkeypatch.chdir(tmp_path)
    monkeypatch.syspath_prepend("")
    beside._Helper.end_resting()
    with Beside(file_sha256, tmp_path / "numpy.py") as call:
        assert len(call.result()) == 64


def add_up(blocks: Iterator[Block], factor: int) -> tuple[float, list[tuple[int, int]], int]:
    """A number that depends on every sample and on the order, the shapes, and the process."""
    total, shapes = 0.0, []
    for block in blocks:
        total = 0.5 * total + float(block.astype(np.float64).sum())
        shapes.append((len(block), block.shape[1]))
    return factor * total, shapes, os.getpid()


def give_up(blocks: Iterator[Block]) -> None:
    next(blocks)
    raise FileError("no more of that")


def look_at_one(blocks: Iterator[Block]) -> float:
    return float(next(blocks).sum())


def some_blocks(count: int = 5 * PLACES) -> list[Block]:
    rng = np.random.default_rng(4)
    return [rng.standard_normal((3, 100 if n % 4 else 7)).astype(np.float32) for n in range(count)]


def handed(blocks: list[Block]) -> Handed:
    return Handed(3, 100, lambda: iter(blocks))


def hand_all(function: Callable[..., Any], *arguments: Any, blocks: list[Block]) -> Any:
    """What a call makes of blocks."""
    with Beside(function, *arguments, handed=handed(blocks)) as call:
        for block in blocks:
            call.hand((block,))
        return call.result()


@needs_two_cores
def test_blocks_arrive_as_they_were_and_in_order() -> None:
    blocks = some_blocks()
    with Beside(add_up, 3, handed=handed(blocks)) as call:
        for block in blocks:
            # In parts, and in double precision: what fits into single is the same.
            call.hand((block[:1].astype(np.float64), block[1:]))
        total, shapes, process = call.result()
    assert (total, shapes) == add_up(iter(blocks), 3)[:2]
    assert process != os.getpid()


def end_with(blocks: Iterator[Block], path: str) -> None:
    for _ in blocks:
        pass
    Path(path).write_text("all were there", encoding="ascii")


@needs_two_cores
def test_a_call_ends_while_there_is_other_work_once_it_knows_that_nothing_follows(tmp_path: Path) -> None:
    blocks, sign = some_blocks(2), tmp_path / "sign"
    with Beside(end_with, str(sign), handed=handed(blocks)) as call:
        for block in blocks:
            call.hand((block,))
        call.no_more()
        deadline = time.monotonic() + 20.0
        while not sign.exists() and time.monotonic() < deadline:
            time.sleep(0.01)
        assert sign.exists()
        with pytest.raises(ValueError, match="nothing was to follow"):
            call.hand((blocks[0],))
        assert call.result() is None


@needs_two_cores
@pytest.mark.parametrize("count", [1, 2, PLACES, PLACES + 1, 5 * PLACES])
def test_what_is_not_wanted_does_not_get_into_the_next_call(count: int) -> None:
    blocks = some_blocks(count)
    with pytest.raises(FileError, match="no more of that"):
        hand_all(give_up, blocks=blocks)
    assert hand_all(look_at_one, blocks=blocks) == float(blocks[0].sum())
    with Beside(int, "7") as number:
        assert number.result() == 7


@pytest.mark.skipif(sys.platform == "win32", reason="signals are sent")
@needs_two_cores
@pytest.mark.parametrize("place", [0, 1, PLACES + 3, 5 * PLACES])
def test_where_it_is_killed_in_the_middle_all_blocks_are_looked_at_here(place: int) -> None:
    with Beside(os.getpid) as first:
        other = first.result()
    blocks = some_blocks()
    with Beside(add_up, 1, handed=handed(blocks)) as call:
        for number, block in enumerate(blocks):
            if number == place:
                os.kill(other, signal.SIGKILL)
            call.hand((block,))
        if place == len(blocks):
            os.kill(other, signal.SIGKILL)
        total, _, _ = call.result()
    assert total == add_up(iter(blocks), 1)[0]


def test_without_a_process_or_room_for_the_blocks_they_are_looked_at_here(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "gone"))
    blocks = some_blocks()
    assert hand_all(add_up, 1, blocks=blocks) == add_up(iter(blocks), 1)


@needs_two_cores
def test_nothing_is_left_on_the_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    blocks = some_blocks()
    hand_all(add_up, 1, blocks=blocks)
    with Beside(add_up, 1, handed=handed(blocks)) as call:
        call.hand((blocks[0],))
    assert list(tmp_path.iterdir()) == []
