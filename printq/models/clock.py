"""Positions of knobs without a scale: where the pointer stands on a clock face.

A knob turns clockwise, usually from about seven o'clock through twelve to about five.
"""

from __future__ import annotations

import re

__all__ = ["clock_travel", "parse_clock"]

FULL_TURN = 12 * 60
FORM = re.compile(r"(1[0-2]|0?[1-9]):([0-5][0-9])")


def parse_clock(text: str) -> int:
    """Minutes after twelve of a position such as `"7:30"`. Raises ValueError where it is none."""
    found = FORM.fullmatch(text)
    if found is None:
        raise ValueError(f"{text!r} is no clock position; write hours and minutes, such as 7:30")
    return int(found[1]) % 12 * 60 + int(found[2])


def clock_travel(position: str, low: str, high: str) -> float:
    """How far a knob is turned: 0 at `low`, 1 at `high`, above 1 in the dead part beyond it.

    >>> clock_travel("12:00", "7:00", "5:00")
    0.5
    """
    start = parse_clock(low)
    whole = (parse_clock(high) - start) % FULL_TURN or FULL_TURN
    return ((parse_clock(position) - start) % FULL_TURN) / whole
