"""Third octaves by IEC 61260-1, base ten: which bins of a transform belong to which band."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["NOMINAL_HZ", "ThirdOctaves"]

NOMINAL_HZ: tuple[float, ...] = (
    *(20.0, 25.0, 31.5, 40.0, 50.0, 63.0, 80.0, 100.0, 125.0, 160.0, 200.0, 250.0, 315.0, 400.0, 500.0, 630.0, 800.0),
    *(1000.0, 1250.0, 1600.0, 2000.0, 2500.0, 3150.0, 4000.0, 5000.0, 6300.0, 8000.0, 10_000.0, 12_500.0, 16_000.0),
    *(20_000.0, 25_000.0, 31_500.0, 40_000.0),
)
"""Nominal mid-band frequencies (the table of IEC 61260-1 from memory); exact ones are 1 kHz times 10^(n/10)."""
LOWEST = -17
"""20 Hz is the 17th band below 1 kHz."""


class ThirdOctaves:
    """The bands that can be told apart in a real transform.

    Left out are bands that reach over half the rate, and those too narrow to hold a bin.

    Parameters
    ----------
    rate : int
        Hz.
    frames : int
        Length of the transform.
    """

    hz: tuple[float, ...]
    """Nominal mid-band frequencies."""

    def __init__(self, rate: int, frames: int) -> None:
        exact = 1000.0 * 10.0 ** ((LOWEST + np.arange(len(NOMINAL_HZ))) / 10.0)
        first = np.ceil(exact * 10.0**-0.05 * frames / rate).astype(np.intp)
        end = np.ceil(exact * 10.0**0.05 * frames / rate).astype(np.intp)
        kept = (exact * 10.0**0.05 <= 0.5 * rate) & (end > first)
        self.hz = tuple(hz for hz, keep in zip(NOMINAL_HZ, kept, strict=True) if keep)
        self._ranges = list(zip(first[kept].tolist(), end[kept].tolist(), strict=True))

    def sum(self, bins: NDArray[np.float64]) -> NDArray[np.float64]:
        """Sum over each band's bins, which are the last axis."""
        sums = [bins[..., first:end].sum(axis=-1) for first, end in self._ranges]
        return np.stack(sums, axis=-1) if sums else np.zeros((*bins.shape[:-1], 0))
