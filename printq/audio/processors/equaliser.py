"""A parametric equaliser: second-order sections by the bilinear transform.

The sections are those of the Audio EQ Cookbook (W3C Working Group Note, 2021): bells with a quality, shelves
with a slope of one, a Butterworth high-pass.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from printq.audio.processors.base import Signal
from printq.units import db_to_ratio

__all__ = ["Filter", "ParametricEqualiser", "bell", "high_pass", "low_pass", "shelf"]

Section = list[float]
"""b0, b1, b2, a0 = 1, a1, a2."""


class Filter:
    """A chain of second-order sections with state; an empty one passes everything bit for bit."""

    def __init__(self, sections: list[Section], channels: int) -> None:
        self._sections: NDArray[np.float64] = np.array(sections)
        self._state = np.zeros((len(sections), 2, channels))

    def process(self, block: Signal) -> Signal:
        """Shape (frames, channels) in and out."""
        if not len(self._sections):
            return block
        from scipy.signal import sosfilt

        filtered, self._state = sosfilt(self._sections, block, axis=0, zi=self._state)
        return np.asarray(filtered)


class ParametricEqualiser:
    """High-pass, low shelf, two bells, high shelf."""

    def __init__(self, rate: int, channels: int, parameters: Mapping[str, float]) -> None:
        p = parameters
        sections = []
        if p["high_pass_hz"] > 0.0:
            sections.append(high_pass(rate, p["high_pass_hz"]))
        if p["low_db"] != 0.0:
            sections.append(shelf(rate, p["low_hz"], p["low_db"], high=False))
        sections.extend(
            bell(rate, p[f"{band}_hz"], p[f"{band}_db"], p[f"{band}_q"])
            for band in ("bell1", "bell2")
            if p[f"{band}_db"] != 0.0
        )
        if p["high_db"] != 0.0:
            sections.append(shelf(rate, p["high_hz"], p["high_db"], high=True))
        self._filter = Filter(sections, channels)
        self._gain = db_to_ratio(p["output_db"])

    def process(self, block: Signal) -> Signal:
        filtered = self._filter.process(block)
        return filtered if self._gain == 1.0 else filtered * self._gain


def bell(rate: int, hz: float, gain_db: float, quality: float) -> Section:
    """A peak or dip of `gain_db` at `hz`."""
    turn, root = _turn(rate, hz), 10.0 ** (gain_db / 40.0)
    alpha = math.sin(turn) / (2.0 * quality)
    cosine = math.cos(turn)
    return _normalise(
        1.0 + alpha * root,
        -2.0 * cosine,
        1.0 - alpha * root,
        1.0 + alpha / root,
        -2.0 * cosine,
        1.0 - alpha / root,
    )


def shelf(rate: int, hz: float, gain_db: float, *, high: bool) -> Section:
    """A shelf of `gain_db` below or above `hz`, where it has half of it."""
    turn, root = _turn(rate, hz), 10.0 ** (gain_db / 40.0)
    sign = -1.0 if high else 1.0
    cosine = math.cos(turn)
    slope = 2.0 * math.sqrt(root) * math.sin(turn) / math.sqrt(2.0)
    return _normalise(
        root * ((root + 1.0) - sign * (root - 1.0) * cosine + slope),
        sign * 2.0 * root * ((root - 1.0) - sign * (root + 1.0) * cosine),
        root * ((root + 1.0) - sign * (root - 1.0) * cosine - slope),
        (root + 1.0) + sign * (root - 1.0) * cosine + slope,
        -sign * 2.0 * ((root - 1.0) + sign * (root + 1.0) * cosine),
        (root + 1.0) + sign * (root - 1.0) * cosine - slope,
    )


def high_pass(rate: int, hz: float) -> Section:
    """Second-order Butterworth high-pass."""
    turn = _turn(rate, hz)
    alpha = math.sin(turn) / math.sqrt(2.0)
    cosine = math.cos(turn)
    side = (1.0 + cosine) / 2.0
    return _normalise(side, -2.0 * side, side, 1.0 + alpha, -2.0 * cosine, 1.0 - alpha)


def low_pass(rate: int, hz: float) -> Section:
    """First-order low-pass, written as a section."""
    tangent = math.tan(_turn(rate, hz) / 2.0)
    side = tangent / (1.0 + tangent)
    return [side, side, 0.0, 1.0, (tangent - 1.0) / (1.0 + tangent), 0.0]


def _turn(rate: int, hz: float) -> float:
    # A band above the range of the rate sits at its upper end.
    return 2.0 * math.pi * min(hz, 0.45 * rate) / rate


def _normalise(b0: float, b1: float, b2: float, a0: float, a1: float, a2: float) -> Section:
    return [b0 / a0, b1 / a0, b2 / a0, 1.0, a1 / a0, a2 / a0]
