"""A unit that does nothing: a cable, or one in bypass."""

from __future__ import annotations

from collections.abc import Mapping

from printq.audio.processors.base import Signal

__all__ = ["Wire"]


class Wire:
    """What goes in comes out."""

    def __init__(self, rate: int, channels: int, parameters: Mapping[str, float]) -> None:
        pass

    def process(self, block: Signal) -> Signal:
        return block
