"""Runs at full scale."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from printq.errors import UnmeasurableError
from printq.measure.clip import ClipFinder, ClipRun

NEARLY = 1.0 - 2.0**-23


def find(*sides: list[float], block: int = 1000) -> tuple[int, list[ClipRun]]:
    signal = np.array(sides).T
    finder = ClipFinder(len(sides))
    for start in range(0, len(signal), block):
        finder.add(signal[start : start + block])
    found = finder.result()
    return found.count, list(found.runs)


def test_three_samples_at_full_scale_are_a_run_and_two_are_not() -> None:
    assert find([0.0, 1.0, 1.0, 0.0, 1.0, 1.0, 1.0, 0.0]) == (1, [ClipRun(0, 4, 3)])


@pytest.mark.parametrize("top", [1.0, -1.0, NEARLY, -NEARLY, 1.5], ids=str)
def test_the_last_step_of_24_bits_is_full_scale_at_either_end(top: float) -> None:
    assert find([top] * 5) == (1, [ClipRun(0, 0, 5)])


def test_one_step_less_is_not_full_scale() -> None:
    assert find([1.0 - 2.0**-22] * 5) == (0, [])


def test_a_swing_from_end_to_end_is_no_run() -> None:
    assert find([1.0, 1.0, -1.0, -1.0, 1.0, 1.0]) == (0, [])
    assert find([1.0, 1.0, 1.0, -1.0, -1.0, -1.0]) == (2, [ClipRun(0, 0, 3), ClipRun(0, 3, 3)])


def test_channels_are_looked_at_apart() -> None:
    assert find([1.0, 1.0, 0.0, 0.0], [0.0, 1.0, 1.0, 1.0]) == (1, [ClipRun(1, 1, 3)])


def test_a_run_goes_on_over_the_border_of_blocks() -> None:
    assert find([0.0, 1.0, 1.0, 1.0, 1.0, 0.0], block=2) == (1, [ClipRun(0, 1, 4)])


def test_all_runs_are_counted_and_the_first_are_kept() -> None:
    count, runs = find([1.0, 1.0, 1.0, 0.0] * 10_005, block=777)
    assert count == 10_005
    assert len(runs) == 10_000
    assert runs[-1] == ClipRun(0, 4 * 9_999, 3)


def test_nothing_and_a_sample_have_no_runs() -> None:
    assert ClipFinder(2).result().count == 0
    assert find([1.0]) == (0, [])


def test_what_is_not_a_number_is_refused() -> None:
    with pytest.raises(UnmeasurableError, match="not finite"):
        ClipFinder(1).add(np.array([[math.nan]]))


@given(
    samples=st.lists(st.sampled_from([-1.0, -0.5, 0.5, 1.0]), max_size=60),
    block=st.integers(1, 9),
)
def test_runs_are_those_that_reading_sample_by_sample_finds(samples: list[float], block: int) -> None:
    expected, start = [], 0
    for frame in range(1, len(samples) + 1):
        if frame == len(samples) or samples[frame] != samples[start]:
            if abs(samples[start]) == 1.0 and frame - start >= 3:
                expected.append(ClipRun(0, start, frame - start))
            start = frame
    assert find(samples, block=block) == (len(expected), expected)
