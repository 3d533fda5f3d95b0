"""Runs of samples that stand still at the top of a signal while the stem moves: a limit that is hard to the last bit.

Such runs also give away a limit on noise-like material, whose crests are too short for their shape to be looked at
(see `clip`).
"""

from __future__ import annotations

import copy
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from printq.measure.blocks import Block
from printq.measure.clip import Ceiling
from printq.measure.spectra import PairedPieces

__all__ = ["PlateauFinder"]

Signal = NDArray[np.float64]

PIECE_S = 0.25
SPAN_S = 0.005
MIN_RUN = 3
STEPS = (3e-4, 1e-3, 3e-3)
"""How much of the top counts as the top; the first that noise stays under is used."""
NOISE_IN_STEP = 6.0
AROUND = 10.0
"""The samples on the top are held against those in ten steps below it."""
FEWEST_SPANS = 5
PILED_UP = 8.0
"""A hard limit has all crests over it on one level and next to nothing just below. A tanh that is pushed by 18 dB has
three times as many samples in the topmost step as in the ten below."""
STEM_MOVES = 10.0
"""In steps: the stem must change by so much, against its own peak nearby, where the return stands still."""
MOST_KEPT = 4096


@dataclass
class _Step:
    """What has been seen with one height of the step."""

    on_top: int = 0
    below: int = 0
    spans: set[int] = field(default_factory=set)
    first: int | None = None


class _Top:
    """One side of one channel."""

    def __init__(self) -> None:
        self.top = 0.0
        self.steps = [_Step() for _ in STEPS]

    def look(self, sent: Signal, returned: Signal, sign: int, first_frame: int, span: int) -> None:
        """Follow a piece: its tops, or its bottoms with a sign of -1."""
        highest = _highest(returned, sign)
        if not self.may_count(highest):
            return
        returned = sign * returned
        for step, seen in zip(STEPS, self.steps, strict=True):
            if highest * (1.0 - step) > self.top:
                seen.__init__()  # type: ignore[misc]
        self.top = max(self.top, highest)
        peak = float(np.abs(sent).max())
        for step, seen in zip(STEPS, self.steps, strict=True):
            on_top = returned >= self.top * (1.0 - step)
            seen.on_top += int(np.count_nonzero(on_top))
            seen.below += int(np.count_nonzero(returned >= self.top * (1.0 - AROUND * step))) - int(on_top.sum())
            if len(seen.spans) >= MOST_KEPT:
                continue
            edges = np.flatnonzero(np.diff(np.concatenate(([False], on_top, [False])).astype(np.int8)))
            for start, end in zip(edges[0::2], edges[1::2], strict=True):
                if end - start >= MIN_RUN and np.ptp(sent[start:end]) > STEM_MOVES * step * peak:
                    seen.spans.add((first_frame + int(start)) // span)
                    seen.first = first_frame + int(start) if seen.first is None else seen.first

    def may_count(self, highest: float) -> bool:
        """Whether there is something to be counted in samples of which none is higher."""
        return highest > 0.0 and highest >= self.top * (1.0 - AROUND * STEPS[-1])

    def judge(self, channel: int, sign: int, noise: float) -> Ceiling | None:
        for step, seen in zip(STEPS, self.steps, strict=True):
            if NOISE_IN_STEP * noise > step * self.top:
                continue
            if len(seen.spans) < FEWEST_SPANS or seen.on_top < PILED_UP * seen.below or seen.first is None:
                return None
            share = seen.on_top / (seen.on_top + seen.below)
            return Ceiling(channel, sign * self.top, share, len(seen.spans), seen.first)
        return None


class PlateauFinder:
    """Finds where the return stands still at its highest while the stem moves.

    Parameters
    ----------
    rate : int
        Hz.
    channels : int
    """

    def __init__(self, rate: int, channels: int) -> None:
        self._channels = channels
        self._span = max(16, round(SPAN_S * rate))
        self._piece = max(self._span, round(PIECE_S * rate))
        self._pieces = PairedPieces(channels, self._piece)
        self._tops = [[_Top(), _Top()] for _ in range(channels)]
        self._frames = 0

    def add(self, sent: Block, returned: Block) -> None:
        """Add samples of the stem as sent and of what came back, lined up; shape (frames, channels) each.

        Raises
        ------
        ValueError
            A shape is another, or they are not equally long.
        UnmeasurableError
            A sample is not a finite number.
        """
        for stem, run in self._pieces.runs(sent, returned):
            self._look(stem, run)

    def result(self, noise: tuple[float, ...] = ()) -> tuple[Ceiling, ...]:
        """The ceilings found; `noise` is the RMS of the return's noise in each channel, linear."""
        ended = copy.deepcopy(self)
        ended._look(*ended._pieces.rest())
        levels = noise or (0.0,) * self._channels
        found = [
            tops[side].judge(channel, sign, levels[channel])
            for channel, tops in enumerate(ended._tops)
            for side, sign in enumerate((1, -1))
        ]
        return tuple(ceiling for ceiling in found if ceiling is not None)

    def _look(self, stem: Signal, run: Signal) -> None:
        """Follow some pieces that lie side by side, or one that is not whole."""
        for sent, returned, sides in zip(stem, run, self._tops, strict=True):
            for side, sign in zip(sides, (1, -1), strict=True):
                # Most of a take is well below its top.
                if not side.may_count(_highest(returned, sign)):
                    continue
                for first in range(0, len(returned), self._piece):
                    piece = slice(first, first + self._piece)
                    side.look(sent[piece], returned[piece], sign, self._frames + first, self._span)
        self._frames += run.shape[1]


def _highest(samples: Signal, sign: int) -> float:
    return float(samples.max(initial=0.0)) if sign > 0 else -float(samples.min(initial=0.0))
