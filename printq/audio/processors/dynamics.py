"""Compressors, gate and transient shaper.

Their detectors run at a control rate: one value for each hop of 16 frames, the peak of the last 10 ms. The gain
is worked out hop by hop. What follows from one hop is reached at the end of the next, along a line that is
straight in dB, so nothing acts before its cause.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from printq.audio.processors.base import Signal
from printq.units import db_to_ratio

__all__ = ["Gate", "OptoCompressor", "TransientShaper", "VcaCompressor"]

HOP = 16
FLOOR_DB = -120.0
HOLD_SECONDS = 0.010
"""Half a period of 50 Hz: steady tones above that have a steady level, their peak."""


class _Dynamics:
    """Detects, asks for the gain of each hop, and applies it."""

    def __init__(self, rate: int, channels: int, linked: bool) -> None:
        self.hop_s = HOP / rate
        self._linked = linked
        self.sides = 1 if linked else channels
        self._window = max(1, round(HOLD_SECONDS * rate / HOP))
        self._last_peaks = np.zeros((self._window - 1, self.sides))
        self._last_db = np.zeros((2, self.sides))

    def gains_db(self, levels_db: Signal) -> Signal:
        """Gain for each hop, given the level of each hop; shape (hops, sides)."""
        raise NotImplementedError

    def gain(self, block: Signal) -> Signal:
        """Linear gain for each frame, shape (frames, 1 or channels)."""
        peaks = np.abs(block).reshape(-1, HOP, block.shape[1]).max(axis=1)
        if self._linked:
            peaks = peaks.max(axis=1, keepdims=True)
        known = np.concatenate((self._last_peaks, peaks))
        self._last_peaks = known[len(peaks) :]
        held = _running_maximum(known, self._window)
        gains = self.gains_db(20.0 * np.log10(np.maximum(held, 10 ** (FLOOR_DB / 20))))
        edges = np.concatenate((self._last_db, gains))
        self._last_db = edges[-2:]
        start, rise = edges[:-2, np.newaxis], np.diff(edges[:-1], axis=0)[:, np.newaxis]
        share = (np.arange(HOP) + 1.0) / HOP
        smooth = start + share[np.newaxis, :, np.newaxis] * rise
        return np.asarray(10.0 ** (smooth.reshape(len(block), self.sides) / 20.0))

    def share_of(self, seconds: float) -> float:
        """How far one hop moves towards its target with this time constant."""
        return 1.0 - math.exp(-self.hop_s / seconds)


def _running_maximum(values: Signal, window: int) -> Signal:
    """Maximum of each `window` rows in a row, by doubling: every step covers twice as many."""
    covered = 1
    while 2 * covered <= window:
        values = np.maximum(values[:-covered], values[covered:])
        covered *= 2
    rest = window - covered
    return np.maximum(values[:-rest], values[rest:]) if rest else values


def _static_curve(levels_db: Signal, threshold_db: float, ratio: float, knee_db: float) -> Signal:
    """Gain in dB (0 or below) for a level: a straight line bent into a parabola around the threshold.

    The curve of "Digital dynamic range compressor design: a tutorial and analysis", JAES 60(6), 399-408 (2012).
    """
    over = levels_db - threshold_db
    slope = 1.0 / ratio - 1.0
    hard = slope * np.maximum(over, 0.0)
    if knee_db <= 0.0:
        return np.asarray(hard)
    # Only within the knee: outside, a very narrow one would overflow before it is thrown away.
    within = np.clip(over, -knee_db / 2.0, knee_db / 2.0)
    bent = slope * (within + knee_db / 2.0) ** 2 / (2.0 * knee_db)
    return np.asarray(np.where(np.abs(over) <= knee_db / 2.0, bent, hard))


class VcaCompressor(_Dynamics):
    """Fast, exact, with attack and release as set."""

    def __init__(self, rate: int, channels: int, parameters: Mapping[str, float]) -> None:
        super().__init__(rate, channels, parameters["link"] >= 0.5)
        self._p = parameters
        self._attack = self.share_of(parameters["attack_ms"] / 1000.0)
        self._release = self.share_of(parameters["release_ms"] / 1000.0)
        self._reduction = [0.0] * self.sides
        self._makeup = db_to_ratio(parameters["makeup_db"])

    def gains_db(self, levels_db: Signal) -> Signal:
        wanted = _static_curve(levels_db, self._p["threshold_db"], self._p["ratio"], self._p["knee_db"])
        gains = np.empty_like(wanted)
        for side in range(self.sides):
            now = self._reduction[side]
            for hop, target in enumerate(wanted[:, side].tolist()):
                now += (self._attack if target < now else self._release) * (target - now)
                gains[hop, side] = now
            self._reduction[side] = now
        return gains

    def process(self, block: Signal) -> Signal:
        if self._p["ratio"] == 1.0:
            return block if self._makeup == 1.0 else block * self._makeup
        wet = block * self.gain(block) * self._makeup
        mix = self._p["mix"]
        return wet if mix == 1.0 else mix * wet + (1.0 - mix) * block


class OptoCompressor(_Dynamics):
    """A light cell: it forgets half of its reduction quickly, and the rest the slower the longer it was lit."""

    WARMS_S = 3.0
    """Time constant with which the cell's memory of being lit builds up."""
    COOLS_S = 8.0
    """The same for its fading; slow, so that a tail keeps its speed."""
    SHORTEST_TAIL = 0.1
    """Time constant of the slow part of a cell that was lit for a moment, as a part of `tail_s`."""
    FAST_SHARE = 0.5
    KNEE_DB = 12.0
    LIT_DB = 0.5
    """Reduction from which the cell counts as lit."""

    def __init__(self, rate: int, channels: int, parameters: Mapping[str, float]) -> None:
        super().__init__(rate, channels, parameters["link"] >= 0.5)
        self._p = parameters
        self._attack = self.share_of(parameters["attack_ms"] / 1000.0)
        # The whole has fallen by half once the fast half is gone: three time constants.
        self._fast = self.share_of(parameters["release_ms"] / 1000.0 / 3.0)
        self._warms = self.share_of(self.WARMS_S)
        self._cools = self.share_of(self.COOLS_S)
        self._states = [(0.0, 0.0, 0.0)] * self.sides
        self._makeup = db_to_ratio(parameters["makeup_db"])

    def gains_db(self, levels_db: Signal) -> Signal:
        wanted = _static_curve(levels_db, self._p["threshold_db"], self._p["ratio"], self.KNEE_DB)
        gains = np.empty_like(wanted)
        longest, shortest = self._p["tail_s"], self.SHORTEST_TAIL * self._p["tail_s"]
        for side in range(self.sides):
            fast, slow, memory = self._states[side]
            for hop, target in enumerate(wanted[:, side].tolist()):
                lit = target < -self.LIT_DB
                memory += self._warms * (1.0 - memory) if lit else -self._cools * memory
                slow_share = self.hop_s / (shortest + memory * (longest - shortest))
                quick, lasting = self.FAST_SHARE * target, (1.0 - self.FAST_SHARE) * target
                fast += (self._attack if quick < fast else self._fast) * (quick - fast)
                slow += (self._attack if lasting < slow else slow_share) * (lasting - slow)
                gains[hop, side] = fast + slow
            self._states[side] = (fast, slow, memory)
        return gains

    def process(self, block: Signal) -> Signal:
        if self._p["ratio"] == 1.0:
            return block if self._makeup == 1.0 else block * self._makeup
        return block * self.gain(block) * self._makeup


