"""Conversions between the units that the program speaks: samples and seconds, ratios and decibels.

Levels are re full scale = 1.0. A level of silence is minus infinity here and ``null`` in JSON
(`level_or_none`).
"""

from __future__ import annotations

import math

__all__ = ["db_to_ratio", "level_or_none", "power_to_db", "ratio_to_db", "seconds_to_frames"]


def db_to_ratio(db: float) -> float:
    """Amplitude ratio of a level difference in dB: 20 dB is 10."""
    return float(10.0 ** (db / 20.0))


def ratio_to_db(ratio: float) -> float:
    """Level in dB of an amplitude ratio; its sign is ignored, and 0 gives minus infinity."""
    magnitude = abs(ratio)
    return 20.0 * math.log10(magnitude) if magnitude > 0.0 else -math.inf


def power_to_db(power: float) -> float:
    """Level in dB of a power ratio (a mean square); 0 gives minus infinity."""
    return 10.0 * math.log10(power) if power > 0.0 else -math.inf


def seconds_to_frames(seconds: float, rate: int) -> int:
    """Whole frames nearest to a duration; `rate` in Hz."""
    return round(seconds * rate)


def level_or_none(db: float | None) -> float | None:
    """What JSON can carry of a level: minus infinity (silence) and NaN become None."""
    return db if db is not None and math.isfinite(db) else None
