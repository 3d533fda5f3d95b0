"""Feedback between a return and a send: heard as a loud return behind a send that has long been silent.

A patch cable or an interface's own mixer that leads a return back to its send builds up to full scale by
itself. Music, echoes and reverb never look like that: they follow something that was sent.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from printq.units import db_to_ratio

__all__ = ["HowlGuard"]

Block = NDArray[np.float32]

RETURN_DBFS = -6.0
SEND_DBFS = -40.0
LOUD_S = 0.1
QUIET_S = 0.5
HOP_S = 0.01
HOPS = round(LOUD_S / HOP_S)
SCRATCH_FRAMES = 2048


class HowlGuard:
    """Watches paths for a howl, block by block, in constant memory and without arrays of any size.

    A path howls when one of its returns has been over -6 dBFS RMS for 100 ms, and none of its sends has had a sample
    over -40 dBFS in those 100 ms and the 500 ms before them. The 500 ms are counted from the beginning of the loud
    stretch, so that what is still on its way through the converters and the unit has time to arrive. Both halves of
    the 100 ms have to be over the limit, which a single echo is not; a constant offset counts for nothing, since no
    ramp would help against it.

    Parameters
    ----------
    rate : int
        Hz.
    paths : sequence of (send columns, return columns)
        Columns of the blocks of `sent` and `heard`.
    latency_s : float
        From a send to its return, where it is known; added to the 500 ms.
    """

    def __init__(self, rate: int, paths: Sequence[tuple[Sequence[int], Sequence[int]]], latency_s: float = 0.0) -> None:
        self._paths = [(list(sends), list(returns)) for sends, returns in paths]
        self._hop = max(1, round(HOP_S * rate))
        self._quiet = round((QUIET_S + latency_s) * rate)
        self._send_limit = db_to_ratio(SEND_DBFS)
        self._return_limit = db_to_ratio(RETURN_DBFS) ** 2
        self._last_loud = [0] * len(self._paths)
        """Frame after the last one at which a send of the path was loud; the stream begins as if after music."""
        self._howling: list[int] = []
        self._in_hop = 0
        self._hops = 0
        self._returns = 0
        self._sends = 0

    @property
    def howling(self) -> tuple[int, ...]:
        """The paths that have howled, in the order in which they began; none is ever taken back."""
        return tuple(self._howling)

    def sent(self, block: Block, first_frame: int) -> None:
        """Take what was played from `first_frame` on, shape (frames, sends)."""
        if block.shape[1] != self._sends:
            self._prepare_sends(block.shape[1])
        for start in range(0, len(block), SCRATCH_FRAMES):
            piece = block[start : start + SCRATCH_FRAMES]
            level = self._magnitude[: len(piece)]
            np.abs(piece, out=level)
            np.maximum.reduce(level, axis=0, out=self._peaks)
            for number, (sends, _) in enumerate(self._paths):
                for column in sends:
                    if self._peaks[column] > self._send_limit:
                        over = self._over[: len(piece)]
                        np.greater(level[:, column], self._send_limit, out=over)
                        last = first_frame + start + len(piece) - int(over[::-1].argmax())
                        self._last_loud[number] = max(self._last_loud[number], last)

    def heard(self, block: Block, first_frame: int) -> None:
        """Take what was recorded from `first_frame` on, shape (frames, returns), and look for howls."""
        if block.shape[1] != self._returns:
            self._prepare_returns(block.shape[1])
        start = 0
        with np.errstate(all="ignore"):  # an infinite sample is a broken driver, and no howl
            while start < len(block):
                piece = block[start : start + self._hop - self._in_hop]
                square = self._squares[: len(piece)]
                np.multiply(piece, piece, out=square)
                self._energy[self._slot] += np.add.reduce(square, axis=0, out=self._sum)
                self._offset[self._slot] += np.add.reduce(piece, axis=0, out=self._sum)
                self._in_hop += len(piece)
                start += len(piece)
                if self._in_hop == self._hop:
                    self._end_hop(first_frame + start)

    @property
    def _slot(self) -> int:
        return self._hops % HOPS

    def _end_hop(self, end: int) -> None:
        self._hops += 1
        self._in_hop = 0
        if self._hops >= HOPS:
            loud = None
            for number, (_, returns) in enumerate(self._paths):
                if self._last_loud[number] + self._quiet > end - HOPS * self._hop or number in self._howling:
                    continue
                loud = self._find_loud() if loud is None else loud
                if any(loud[column] for column in returns):
                    self._howling.append(number)
        self._energy[self._slot] = 0.0
        self._offset[self._slot] = 0.0

    def _find_loud(self) -> NDArray[np.bool_]:
        """Which returns were over the limit in both halves of the last 100 ms; the oldest hop is in the next slot."""
        half = HOPS // 2
        frames = half * self._hop
        loud = np.ones(self._returns, dtype=bool)
        for first in (0, half):
            slots = [(self._hops + first + k) % HOPS for k in range(half)]
            mean = self._offset[slots].sum(axis=0) / frames
            power = self._energy[slots].sum(axis=0) / frames - mean**2
            loud &= power > self._return_limit
        return loud

    def _prepare_sends(self, sends: int) -> None:
        self._sends = sends
        self._magnitude = np.zeros((SCRATCH_FRAMES, sends), dtype=np.float32)
        self._peaks = np.zeros(sends, dtype=np.float32)
        self._over = np.zeros(SCRATCH_FRAMES, dtype=bool)

    def _prepare_returns(self, returns: int) -> None:
        self._returns = returns
        self._squares = np.zeros((self._hop, returns), dtype=np.float32)
        self._sum = np.zeros(returns, dtype=np.float32)
        self._energy = np.zeros((HOPS, returns))
        self._offset = np.zeros((HOPS, returns))
