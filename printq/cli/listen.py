"""Tells on standard error what happens in a run, a line for each event."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, TextIO

if TYPE_CHECKING:
    from printq.spool.operator import Rolling

__all__ = ["LineListener"]


class LineListener:
    """One plain line an event, with the time since the run began."""

    def __init__(self, out: TextIO) -> None:
        self._out = out
        self._start = time.monotonic()

    @property
    def elapsed_s(self) -> float:
        """Seconds since the run began."""
        return time.monotonic() - self._start

    def tell(self, kind: str, pass_id: str | None, text: str) -> None:
        """See `Listener`."""
        minutes, seconds = divmod(int(self.elapsed_s), 60)
        what = f"{pass_id}: {text}" if pass_id else text
        self._out.write(f"{minutes:02d}:{seconds:02d}  {kind:<9}  {what}\n")
        self._out.flush()

    def show(self, rolling: list[Rolling], left: int, left_s: float) -> None:
        """See `Listener`; plain lines have no room for what changes all the time."""
