"""The pass engine: serves any number of takes at once on one stream, each on its own channels.

Deliberately absent: files, models, decisions. The engine moves blocks; what a take means is the
driver's business.

Three threads meet here. The port's calls `fill` and `capture`, and waits for nobody. The driver's starts, lands and
aborts; one in the background may call `service` meanwhile, so that takes go on while the driver waits for a person.
"""

from __future__ import annotations

import threading
from collections.abc import Mapping, Sequence

import numpy as np

from printq.audio.howl import HowlGuard
from printq.audio.port import Block
from printq.run.flight import Ending, Flight

__all__ = ["PassEngine"]

QUIET_SPAN_S = 0.1
HOWL_RAMP_S = 0.005
SCRATCH_FRAMES = 2048


class PassEngine:
    """A `BlockClient` that plays and records the takes that have been started.

    Parameters
    ----------
    rate : int
        Hz.
    sends, returns : sequence of int
        Channels of the interface that the stream opens, counted from 1; columns follow their order.
    paths : mapping of name to (sends, returns), optional
        Channels of each insert, watched for feedback: see `HowlGuard`. A path that howls has its sends ramped to zero
        in the next `fill`, over 5 ms, and they stay silent until the stream closes.
    """

    def __init__(
        self,
        rate: int,
        sends: Sequence[int],
        returns: Sequence[int],
        paths: Mapping[str, tuple[Sequence[int], Sequence[int]]] | None = None,
    ) -> None:
        self.rate = rate
        self.sends = list(sends)
        self.returns = list(returns)
        self.glitches = 0
        self._flights: tuple[Flight, ...] = ()
        self._changing = threading.Lock()
        self._expected: int | None = None
        self._level = np.zeros(len(self.returns))
        self._power = np.zeros(len(self.returns))
        self._sum = np.zeros(len(self.returns), dtype=np.float32)
        self._squares = np.zeros((SCRATCH_FRAMES, len(self.returns)), dtype=np.float32)
        self._names = list(paths or {})
        columns = [
            (
                [self.sends.index(channel) for channel in path_sends],
                [self.returns.index(channel) for channel in path_returns],
            )
            for path_sends, path_returns in (paths or {}).values()
        ]
        self._path_sends = [path_sends for path_sends, _ in columns]
        self._guard = HowlGuard(rate, columns) if columns else None
        self._ramp = np.linspace(1.0, 0.0, max(2, round(HOWL_RAMP_S * rate)), dtype=np.float32)
        self._muted = [0] * len(columns)
        """Frames since each path began to be muted."""

    # ---- the port's thread: no lock, no disk, no arrays of any size ----

    def fill(self, out: Block, first_frame: int) -> None:
        """See `BlockClient`."""
        for flight in self._flights:
            flight.play(out, first_frame)
        if self._guard is not None:
            for number in self._guard.howling:
                self._mute(out, number)
            self._guard.sent(out, first_frame)

    def capture(self, block: Block, first_frame: int, glitch: bool) -> None:
        """See `BlockClient`; frames that the port skipped count as a glitch too."""
        if self._expected is not None and first_frame != self._expected:
            glitch = True
        self._expected = first_frame + len(block)
        if glitch:
            self.glitches += 1
        for flight in self._flights:
            flight.hear(block, first_frame, glitch)
        self._follow_level(block)
        if self._guard is not None:
            self._guard.heard(block, first_frame)

    def _follow_level(self, block: Block) -> None:
        if not len(block):
            return
        self._power.fill(0.0)
        for start in range(0, len(block), SCRATCH_FRAMES):
            piece = block[start : start + SCRATCH_FRAMES]
            squares = self._squares[: len(piece)]
            np.multiply(piece, piece, out=squares)
            self._power += np.add.reduce(squares, axis=0, out=self._sum)
        share = min(1.0, len(block) / (QUIET_SPAN_S * self.rate))
        self._power *= share / len(block)
        self._level *= 1.0 - share
        self._level += self._power

    def _mute(self, out: Block, number: int) -> None:
        left = self._ramp[self._muted[number] : self._muted[number] + len(out)]
        for column in self._path_sends[number]:
            out[: len(left), column] *= left
            out[len(left) :, column] = 0.0
        self._muted[number] += len(out)

    # ---- the driver's thread, and one that only calls `service` ----

    @property
    def howling(self) -> str | None:
        """The path that has begun to howl, the first of them; None while all is well."""
        found = self._guard.howling if self._guard is not None else ()
        return self._names[found[0]] if found else None

    def start(self, flight: Flight) -> None:
        """Put a take in the air; it must begin at a frame that has not been played yet.

        A stem that cannot be read raises nothing here: the take lands as failed, like one that fails later.
        """
        flight.service()
        # The callback may run while this happens: it sees the old tuple or the new one, whole.
        with self._changing:
            self._flights = (*self._flights, flight)

    def service(self) -> None:
        """Read ahead and write behind for all takes; call it well within the length of the buffers.

        A file that cannot be read or written ends its own take alone, see `Ending.FAILED`.
        """
        for flight in self._flights:
            flight.service()

    def names_in_the_air(self) -> list[str]:
        """The takes that are rolling."""
        return [flight.name for flight in self._flights]

    def in_the_air(self) -> int:
        """How many takes are rolling."""
        return len(self._flights)

    def land(self) -> list[tuple[Flight, Ending]]:
        """Take out and close what has ended."""
        landed = []
        for flight in self._flights:
            ending = flight.ending()
            if ending is None:
                continue
            self._take_out(flight)
            flight.close()
            # The last frames may be what the disk has no room for.
            landed.append((flight, flight.ending() or ending))
        return landed

    def abort(self) -> None:
        """Fade out everything that plays."""
        for flight in self._flights:
            flight.abort()

    def close(self) -> None:
        """Close the files of what is still in the air, for a stream that has ended; safe to call twice."""
        for flight in self._flights:
            self._take_out(flight)
            flight.close()

    def mean_square(self, returns: Sequence[int]) -> float:
        """Loudest mean square of these returns over the last tenth of a second, full scale = 1."""
        return float(max(self._level[self.returns.index(channel)] for channel in returns))

    def _take_out(self, gone: Flight) -> None:
        with self._changing:
            self._flights = tuple(flight for flight in self._flights if flight is not gone)
