"""A take in the air: its playout on one side, what comes back on the other, and buffers between.

The audio callback touches `play` and `hear` alone; the disk side touches `service` and `close`, which any
thread may call. They share two ring buffers and a few flags, each of which only one side sets.
"""

from __future__ import annotations

import threading
from collections.abc import Sequence
from enum import Enum

import numpy as np
from numpy.typing import NDArray

from printq.errors import PrintqError
from printq.files.soundfiles import TakeWriter
from printq.run.playout import Playout
from printq.run.ring import RingBuffer

__all__ = ["BUFFER_S", "Ending", "Flight"]

Block = NDArray[np.float32]

BUFFER_S = 4.0
"""Length of the buffers between disk and callback."""
RAMP_S = 0.01
"""An abort fades what is playing over this time."""
SCRATCH_FRAMES = 2048
"""Longer blocks are moved in pieces of this length, so that no block of a driver is too long."""


class Ending(Enum):
    """How a take ended."""

    COMPLETE = "complete"
    GLITCH = "glitch"
    ABORTED = "aborted"
    FAILED = "failed"
    """A file could not be read or written; `Flight.error` says why."""


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
    most_block : int
        Longest block to be expected, for the length of the buffers; 0 where nobody knows. Any block works.
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
        most_block: int = 0,
    ) -> None:
        self.name = name
        self.start = start
        self.total = total
        self.rate = rate
        self.glitches = 0
        self.starved = False
        self.error: PrintqError | None = None
        """What went wrong with the stem's or the take's file."""
        self._playout = playout
        self._writer = writer
        self._send_columns = list(send_columns)
        self._return_columns = list(return_columns)
        buffer_frames = max(round(BUFFER_S * rate), 4 * most_block)
        self._ahead = RingBuffer(buffer_frames, len(send_columns))
        self._behind = RingBuffer(buffer_frames, len(return_columns))
        self._play_scratch = np.zeros((SCRATCH_FRAMES, len(send_columns)), dtype=np.float32)
        self._hear_scratch = np.zeros((SCRATCH_FRAMES, len(return_columns)), dtype=np.float32)
        self._ramp = np.linspace(1.0, 0.0, max(2, round(RAMP_S * rate)), dtype=np.float32)
        self._ramped = 0
        self._aborting = False
        self._played_to: int | None = None
        self._heard = 0
        self._closed = False
        self._peaks = [0.0, 0.0]
        # Two threads of the disk's side never work on one take at once; the callback does not know this lock.
        self._disk = threading.Lock()

    @property
    def end(self) -> int:
        return self.start + self.total

    @property
    def heard_frames(self) -> int:
        """Frames recorded so far."""
        return self._heard

    def take_peaks(self) -> tuple[float, float]:
        """Highest sample of what was sent and of what came back since the last call, linear."""
        # A peak that the callback writes at this very moment may be shown once more, or once less.
        peaks, self._peaks = self._peaks, [0.0, 0.0]
        return peaks[0], peaks[1]

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
        if low != (self.start if self._played_to is None else self._played_to):
            self.starved = True  # it was put in the air too late, or the port left something out
        self._played_to = high
        while low < high:
            frames = min(high - low, SCRATCH_FRAMES)
            self._play_part(out[low - first_frame : low - first_frame + frames])
            low += frames

    def _play_part(self, target: Block) -> None:
        part = self._play_scratch[: len(target)]
        got = self._ahead.read_into(part)
        if got < len(part):
            part[got:] = 0.0
            self.starved = True
        if self._aborting:
            self._fade(part)
        self._peaks[0] = max(self._peaks[0], float(part.max()), -float(part.min()))
        for column, send in enumerate(self._send_columns):
            side = target[:, send]
            np.add(side, part[:, column], out=side)

    def hear(self, block: Block, first_frame: int, glitch: bool) -> None:
        """Keep this take's share of a block that was recorded."""
        low = max(first_frame, self.start)
        high = min(first_frame + len(block), self.end)
        if low >= high:
            return
        if glitch or low - self.start != self._heard:
            self.glitches += 1
        while low < high:
            frames = min(high - low, SCRATCH_FRAMES)
            part = self._hear_scratch[:frames]
            source = block[low - first_frame : low - first_frame + frames]
            for column, channel in enumerate(self._return_columns):
                part[:, column] = source[:, channel]
            self._peaks[1] = max(self._peaks[1], float(part.max()), -float(part.min()))
            if self._behind.write(part) < frames:
                self.starved = True
            low += frames
        self._heard = high - self.start

    def _fade(self, part: Block) -> None:
        left = self._ramp[self._ramped : self._ramped + len(part)]
        for column in range(part.shape[1]):
            part[: len(left), column] *= left
        part[len(left) :] = 0.0
        self._ramped += len(part)

    # ---- the disk's side ----

    def service(self) -> None:
        """Read ahead and write behind; what fails is kept in `error`, and the take fades out."""
        with self._disk:
            if not self._closed and self.error is None:
                self._move()

    def _move(self) -> None:
        try:
            # What the callback frees and fills meanwhile is left for the next call: neither side waits for the other.
            room, available = self._ahead.room, self._behind.available
            while (room and self._playout.left) or available:
                if room and self._playout.left:
                    block = self._playout.render(min(room, self.rate))
                    room -= self._ahead.write(block)
                if available:
                    heard = self._behind.read(min(available, self.rate))
                    available -= len(heard)
                    self._writer.write(heard)
        except PrintqError as error:
            self._fail(error)

    def _fail(self, error: PrintqError) -> None:
        if self.error is None:
            self.error = error
        self.abort()

    def ending(self) -> Ending | None:
        """How it ended, or None while it is in the air. A take that has glitched or failed is faded out first."""
        glitched = self.glitches > 0 or self.starved
        if (glitched or self.error is not None) and not self._aborting:
            self.abort()
        if self.silent_now or (self._aborting and self.complete):
            if self.error is not None:
                return Ending.FAILED
            return Ending.GLITCH if glitched else Ending.ABORTED
        return Ending.COMPLETE if self.complete and not self._aborting else None

    def close(self) -> None:
        """Write what is left and close the take's file and the stem's; what fails is kept in `error`."""
        with self._disk:
            if self._closed:
                return
            self._closed = True
            if self.error is None:
                self._move()
            for close in (self._writer.close, self._playout.close):
                try:
                    close()
                except PrintqError as error:
                    self._fail(error)
