"""A take in the air: its playout on one side, what comes back on the other, and buffers between.

The audio callback touches `play` and `hear` alone; the disk side touches `service`. They share two
ring buffers and a few flags, each of which only one side sets.
"""

from __future__ import annotations

from collections.abc import Sequence
from enum import Enum

import numpy as np
from numpy.typing import NDArray

from printq.files.soundfiles import TakeWriter
from printq.run.playout import Playout
from printq.run.ring import RingBuffer

__all__ = ["BUFFER_S", "Ending", "Flight"]

Block = NDArray[np.float32]

BUFFER_S = 4.0
"""Length of the buffers between disk and callback."""
RAMP_S = 0.01
"""An abort fades what is playing over this time."""


class Ending(Enum):
    """How a take ended."""

    COMPLETE = "complete"
    GLITCH = "glitch"
    ABORTED = "aborted"


class Flight:
    """One take on its channels, from `start` to `start + total` on both the playing and recording count.

    Parameters
    ----------
    name : str
        The pass.
    playout, writer
        Where its frames come from and go to.
    send_columns, return_columns : sequence of int
        Columns of the stream's blocks, in the order of the playout's and the writer's channels.
    start : int
        Frame of the stream at which it begins.
    total : int
        Its length in frames.
    rate : int
        Hz.
    """

    def __init__(
        self,
        name: str,
        playout: Playout,
        writer: TakeWriter,
        send_columns: Sequence[int],
        return_columns: Sequence[int],
        start: int,
        total: int,
        rate: int,
        most_block: int,
    ) -> None:
        self.name = name
        self.start = start
        self.total = total
        self.rate = rate
        self.glitches = 0
        self.starved = False
        self._playout = playout
        self._writer = writer
        self._send_columns = list(send_columns)
        self._return_columns = list(return_columns)
        buffer_frames = max(round(BUFFER_S * rate), 4 * most_block)
        self._ahead = RingBuffer(buffer_frames, len(send_columns))
        self._behind = RingBuffer(buffer_frames, len(return_columns))
        self._play_scratch = np.zeros((most_block, len(send_columns)), dtype=np.float32)
        self._hear_scratch = np.zeros((most_block, len(return_columns)), dtype=np.float32)
        self._ramp = np.linspace(1.0, 0.0, max(2, round(RAMP_S * rate)), dtype=np.float32)
        self._ramped = 0
        self._aborting = False
        self._heard = 0
        self._closed = False

    @property
    def end(self) -> int:
        return self.start + self.total

    @property
    def heard_frames(self) -> int:
        """Frames recorded so far."""
        return self._heard

    @property
    def silent_now(self) -> bool:
        """An abort has faded out."""
        return self._aborting and self._ramped >= len(self._ramp)

    @property
    def complete(self) -> bool:
        """Everything has been recorded."""
        return self._heard >= self.total

    def abort(self) -> None:
        """Fade out and stop; what has been recorded stays on disk."""
        self._aborting = True

    # ---- the callback's side: no allocation, no lock, no disk ----

    def play(self, out: Block, first_frame: int) -> None:
        """Add this take's share to a block of the stream."""
        low = max(first_frame, self.start)
        high = min(first_frame + len(out), self.end)
        if low >= high or self.silent_now:
            if self._aborting:
                self._ramped = len(self._ramp)  # nothing of it sounds here
            return
        part = self._play_scratch[: high - low]
        got = self._ahead.read_into(part)
        if got < len(part):
            part[got:] = 0.0
            self.starved = True
        if self._aborting:
            self._fade(part)
        target = out[low - first_frame : high - first_frame]
        for column, send in enumerate(self._send_columns):
            target[:, send] += part[:, column]

    def hear(self, block: Block, first_frame: int, glitch: bool) -> None:
        """Keep this take's share of a block that was recorded."""
        low = max(first_frame, self.start)
        high = min(first_frame + len(block), self.end)
        if low >= high:
            return
        if glitch:
            self.glitches += 1
        part = self._hear_scratch[: high - low]
        source = block[low - first_frame : high - first_frame]
        for column, channel in enumerate(self._return_columns):
            part[:, column] = source[:, channel]
        if self._behind.write(part) < len(part):
            self.starved = True
        self._heard = high - self.start

    def _fade(self, part: Block) -> None:
        left = self._ramp[self._ramped : self._ramped + len(part)]
        for column in range(part.shape[1]):
            part[: len(left), column] *= left
        part[len(left) :] = 0.0
        self._ramped += len(part)

    # ---- the disk's side ----

    def service(self) -> None:
        """Read ahead and write behind."""
        while self._ahead.room and self._playout.left:
            self._ahead.write(self._playout.render(min(self._ahead.room, self.rate)))
        while self._behind.available:
            self._writer.write(self._behind.read(self.rate))

    def ending(self) -> Ending | None:
        """How it ended, or None while it is in the air. A take that has glitched is faded out first."""
        glitched = self.glitches > 0 or self.starved
        if glitched and not self._aborting:
            self.abort()
        if self.silent_now or (self._aborting and self.complete):
            return Ending.GLITCH if glitched else Ending.ABORTED
        return Ending.COMPLETE if self.complete and not self._aborting else None

    def close(self) -> None:
        """Write what is left and close the take's file and the stem's."""
        if not self._closed:
            self._closed = True
            self.service()
            self._writer.close()
            self._playout.close()
