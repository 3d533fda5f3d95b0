"""Valve and tape: soft clipping, and the filters that come with it."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from printq.audio.processors.base import Signal
from printq.audio.processors.equaliser import Filter, bell, low_pass
from printq.units import db_to_ratio

__all__ = ["TapeSaturation", "ValveSaturation"]

DC_BLOCK_HZ = 5.0


class ValveSaturation:
    """A hyperbolic tangent around a bias, scaled to unity gain for small signals; DC is taken out behind it."""

    def __init__(self, rate: int, channels: int, parameters: Mapping[str, float]) -> None:
        self._drive_db = parameters["drive_db"]
        self._drive = db_to_ratio(self._drive_db)
        self._bias = parameters["bias"]
        tone = parameters["tone_hz"]
        self._tone = Filter([low_pass(rate, tone)] if tone > 0.0 else [], channels)
        self._block_dc = Filter([_dc_blocker(rate)], channels)
        self._output = db_to_ratio(parameters["output_db"])

    def process(self, block: Signal) -> Signal:
        bent = block
        if self._drive_db > 0.0:
            rest = math.tanh(self._bias)
            slope = 1.0 - rest**2
            bent = self._block_dc.process((np.tanh(self._drive * block + self._bias) - rest) / (slope * self._drive))
        bent = self._tone.process(bent)
        return bent if self._output == 1.0 else bent * self._output


class TapeSaturation:
    """Symmetric soft clipping; the slower the tape, the lower its bump and the less treble it keeps."""

    REFERENCE_CM_S = 38.1
    BUMP_HZ = 60.0
    TREBLE_HZ = 18_000.0

    def __init__(self, rate: int, channels: int, parameters: Mapping[str, float]) -> None:
        speed = parameters["speed_cm_s"] / self.REFERENCE_CM_S
        sections = [low_pass(rate, self.TREBLE_HZ * speed)]
        if parameters["bump_db"] > 0.0:
            sections.append(bell(rate, self.BUMP_HZ * speed, parameters["bump_db"], 0.8))
        self._filter = Filter(sections, channels)
        self._drive_db = parameters["drive_db"]
        self._drive = db_to_ratio(self._drive_db)
        self._output = db_to_ratio(parameters["output_db"])

    def process(self, block: Signal) -> Signal:
        bent = np.tanh(self._drive * block) / self._drive if self._drive_db > 0.0 else block
        return self._filter.process(bent) * self._output


def _dc_blocker(rate: int) -> list[float]:
    pole = math.exp(-2.0 * math.pi * DC_BLOCK_HZ / rate)
    side = (1.0 + pole) / 2.0
    return [side, -side, 0.0, 1.0, -pole, 0.0]
