"""Valve and tape: soft clipping, and the filters that come with it.

Both add to the signal only what the bend changes, through a high-pass: no drive changes no bit, and an uneven
bend leaves no DC. There is no oversampling, which would add delay: harmonics above half the rate fold back.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from printq.audio.processors.base import Signal
from printq.audio.processors.equaliser import Filter, bell, high_pass, low_pass, shelf
from printq.units import db_to_ratio

__all__ = ["TapeSaturation", "ValveSaturation"]

DC_BLOCK_HZ = 5.0


class ValveSaturation:
    """A bend around a bias, which makes even harmonics; a roll-off behind it."""

    def __init__(self, rate: int, channels: int, parameters: Mapping[str, float]) -> None:
        self._bend = _Bend(parameters["drive_db"], parameters["bias"])
        self._block_dc = Filter([high_pass(rate, DC_BLOCK_HZ)], channels)
        tone = parameters["tone_hz"]
        self._tone = Filter([low_pass(rate, tone)] if tone > 0.0 else [], channels)
        self._output = db_to_ratio(parameters["output_db"])

    def process(self, block: Signal) -> Signal:
        if self._bend.drive > 0.0:
            block = block + self._block_dc.process(self._bend.change(block))
        return self._tone.process(block) * self._output


class TapeSaturation:
    """A symmetric bend that treble reaches first; slower tape has a lower bump and keeps less treble."""

    REFERENCE_CM_S = 38.1
    BUMP_HZ = 60.0
    TREBLE_HZ = 18_000.0
    EMPHASIS_HZ = 4_000.0
    EMPHASIS_DB = 8.0
    """Lift of treble on its way onto the tape, undone on its way back."""

    def __init__(self, rate: int, channels: int, parameters: Mapping[str, float]) -> None:
        speed = parameters["speed_cm_s"] / self.REFERENCE_CM_S
        corner = self.EMPHASIS_HZ * speed
        self._bend = _Bend(parameters["drive_db"], bias=0.0)
        self._lift = Filter([shelf(rate, corner, self.EMPHASIS_DB, high=True)], channels)
        self._lower = Filter(
            [shelf(rate, corner, -self.EMPHASIS_DB, high=True), high_pass(rate, DC_BLOCK_HZ)], channels
        )
        heads = []
        if parameters["loss"] > 0.0:
            heads.append(_part_of(low_pass(rate, self.TREBLE_HZ * speed), parameters["loss"]))
        if parameters["bump_db"] > 0.0:
            heads.append(bell(rate, self.BUMP_HZ * speed, parameters["bump_db"], 0.8))
        self._heads = Filter(heads, channels)
        self._output = db_to_ratio(parameters["output_db"])

    def process(self, block: Signal) -> Signal:
        if self._bend.drive > 0.0:
            block = block + self._lower.process(self._bend.change(self._lift.process(block)))
        return self._heads.process(block) * self._output


class _Bend:
    """A hyperbolic tangent with slope 1 at rest: (tanh(d x + b) - tanh b) / (d (1 - tanh² b)).

    The drive d is a ratio less 1, so that 0 dB is a straight line and little drive bends little.
    """

    def __init__(self, drive_db: float, bias: float) -> None:
        self.drive = db_to_ratio(drive_db) - 1.0
        self._bias = bias
        self._rest = math.tanh(bias)

    def change(self, block: Signal) -> Signal:
        """What the bend adds to a signal."""
        bent = (np.tanh(self.drive * block + self._bias) - self._rest) / (self.drive * (1.0 - self._rest**2))
        return np.asarray(bent - block)


def _part_of(section: list[float], amount: float) -> list[float]:
    """A section mixed with what goes past it."""
    zeros, poles = section[:3], section[3:]
    return [amount * zero + (1.0 - amount) * pole for zero, pole in zip(zeros, poles, strict=True)] + poles
