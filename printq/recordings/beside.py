"""A second process that works on the same recording, so that two cores are busy.

Threads are not enough: much of the work is many short steps of numpy, and between them threads wait for each other
longer than they work side by side. The second process is started once and kept for the next call. It only reads
files; it ends when its input does, so that none outlives the process that started it.

What both need of a recording is read once: the first process hands its blocks over through memory that both see, a few
at a time, and each block that was taken is told by a byte.
"""

from __future__ import annotations

import atexit
import mmap
import os
import pickle
import signal
import struct
import subprocess
import sys
import tempfile
import threading
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from itertools import chain
from pathlib import Path
from types import TracebackType
from typing import Any, BinaryIO, Generic, Self, TypeVar

import numpy as np
from numpy.typing import NDArray

__all__ = ["Beside", "Handed", "serve"]

Result = TypeVar("Result")
Block = NDArray[np.float32]
"""Shape (rows, frames)."""

START = "from printq.recordings.beside import serve; serve()"
END_S = 5.0
PLACES = 3
"""Blocks that may be on their way."""
LENGTH, NO_MORE, TAKEN = struct.Struct("<i"), -1, b"."
"""What goes to and fro while blocks are handed over: frames of the next, or that it was the last; one was taken."""


@dataclass(frozen=True)
class Handed:
    """Blocks that a call is to get from whoever makes it."""

    rows: int
    frames: int
    """Of the longest one."""
    again: Callable[[], Iterator[Block]]
    """All of them once more, for a call that runs in this process after all."""


class Beside(Generic[Result]):
    """A call that runs in the second process; use it as a context manager, and ask for the `result` within.

    With one core, or where no process can be started, the function is called when its result is asked for. So it is
    where the second process is lost on the way: nothing depends on it but the time.

    Parameters
    ----------
    function : callable
        Importable by name, as are those who make its arguments and its result.
    arguments
        Picklable.
    handed : Handed, optional
        With it, the function gets an iterator over blocks before its other arguments: those that `hand` is given until
        `no_more`, or until the result is asked for. A block is valid until the next one is asked for, and not to be
        written to.
    """

    def __init__(self, function: Callable[..., Result], *arguments: Any, handed: Handed | None = None) -> None:
        self._function = function
        self._arguments = arguments
        self._handed = handed
        self._ended = False
        self._ring: _Ring | None = None
        self._helper = _Helper.idle()
        if self._helper is None:
            return
        try:
            if handed is not None:
                self._ring = _Ring(handed.rows, handed.frames)
            self._helper.ask(function, arguments, self._ring)
        except OSError:
            self._lose()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        # Still at work for somebody who no longer wants it.
        self._lose()

    def hand(self, parts: Sequence[NDArray[np.floating]]) -> None:
        """Hand over a block: parts of the shape (rows, frames), one below the other, in single precision.

        Waits where the call is far behind. Raises ValueError where nothing was to follow.
        """
        if self._ended:
            raise ValueError("nothing was to follow the blocks that were handed over")
        self._tell(lambda ring, helper: ring.put(parts, helper))

    def no_more(self) -> None:
        """Nothing follows: the call can end while there is other work here. Asking for the result says so too."""
        self._ended = True
        self._tell(_Ring.no_more)

    def _tell(self, tell: Callable[[_Ring, _Helper], None]) -> None:
        if self._helper is None or self._ring is None:
            return
        try:
            tell(self._ring, self._helper)
        except (OSError, EOFError):
            lost = True
        else:
            lost = False
        # Not while the error is at hand, which knows of the memory that is given back.
        if lost:
            self._lose()

    def result(self) -> Result:
        """What the function returned; raises what it raised."""
        helper, self._helper = self._helper, None
        ring, self._ring = self._ring, None
        if helper is None:
            return self._here()
        try:
            if ring is not None:
                ring.end(helper)
            value, error = helper.answer()
        except BaseException as lost:
            helper.end()
            if isinstance(lost, Exception):
                return self._here()
            raise
        finally:
            if ring is not None:
                ring.close()
        helper.rest()
        if error is not None:
            raise error
        return value  # type: ignore[no-any-return]

    def _here(self) -> Result:
        blocks = () if self._handed is None else (self._handed.again(),)
        return self._function(*blocks, *self._arguments)

    def _lose(self) -> None:
        if self._helper is not None:
            self._helper.end()
            self._helper = None
        if self._ring is not None:
            self._ring.close()
            self._ring = None


class _Ring:
    """Memory that two processes see, with places for some blocks; this one writes.

    A file, for that works everywhere. Raises OSError where there is no room for it.
    """

    def __init__(self, rows: int, frames: int) -> None:
        self.shape = PLACES, rows, frames
        size = 4 * PLACES * rows * frames
        handle, name = tempfile.mkstemp(prefix="printq-")
        self.path = Path(name)
        try:
            with os.fdopen(handle, "r+b") as file:
                # Written, so that the room is there: a file that only claims to be so long ends the process later on.
                file.write(bytes(size))
                file.flush()
                self._places = _places(mmap.mmap(file.fileno(), size), self.shape)
        except BaseException:
            self.forget()
            raise
        self._put = self._taken = 0
        self._ended = False

    def put(self, parts: Sequence[NDArray[np.floating]], helper: _Helper) -> None:
        """Raises OSError or EOFError where the other process is gone."""
        if self._put - self._taken == PLACES:
            self._wait(helper)
        place, row, frames = self._places[self._put % PLACES], 0, parts[0].shape[1]
        for part in parts:
            place[row : row + len(part), :frames] = part
            row += len(part)
        helper.tell(LENGTH.pack(frames))
        self._put += 1

    def no_more(self, helper: _Helper) -> None:
        """Nothing follows; it may be said twice."""
        if not self._ended:
            helper.tell(LENGTH.pack(NO_MORE))
        self._ended = True

    def end(self, helper: _Helper) -> None:
        """Nothing follows, and all was taken."""
        self.no_more(helper)
        while self._taken < self._put:
            self._wait(helper)

    def _wait(self, helper: _Helper) -> None:
        helper.hear()
        self._taken += 1
        if self._taken == 1:
            # The other process has it open.
            self.forget()

    def close(self) -> None:
        """Give the memory back."""
        self._places = np.empty((0, 0, 0), dtype=np.float32)
        self.forget()

    def forget(self) -> None:
        """Nobody need open it any more. Where a file that is in use cannot be removed, that is done in the end."""
        with suppress(OSError):
            self.path.unlink(missing_ok=True)


