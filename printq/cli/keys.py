"""Single keys from the terminal, without waiting for Enter and without waiting at all."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager

__all__ = ["Keyboard", "open_keyboard"]

POLL_S = 0.05


class Keyboard:
    """Keys that were pressed; use `open_keyboard`."""

    def pressed(self) -> str:
        """What has been typed since the last call; empty for nothing."""
        raise NotImplementedError

    def wait(self, seconds: float) -> None:
        """Come back when something may have been typed, or after so long."""
        raise NotImplementedError


@contextmanager
def open_keyboard() -> Iterator[Keyboard]:
    """Keys one by one for as long as this is open; afterwards the terminal is as it was."""
    if sys.platform == "win32":
        yield _WindowsKeyboard()
        return
    import termios
    import tty

    descriptor = sys.stdin.fileno()
    before = termios.tcgetattr(descriptor)
    try:
        # Keys come at once and are not shown; Ctrl-C is still a signal.
        tty.setcbreak(descriptor)
        yield _PosixKeyboard(descriptor)
    finally:
        termios.tcsetattr(descriptor, termios.TCSADRAIN, before)


class _PosixKeyboard(Keyboard):
    def __init__(self, descriptor: int) -> None:
        self._descriptor = descriptor
        self._gone = False

    def pressed(self) -> str:
        typed = b""
        while not self._gone and self._is_ready(0.0):
            part = os.read(self._descriptor, 64)
            # A terminal that was closed is always ready and never has anything.
            self._gone = not part
            typed += part
        return typed.decode("utf-8", errors="ignore")

    def wait(self, seconds: float) -> None:
        if self._gone:
            time.sleep(seconds)
        else:
            self._is_ready(seconds)

    def _is_ready(self, seconds: float) -> bool:
        import select

        return bool(select.select([self._descriptor], [], [], seconds)[0])


class _WindowsKeyboard(Keyboard):
    def pressed(self) -> str:
        import msvcrt

        typed = ""
        while msvcrt.kbhit():  # type: ignore[attr-defined,unused-ignore]
            typed += msvcrt.getwch()  # type: ignore[attr-defined,unused-ignore]
        return typed

    def wait(self, seconds: float) -> None:
        import msvcrt

        end = time.monotonic() + seconds
        while time.monotonic() < end and not msvcrt.kbhit():  # type: ignore[attr-defined,unused-ignore]
            time.sleep(POLL_S)
