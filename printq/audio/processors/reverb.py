"""Spring reverb and echo."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from printq.audio.processors.base import Signal
from printq.audio.processors.equaliser import Filter, low_pass

__all__ = ["Echo", "SpringReverb"]


class _Loop:
    """A delay line whose output is filtered, scaled and fed back; worked out in pieces no longer than the delay."""

    def __init__(self, delay: int, feedback: float, damping: Filter, channels: int) -> None:
        self._line = np.zeros((delay, channels))
        self._feedback = feedback
        self._damping = damping

    def process(self, block: Signal) -> Signal:
        """What comes out of the line, shape as `block`."""
        out = np.empty_like(block)
        delay = len(self._line)
        for start in range(0, len(block), delay):
            part = block[start : start + delay]
            heard = self._damping.process(self._line[: len(part)])
            out[start : start + len(part)] = heard
            self._line = np.concatenate((self._line[len(part) :], part + self._feedback * heard))
        return out


class Echo:
    """Repeats that go round through a low-pass."""

    def __init__(self, rate: int, channels: int, parameters: Mapping[str, float]) -> None:
        delay = max(1, round(parameters["time_ms"] / 1000.0 * rate))
        damping = Filter([low_pass(rate, parameters["tone_hz"])], channels)
        self._loop = _Loop(delay, parameters["feedback"], damping, channels)
        self._mix = parameters["mix"]

    def process(self, block: Signal) -> Signal:
        if self._mix == 0.0:
            return block
        return (1.0 - self._mix) * block + self._mix * self._loop.process(block)


class SpringReverb:
    """Three springs of different lengths, each dispersed by a chain of all-passes so that treble lags behind."""

    SPRINGS_MS = (37.0, 43.0, 56.0)
    ALL_PASSES = 12
    STRETCH = 0.6

    def __init__(self, rate: int, channels: int, parameters: Mapping[str, float]) -> None:
        self._mix = parameters["mix"]
        section = [self.STRETCH, 1.0, 0.0, 1.0, self.STRETCH, 0.0]
        self._dispersion = Filter([section] * self.ALL_PASSES, channels)
        self._loops = []
        for milliseconds in self.SPRINGS_MS:
            delay = round(milliseconds / 1000.0 * rate)
            # Falls by 60 dB in decay_s: each round loses its share.
            feedback = 10.0 ** (-3.0 * delay / rate / parameters["decay_s"])
            damping = Filter([low_pass(rate, parameters["tone_hz"])], channels)
            self._loops.append(_Loop(delay, feedback, damping, channels))

    def process(self, block: Signal) -> Signal:
        if self._mix == 0.0:
            return block
        driven = self._dispersion.process(block)
        wet = sum((loop.process(driven) for loop in self._loops), np.zeros_like(block)) / math.sqrt(len(self._loops))
        return np.asarray((1.0 - self._mix) * block + self._mix * wet)
