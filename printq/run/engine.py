"""The pass engine: serves any number of takes at once on one stream, each on its own channels.

Deliberately absent: files, models, decisions. The engine moves blocks; what a take means is the
driver's business.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from printq.audio.port import Block
from printq.run.flight import Ending, Flight

__all__ = ["PassEngine"]

QUIET_SPAN_S = 0.1


class PassEngine:
    """A `BlockClient` that plays and records the takes that have been started.

    Parameters
    ----------
    rate : int
        Hz.
    sends, returns : sequence of int
        Channels of the interface that the stream opens, counted from 1; columns follow their order.
    """

    def __init__(self, rate: int, sends: Sequence[int], returns: Sequence[int]) -> None:
        self.rate = rate
        self.sends = list(sends)
        self.returns = list(returns)
        self.glitches = 0
        self._flights: tuple[Flight, ...] = ()
        self._expected: int | None = None
        self._level = np.zeros(len(self.returns))

    def fill(self, out: Block, first_frame: int) -> None:
        """See `BlockClient`."""
        for flight in self._flights:
            flight.play(out, first_frame)

    def capture(self, block: Block, first_frame: int, glitch: bool) -> None:
        """See `BlockClient`; frames that the port skipped count as a glitch too."""
        if self._expected is not None and first_frame != self._expected:
            glitch = True
        self._expected = first_frame + len(block)
        if glitch:
            self.glitches += 1
        for flight in self._flights:
            flight.hear(block, first_frame, glitch)
        if len(block):
            share = min(1.0, len(block) / (QUIET_SPAN_S * self.rate))
            power = np.einsum("fc,fc->c", block, block, dtype=np.float64) / len(block)
            self._level += share * (power - self._level)

    def start(self, flight: Flight) -> None:
        """Put a take in the air; it must begin at a frame that has not been played yet."""
        flight.service()
        # The callback may run while this happens: it sees the old tuple or the new one, whole.
        self._flights = (*self._flights, flight)

    def service(self) -> None:
        """Read ahead and write behind for all takes; call it well within the length of the buffers."""
        for flight in self._flights:
            flight.service()

    def in_the_air(self) -> int:
        """How many takes are rolling."""
        return len(self._flights)

    def land(self) -> list[tuple[Flight, Ending]]:
        """Take out and close what has ended."""
        landed = [(flight, ending) for flight in self._flights if (ending := flight.ending()) is not None]
        if landed:
            gone = {id(flight) for flight, _ in landed}
            self._flights = tuple(flight for flight in self._flights if id(flight) not in gone)
            for flight, _ in landed:
                flight.close()
        return landed

    def abort(self) -> None:
        """Fade out everything that plays."""
        for flight in self._flights:
            flight.abort()

    def mean_square(self, returns: Sequence[int]) -> float:
        """Loudest mean square of these returns over the last tenth of a second, full scale = 1."""
        return float(max(self._level[self.returns.index(channel)] for channel in returns))