def _places(memory: mmap.mmap, shape: tuple[int, int, int]) -> NDArray[np.float32]:
    return np.frombuffer(memory, dtype=np.float32).reshape(shape)


class _Helper:
    """One second process, and its pipes."""

    _lock = threading.Lock()
    _resting: list[_Helper] = []

    def __init__(self) -> None:
        # What this process can import, the other can; but nothing that happens to lie in the working directory.
        paths = [str(Path(each).absolute()) for each in sys.path if each]
        environment = {**os.environ, "PYTHONPATH": os.pathsep.join(paths), "OPENBLAS_NUM_THREADS": "1"}
        self._process = subprocess.Popen(
            [sys.executable, "-P", "-c", START],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            env=environment,
        )

    @classmethod
    def idle(cls) -> _Helper | None:
        """One that rests, or a new one; None where it would only take turns with this process."""
        if _cores() < 2:
            return None
        with cls._lock:
            while cls._resting:
                helper = cls._resting.pop()
                if helper._process.poll() is None:
                    return helper
                helper.end()
        try:
            return cls()
        except OSError:
            return None

    @classmethod
    def end_resting(cls) -> None:
        """End those that nobody needs now."""
        with cls._lock:
            resting, cls._resting = cls._resting, []
        for helper in resting:
            helper.end()

    def ask(self, function: Callable[..., Any], arguments: tuple[Any, ...], ring: _Ring | None) -> None:
        """Have a function called. Raises OSError where the process cannot be told so."""
        assert self._process.stdin is not None
        place = None if ring is None else (ring.path, ring.shape)
        pickle.dump((function, arguments, place), self._process.stdin)
        self._process.stdin.flush()

    def tell(self, message: bytes) -> None:
        """Raises OSError where it is gone."""
        assert self._process.stdin is not None
        self._process.stdin.write(message)
        self._process.stdin.flush()

    def hear(self) -> None:
        """Wait until it has taken a block. Raises OSError or EOFError where it is gone."""
        assert self._process.stdout is not None
        if self._process.stdout.read(len(TAKEN)) != TAKEN:
            raise EOFError

    def answer(self) -> tuple[Any, Exception | None]:
        """Wait for the answer. Raises EOFError, OSError or UnpicklingError where none comes."""
        assert self._process.stdout is not None
        answer: tuple[Any, Exception | None] = pickle.load(self._process.stdout)
        return answer

    def rest(self) -> None:
        """Be there for the next one."""
        with self._lock:
            self._resting.append(self)

    def end(self) -> None:
        """Whatever it is at."""
        self._process.kill()
        for pipe in (self._process.stdin, self._process.stdout):
            assert pipe is not None
            with suppress(OSError):
                pipe.close()
        with suppress(subprocess.TimeoutExpired):
            self._process.wait(END_S)


# They would end by themselves; but then nobody had waited for them.
atexit.register(_Helper.end_resting)


def _cores() -> int:
    """Cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def serve() -> None:
    """The life of a second process: call what comes, until its input ends."""
    # Ctrl-C reaches the whole group of processes; only the first one decides what it means.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    # Answers alone go out by the pipe: what anything else prints must not get between them.
    answers = os.fdopen(os.dup(sys.stdout.fileno()), "wb")
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())
    while True:
        try:
            function, arguments, place = pickle.load(sys.stdin.buffer)
        except EOFError:
            return
        blocks: list[Iterator[Block]] = []
        if place is not None:
            path, shape = place
            blocks.append(_taken(path, shape, sys.stdin.buffer, answers))
        try:
            answer = pickle.dumps((function(*blocks, *arguments), None))
        except Exception as error:
            answer = pickle.dumps((None, error))
        try:
            # Those that the function did not want. Nothing may hold on to a block now, so that their memory is free.
            deque(chain(*blocks), maxlen=0)
            blocks.clear()
            answers.write(answer)
            answers.flush()
        except OSError:
            return


def _taken(path: Path, shape: tuple[int, int, int], messages: BinaryIO, answers: BinaryIO) -> Iterator[Block]:
    """The blocks that are handed over, each valid until the next one is asked for."""
    # Opened at once, and not with the first block: a process that cannot is no help.
    try:
        with path.open("rb") as file:
            places = _places(mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ), shape)
    except OSError:
        sys.exit(1)

    def blocks() -> Iterator[Block]:
        number = 0
        while True:
            message = messages.read(LENGTH.size)
            if len(message) < LENGTH.size:
                # Whoever wanted to know is gone.
                sys.exit()
            (frames,) = LENGTH.unpack(message)
            if frames == NO_MORE:
                return
            yield places[number % len(places), :, :frames]
            number += 1
            answers.write(TAKEN)
            answers.flush()

    return blocks()
