"""How far a long job is, in percent, on standard error: one line that changes on a terminal, one in ten elsewhere."""

from __future__ import annotations

import sys

import typer

__all__ = ["ByteProgress"]

STEP = 10


class ByteProgress:
    """Says how much of so many bytes is done."""

    def __init__(self) -> None:
        self._is_terminal = sys.stderr.isatty()
        self._what = ""
        self._total = self._done = 0
        self._shown = -1

    def begin(self, what: str, octets: int) -> None:
        """Another job of so many bytes, by its name."""
        self.end()
        self._what, self._total, self._done, self._shown = what, octets, 0, -1
        self._show()

    def add(self, path: str, octets: int) -> None:
        """So many bytes more, of this file."""
        self._done += octets
        self._show()

    def end(self) -> None:
        """Leave the line as it is."""
        if self._is_terminal and self._what:
            typer.echo(err=True)
        self._what = ""

    def _show(self) -> None:
        percent = min(100, 100 * self._done // self._total) if self._total else 100
        if self._is_terminal and percent != self._shown:
            typer.echo(f"\r  {self._what}: {percent} %", nl=False, err=True)
        elif not self._is_terminal and percent // STEP != self._shown // STEP:
            typer.echo(f"  {self._what}: {percent} %", err=True)
        self._shown = percent
