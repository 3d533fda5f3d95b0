"""Clock positions of knobs."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from printq.models.clock import clock_travel, parse_clock


@pytest.mark.parametrize(
    ("text", "minutes"), [("12:00", 0), ("7:30", 450), ("07:30", 450), ("11:59", 719), ("1:05", 65)]
)
def test_a_clock_position_is_minutes_after_twelve(text, minutes):
    assert parse_clock(text) == minutes


@pytest.mark.parametrize("text", ["", "7", "13:00", "0:30", "7:60", "7.30", "7:5", "-7:30", "seven", "7:30 "])
def test_what_is_no_time_on_a_clock_face_is_refused(text):
    with pytest.raises(ValueError, match="7:30"):
        parse_clock(text)


@pytest.mark.parametrize(
    ("position", "travel"), [("7:00", 0.0), ("9:30", 0.25), ("12:00", 0.5), ("1:00", 0.6), ("5:00", 1.0)]
)
def test_a_knob_travels_clockwise_from_seven_to_five(position, travel):
    """Ten hours of travel: 7 to 12 is five of them."""
    assert clock_travel(position, "7:00", "5:00") == pytest.approx(travel)


@pytest.mark.parametrize("position", ["5:30", "6:00", "6:45"])
def test_a_position_in_the_dead_part_is_outside(position):
    assert not 0.0 <= clock_travel(position, "7:00", "5:00") <= 1.0


@given(st.integers(0, 600), st.integers(0, 600))
def test_further_clockwise_is_further(first, second):
    def text(minutes):
        hours, rest = divmod((7 * 60 + minutes) % 720, 60)
        return f"{hours or 12}:{rest:02d}"

    low, high = sorted((first, second))
    assert clock_travel(text(low), "7:00", "5:00") <= clock_travel(text(high), "7:00", "5:00")
    assert clock_travel(text(first), "7:00", "5:00") == pytest.approx(first / 600)
