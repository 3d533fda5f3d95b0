"""A call in a second process gives what it would give here, whatever becomes of that process."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from printq.errors import FileError
from printq.files.checksums import file_sha256
from printq.recordings import beside
from printq.recordings.beside import Beside

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
