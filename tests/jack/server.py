"""A JACK server with a dummy driver, to start, suspend and kill.

JACK keeps at most eight names of servers in shared memory, and one that was killed keeps its name until another server
takes the same. So the names here are few and used again: the first whose lock file nobody holds, since several runs of
the tests may share a machine.
"""

from __future__ import annotations

import fcntl
import os
import signal
import subprocess
import tempfile
import time
from pathlib import Path
from types import TracebackType
from typing import IO, Self

NAMES = [f"printq-test-{number}" for number in range(6)]
SOCKET_FOLDERS = (Path("/dev/shm"), Path("/tmp"))
START_S = 5.0


class JackServer:
    """One server; use it as a context manager. It keeps real time, and runs without priority of its own.

    Parameters
    ----------
    rate : int
        Hz.
    period : int
        Frames a cycle.
    channels : int
        Of the device `system` in each direction.
    """

    def __init__(self, rate: int = 48_000, period: int = 1024, channels: int = 2) -> None:
        self.rate = rate
        self.period = period
        self.channels = channels
        self.name = ""
        self._process: subprocess.Popen[bytes] | None = None
        self._claim: IO[str] | None = None

    def __enter__(self) -> Self:
        for name in NAMES:
            self._claim = _claim(name)
            if self._claim is None:
                continue
            if self._start(name):
                return self
            self._claim.close()
        raise RuntimeError(f"no JACK server starts under any of {NAMES}")

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    @property
    def pid(self) -> int:
        assert self._process is not None
        return self._process.pid

    def suspend(self) -> None:
        """Stop it where it is, as a machine does that is too busy."""
        os.kill(self.pid, signal.SIGSTOP)

    def resume(self) -> None:
        """Go on."""
        os.kill(self.pid, signal.SIGCONT)

    def kill(self) -> None:
        """End it without a word to its clients."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()

    def stop(self) -> None:
        """End it properly; if it was killed, clear up what it left in shared memory."""
        process = self._process
        self._process = None
        if process is None:
            return
        if process.poll() is None:
            os.kill(process.pid, signal.SIGCONT)
            process.terminate()
            try:
                process.wait(2)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
        if process.returncode != 0 and self._start(self.name):
            assert self._process is not None
            self._process.terminate()
            self._process.wait()
            self._process = None
        for file in SOCKET_FOLDERS[0].glob(f"jack*_{self.name}_*"):
            file.unlink(missing_ok=True)
        if self._claim is not None:
            self._claim.close()

    def _start(self, name: str) -> bool:
        for socket in self._sockets(name):
            socket.unlink(missing_ok=True)
        words = ["jackd", "-n", name, "-r", "-d", "dummy", "-r", str(self.rate), "-p", str(self.period)]
        words += ["-C", str(self.channels), "-P", str(self.channels)]
        process = subprocess.Popen(
            words,
            env={**os.environ, "JACK_NO_AUDIO_RESERVATION": "1"},
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        end = time.monotonic() + START_S
        while time.monotonic() < end and process.poll() is None:
            if any(socket.exists() for socket in self._sockets(name)):
                self.name, self._process = name, process
                return True
            time.sleep(0.02)
        process.kill()
        process.wait()
        return False

    def _sockets(self, name: str) -> list[Path]:
        return [folder / f"jack_{name}_{os.getuid()}_0" for folder in SOCKET_FOLDERS]


def _claim(name: str) -> IO[str] | None:
    """The lock on a name, until it is closed or this process ends; None where somebody else has it."""
    file = (Path(tempfile.gettempdir()) / f"{name}.lock").open("w")
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        file.close()
        return None
    return file
