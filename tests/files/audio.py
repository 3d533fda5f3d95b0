"""Files that the tests of `printq.files` share."""

from __future__ import annotations

import numpy as np
import soundfile

RATE = 48_000


def integers(bit_depth, frames=1000, channels=2, seed=1):
    """Random samples of a word length as floats, both extremes among them."""
    top = 1 << (bit_depth - 1)
    steps = np.random.default_rng(seed).integers(-top, top, (frames, channels))
    steps[0], steps[1], steps[2], steps[3] = -top, top - 1, 0, -1
    return steps / top


def write(path, samples, subtype="PCM_24", rate=RATE, **more):
    """A plain audio file, written by soundfile; exact for samples of 24 bits."""
    if subtype == "PCM_24":
        soundfile.write(path, (np.asarray(samples) * 2**31).astype(np.int32), rate, subtype=subtype, **more)
    else:
        soundfile.write(path, samples, rate, subtype=subtype, **more)
    return path
