"""Compressors, gate and transient shaper.

Their detectors run at a control rate: one value for each hop of 16 frames, the peak of the hop. The gain is
worked out hop by hop and interpolated, linear in dB, across each hop, which a slow analog side-chain cannot be
told from.
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


class _Dynamics:
    """Detects, asks for the gain of each hop, and applies it."""

    def __init__(self, rate: int, channels: int, linked: bool) -> None:
        self.hop_s = HOP / rate
        self._linked = linked
        self.sides = 1 if linked else channels
        self._last_db = np.zeros(self.sides)

    def gains_db(self, levels_db: Signal) -> Signal:
        """Gain for each hop, given the level of each hop; shape (hops, sides)."""
        raise NotImplementedError

    def gain(self, block: Signal) -> Signal:
        """Linear gain for each frame, shape (frames, 1 or channels)."""
        peaks = np.abs(block).reshape(-1, HOP, block.shape[1]).max(axis=1)
        if self._linked:
            peaks = peaks.max(axis=1, keepdims=True)
        levels = 20.0 * np.log10(np.maximum(peaks, 10 ** (FLOOR_DB / 20)))
        gains = self.gains_db(levels)
        edges = np.concatenate((self._last_db[np.newaxis], gains))
        self._last_db = gains[-1]
        share = (np.arange(HOP) + 1.0) / HOP
        smooth = edges[:-1, np.newaxis] + share[np.newaxis, :, np.newaxis] * np.diff(edges, axis=0)[:, np.newaxis]
        return np.asarray(10.0 ** (smooth.reshape(len(block), self.sides) / 20.0))

    def share_of(self, seconds: float) -> float:
        """How far one hop moves towards its target with this time constant."""
        return 1.0 - math.exp(-self.hop_s / seconds)


def _static_curve(levels_db: Signal, threshold_db: float, ratio: float, knee_db: float) -> Signal:
    """Gain reduction in dB (0 or below) for a level: a straight line bent into a parabola around the threshold."""
    over = levels_db - threshold_db
    slope = 1.0 / ratio - 1.0
    hard = slope * np.maximum(over, 0.0)
    if knee_db <= 0.0:
        return np.asarray(hard)
    bent = slope * (over + knee_db / 2.0) ** 2 / (2.0 * knee_db)
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

    WARMS_S = 1.5
    """Time constant with which the cell's memory of being lit builds up and fades."""
    FAST_SHARE = 0.5

    def __init__(self, rate: int, channels: int, parameters: Mapping[str, float]) -> None:
        super().__init__(rate, channels, parameters["link"] >= 0.5)
        self._p = parameters
        self._attack = self.share_of(parameters["attack_ms"] / 1000.0)
        self._fast = self.share_of(parameters["release_ms"] / 1000.0)
        self._warms = self.share_of(self.WARMS_S)
        self._states = [(0.0, 0.0, 0.0)] * self.sides
        self._makeup = db_to_ratio(parameters["makeup_db"])

    def gains_db(self, levels_db: Signal) -> Signal:
        wanted = _static_curve(levels_db, self._p["threshold_db"], self._p["ratio"], 12.0)
        gains = np.empty_like(wanted)
        longest, shortest = self._p["tail_s"], 0.25 * self._p["tail_s"]
        for side in range(self.sides):
            fast, slow, memory = self._states[side]
            for hop, target in enumerate(wanted[:, side].tolist()):
                lit = 1.0 if target < -0.5 else 0.0
                memory += self._warms * (lit - memory)
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
        self._last_db = np.full(self.sides, -parameters["range_db"])

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
    """Compares a fast with a slow follower: what rises faster than the slow one is attack, what lingers is sustain."""

    FAST_MS, SLOW_MS, FALL_FAST_MS, FALL_SLOW_MS = 2.0, 30.0, 60.0, 400.0
    FULL_EFFECT_DB = 12.0

    def __init__(self, rate: int, channels: int, parameters: Mapping[str, float]) -> None:
        super().__init__(rate, channels, True)
        self._p = parameters
        self._shares = tuple(
            self.share_of(ms / 1000.0) for ms in (self.FAST_MS, self.SLOW_MS, self.FALL_FAST_MS, self.FALL_SLOW_MS)
        )
        self._state = (FLOOR_DB, FLOOR_DB, FLOOR_DB, FLOOR_DB)
        self._output = db_to_ratio(parameters["output_db"])

    def gains_db(self, levels_db: Signal) -> Signal:
        fast, slow, short, long = self._state
        rise_fast, rise_slow, fall_fast, fall_slow = self._shares
        gains = np.empty_like(levels_db)
        for hop, raw in enumerate(levels_db[:, 0].tolist()):
            level = max(raw, -70.0)  # below this there is nothing to shape
            fast += (rise_fast if level > fast else fall_fast) * (level - fast)
            slow += (rise_slow if level > slow else fall_fast) * (level - slow)
            short += (rise_fast if level > short else fall_fast) * (level - short)
            long += (rise_fast if level > long else fall_slow) * (level - long)
            attack = min(1.0, max(0.0, fast - slow) / self.FULL_EFFECT_DB)
            sustain = min(1.0, max(0.0, long - short) / self.FULL_EFFECT_DB)
            gains[hop, 0] = attack * self._p["attack_db"] + sustain * self._p["sustain_db"]
        self._state = (fast, slow, short, long)
        return gains

    def process(self, block: Signal) -> Signal:
        if self._p["attack_db"] == 0.0 and self._p["sustain_db"] == 0.0:
            return block if self._output == 1.0 else block * self._output
        return block * self.gain(block) * self._output
