"""What a processor of the simulated rack is, and how its parameters are described."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

__all__ = ["QUANTUM", "Parameter", "Processor", "Signal"]

Signal = NDArray[np.float64]
"""Shape (frames, channels), full scale = 1.0."""

QUANTUM = 2048
"""Every call of `process` gets exactly this many frames, so that no result depends on block sizes."""


@dataclass(frozen=True)
class Parameter:
    """One parameter of a kind of processor."""

    name: str
    default: float
    low: float
    high: float
    measure: str
    meaning: str


class Processor(Protocol):
    """One unit's signal path, with state; made as `Kind(rate, channels, parameters)`.

    Made anew for each take, so nothing leaks between passes. `parameters` holds every parameter of the kind,
    within its range.
    """

    def process(self, block: Signal) -> Signal:
        """The output for one quantum, shape (QUANTUM, channels) in and out; `block` is left unchanged."""
        ...
