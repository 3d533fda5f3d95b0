"""How much of each print is in a mix: least squares over all of them at once, for each channel of the mix.

A mix at other fader positions than the job's sum does not null with that sum, and yet is made of these prints alone.
This tells the one from a mix that has something else in it.
"""

from __future__ import annotations

import math
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from printq.files.soundfiles import SoundReader
from printq.files.stems import StemReader, SummedFiles
from printq.units import power_to_db

__all__ = ["LevelFit", "fit_levels"]

BLOCK_SAMPLES = 1 << 21
"""Of all prints together."""
MOST_ALIKE = 1e6
"""Condition of the normal equations, each print at level 1: beyond, two prints are so alike that their levels in the
mix cannot be told apart."""
DEEPEST_DB = -130.0
"""Differences of sums of squares in double precision say no more."""
LEAST_DB = 12.0
"""A print is not in the mix where its part in it is this far below what is left over."""


@dataclass(frozen=True)
class LevelFit:
    """Levels of all prints that leave the least."""

    gains: tuple[tuple[float, ...], ...]
    """Linear, with sign: for each print, for each channel of the mix."""
    depth_db: float
    least: float
    """A smaller gain is none."""


def fit_levels(prints: SummedFiles, mix: Path, delay: int) -> LevelFit | None:
    """Fit the level of every print in the mix, channel by channel.

    Parameters
    ----------
    prints : SummedFiles
    mix : Path
        Of the same rate, with as many channels or with one of the two mono.
    delay : int
        How many samples later than the prints it is.

    Returns
    -------
    LevelFit or None
        None where two are so alike that their levels cannot be told apart. A print that has nothing in a channel has a
        gain of zero there.
    """
    with ExitStack() as opened:
        reader = opened.enter_context(SoundReader(mix))
        channels = max(prints.channels, reader.facts.channels)
        singles = [opened.enter_context(StemReader([part], prints.channels, prints.frames)) for part in prints.parts]
        count = len(singles)
        first, end = max(0, -delay), min(prints.frames, reader.facts.frames - delay)
        for single in singles:
            single.seek(first)
        reader.seek(min(reader.facts.frames, first + delay))
        between = np.zeros((channels, count, count))
        along = np.zeros((channels, count))
        power = np.zeros(channels)
        size = max(1024, BLOCK_SAMPLES // (count * channels))
        for start in range(first, end, size):
            frames = min(size, end - start)
            mixed = np.broadcast_to(reader.read(frames), (frames, channels))
            parts = np.stack([np.broadcast_to(single.read(frames), (frames, channels)) for single in singles])
            between += np.einsum("ifc,jfc->cij", parts, parts, optimize=True)
            along += np.einsum("ifc,fc->ci", parts, mixed, optimize=True)
            power += np.einsum("fc,fc->c", mixed, mixed)
    return _solve(between, along, power)


def _solve(between: NDArray[np.float64], along: NDArray[np.float64], power: NDArray[np.float64]) -> LevelFit | None:
    gains = np.zeros_like(along)
    left = fitted = 0.0
    for channel, (products, onto) in enumerate(zip(between, along, strict=True)):
        sizes = np.sqrt(np.diag(products))
        # A print that is panned all the way has nothing on the other side.
        heard = sizes > 0.0
        if not heard.any():
            continue
        sizes = sizes[heard]
        scaled = products[np.ix_(heard, heard)] / np.outer(sizes, sizes)
        if np.linalg.cond(scaled) > MOST_ALIKE:
            return None
        solution = np.zeros(len(onto))
        solution[heard] = np.linalg.solve(scaled, onto[heard] / sizes) / sizes
        gains[channel] = solution
        explained = float(solution @ products @ solution)
        left += max(0.0, float(power[channel]) - 2.0 * float(solution @ onto) + explained)
        fitted += explained
    if fitted <= 0.0:
        return None
    ratio = left / fitted
    depth = max(power_to_db(ratio), DEEPEST_DB)
    return LevelFit(
        gains=tuple(tuple(float(gain) for gain in of_print) for of_print in gains.T),
        depth_db=depth,
        least=math.sqrt(10.0 ** (max(depth, -60.0) / 10.0)) * 10.0 ** (-LEAST_DB / 20.0),
    )
