"""A second process that works on the same recording, so that two cores are busy.

Threads are not enough: much of the work is many short steps of numpy, and between them threads wait for each other
longer than they work side by side. The second process is started once and kept for the next call. It only reads
files; it ends when its input does, so that none outlives the process that started it.
"""

from __future__ import annotations

import atexit
import os
import pickle
import signal
import subprocess
import sys
import threading
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import Any, Generic, Self, TypeVar

__all__ = ["Beside", "serve"]

Result = TypeVar("Result")

START = "from printq.recordings.beside import serve; serve()"
END_S = 5.0


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
    """

    def __init__(self, function: Callable[..., Result], *arguments: Any) -> None:
        self._function = function
        self._arguments = arguments
        self._helper = _Helper.idle()
        if self._helper is not None and not self._helper.ask(function, arguments):
            self._helper.end()
            self._helper = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        # Still at work for somebody who no longer wants it.
        if self._helper is not None:
            self._helper.end()
            self._helper = None

    def result(self) -> Result:
        """What the function returned; raises what it raised."""
        helper, self._helper = self._helper, None
        if helper is None:
            return self._function(*self._arguments)
        try:
            value, error = helper.answer()
        except BaseException as lost:
            helper.end()
            if isinstance(lost, Exception):
                return self._function(*self._arguments)
            raise
        helper.rest()
        if error is not None:
            raise error
        return value  # type: ignore[no-any-return]


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

    def ask(self, function: Callable[..., Any], arguments: tuple[Any, ...]) -> bool:
        """Have a function called; whether the process could be told so."""
        assert self._process.stdin is not None
        try:
            pickle.dump((function, arguments), self._process.stdin)
            self._process.stdin.flush()
        except OSError:
            return False
        return True

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
            function, arguments = pickle.load(sys.stdin.buffer)
        except EOFError:
            return
        answer: tuple[Any, Exception | None]
        try:
            answer = (function(*arguments), None)
        except Exception as error:
            answer = (None, error)
        try:
            answers.write(pickle.dumps(answer))
            answers.flush()
        except OSError:
            return
