"""How sound leaves and returns: one interface for the real rack and the simulated one.

Channels of the interface are counted from 1, as on its panel. Blocks are float32 arrays of shape
(frames, channels), full scale = 1.0; the columns are the channels asked for in `open`, in that order.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

__all__ = ["AudioPort", "Block", "BlockClient", "PortFacts"]

Block = NDArray[np.float32]


@dataclass(frozen=True)
class PortFacts:
    """What a port is."""

    driver: str
    """`simulated` or `portaudio`."""
    device: str
    rate: int
    sends: int
    returns: int
    block: int
    """Frames a block that the port will use, or 0 where the driver chooses."""
    simulated: bool


class BlockClient(Protocol):
    """What a port calls, block by block, from its own thread; neither call may wait or touch a disk.

    Playing and recording count frames separately, both from 0 at the start of the stream, so the
    distance between them is the loop latency. A port may call the two in any rhythm.
    """

    def fill(self, out: Block, first_frame: int) -> None:
        """Write what is to be played from `first_frame` on into `out`; it arrives filled with zeros."""
        ...

    def capture(self, block: Block, first_frame: int, glitch: bool) -> None:
        """Take what was recorded from `first_frame` on; `glitch`: the driver lost something before it."""
        ...


class AudioPort(Protocol):
    """An interface that can play and record at the same time."""

    @property
    def facts(self) -> PortFacts: ...

    def open(self, client: BlockClient, sends: Sequence[int], returns: Sequence[int]) -> None:
        """Start the stream on these channels alone.

        Raises RigError where the interface is not there or not as the rig file says.
        """
        ...

    def close(self) -> None:
        """Stop the stream; safe to call twice."""
        ...

    @property
    def played_frames(self) -> int:
        """Frames played since the stream started; the next `fill` begins here."""
        ...

    def advance(self, seconds: float) -> None:
        """Let the stream run on for about this long: a real interface waits, a simulated one computes."""
        ...

    def dial(self, insert: str, settings: Mapping[str, Mapping[str, float | str]]) -> None:
        """The hands have set the units of an insert; a simulated rack turns its knobs, a real one nothing."""
        ...

    def announce_take(
        self, insert: str, pass_id: str, take: int, completed_takes: int, first_frame: int, frames: int
    ) -> None:
        """Take number `take` of a pass begins to play at `first_frame`, `frames` long.

        A real interface has no use for it; a simulated one draws its noise for the pass and the number of takes
        that were completed before.
        """
        ...