class Gate(_Dynamics):
    """Opens fast, holds, closes slowly."""

    def __init__(self, rate: int, channels: int, parameters: Mapping[str, float]) -> None:
        super().__init__(rate, channels, parameters["link"] >= 0.5)
        self._p = parameters
        self._attack = self.share_of(parameters["attack_ms"] / 1000.0)
        self._release = self.share_of(parameters["release_ms"] / 1000.0)
        self._hold_hops = round(parameters["hold_ms"] / 1000.0 / self.hop_s)
        self._states = [(-parameters["range_db"], 0)] * self.sides
        self._last_db = np.full((2, self.sides), -parameters["range_db"])

    def gains_db(self, levels_db: Signal) -> Signal:
        gains = np.empty_like(levels_db)
        closed = -self._p["range_db"]
        for side in range(self.sides):
            now, held = self._states[side]
            for hop, level in enumerate(levels_db[:, side].tolist()):
                held = self._hold_hops if level >= self._p["threshold_db"] else held - 1
                target = 0.0 if held > 0 or level >= self._p["threshold_db"] else closed
                now += (self._attack if target > now else self._release) * (target - now)
                gains[hop, side] = now
            self._states[side] = (now, held)
        return gains

    def process(self, block: Signal) -> Signal:
        return block if self._p["range_db"] == 0.0 else block * self.gain(block)


class TransientShaper(_Dynamics):
    """Compares the level in dB with slow followers of it, so that loud and soft are treated alike.

    One follower rises slowly: while the level is above it, that is attack. The other falls slowly: while the
    level is below it, that is sustain.
    """

    RISE_MS, FALL_MS = 1.0, 60.0
    SLOW_RISE_MS, SLOW_FALL_MS = 30.0, 400.0
    FULL_EFFECT_DB = 12.0
    """Distance from a follower at which the whole gain acts."""
    QUIETEST_DB = -70.0
    """Below this there is nothing to shape."""

    def __init__(self, rate: int, channels: int, parameters: Mapping[str, float]) -> None:
        super().__init__(rate, channels, True)
        self._p = parameters
        self._rise = self.share_of(self.RISE_MS / 1000.0)
        self._fall = self.share_of(self.FALL_MS / 1000.0)
        self._slow_rise = self.share_of(self.SLOW_RISE_MS / 1000.0)
        self._slow_fall = self.share_of(self.SLOW_FALL_MS / 1000.0)
        self._state = (self.QUIETEST_DB,) * 3
        self._output = db_to_ratio(parameters["output_db"])

    def gains_db(self, levels_db: Signal) -> Signal:
        now, rising, falling = self._state
        above, below = [], []
        for level in np.maximum(levels_db[:, 0], self.QUIETEST_DB).tolist():
            now += (self._rise if level > now else self._fall) * (level - now)
            rising = rising + self._slow_rise * (now - rising) if now > rising else now
            falling = falling + self._slow_fall * (now - falling) if now < falling else now
            above.append(now - rising)
            below.append(falling - now)
        self._state = (now, rising, falling)
        attack, sustain = np.minimum(np.array((above, below)) / self.FULL_EFFECT_DB, 1.0)
        return np.asarray(attack * self._p["attack_db"] + sustain * self._p["sustain_db"])[:, np.newaxis]

    def process(self, block: Signal) -> Signal:
        if self._p["attack_db"] == 0.0 and self._p["sustain_db"] == 0.0:
            return block if self._output == 1.0 else block * self._output
        return block * self.gain(block) * self._output
