"""The thread that moves sound between disk and buffers while the driver does something else."""

from __future__ import annotations

import threading
from types import TracebackType
from typing import Self

from printq.run.engine import PassEngine

__all__ = ["ServiceThread"]

PERIOD_S = 0.05
"""The buffers last for seconds: a disk may be slow many times over."""


class ServiceThread:
    """Calls `PassEngine.service` about every 50 ms; use it as a context manager, or `start` and `stop`.

    What goes wrong with the files of one take is kept on that take. Anything else ends the thread, is remembered, and
    raised by `check`.
    """

    def __init__(self, engine: PassEngine, period_s: float = PERIOD_S) -> None:
        self._engine = engine
        self._period_s = period_s
        self._ending = threading.Event()
        self._error: BaseException | None = None
        self._thread = threading.Thread(target=self._run, name="printq-service", daemon=True)

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    def start(self) -> None:
        """Begin; a second call raises RuntimeError."""
        self._thread.start()

    def stop(self, timeout_s: float = 10.0) -> None:
        """End after the round at hand; a disk that does not answer in time is left behind. Safe to call twice."""
        self._ending.set()
        if self._thread.ident is not None:
            self._thread.join(timeout_s)

    def check(self) -> None:
        """Raise what ended the thread, if anything did."""
        if self._error is not None:
            raise self._error

    def _run(self) -> None:
        try:
            while not self._ending.wait(self._period_s):
                self._engine.service()
        except BaseException as error:
            self._error = error
