"""Runs of samples at full scale."""

from __future__ import annotations

from itertools import groupby

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from printq.errors import UnmeasurableError
from printq.measure.clip import ClipFinder, ClipRun

from .signals import blocks, cuts

TOP = 1.0 - 2.0**-23
"""The largest sample of 24 bits."""


def find(signal, places=()):
    finder = ClipFinder(signal.shape[1])
    for block in blocks(signal, list(places)):
        finder.add(block)
    return finder.result()


def one_side(*samples):
    return np.array(samples)[:, np.newaxis]


@given(st.lists(st.sampled_from([-1.0, 0.0, 0.5, TOP]), max_size=60), cuts(60))
def test_runs_are_found_across_any_block_borders(samples, places):
    signal = np.array(samples).reshape(-1, 1)
    expected, start = [], 0
    for sample, same in groupby(samples):
        length = len(list(same))
        if abs(sample) >= TOP and length >= 3:
            expected.append(ClipRun(0, start, length))
        start += length
    found = find(signal, places)
    assert list(found.runs) == expected
    assert found.count == len(expected)


def test_two_samples_at_full_scale_are_no_run():
    """Two may be a peak that just fits; three in a row are a flat top (common practice)."""
    assert find(one_side(0, TOP, TOP, 0)).count == 0
    assert find(one_side(0, TOP, TOP, TOP, 0)).runs == (ClipRun(0, 1, 3),)


def test_one_step_under_full_scale_is_full_scale_and_two_are_not():
    """24-bit samples reach from -8388608 to 8388607."""
    assert find(one_side(*np.array([-8388607, -8388608, -8388607]) / 2**23)).count == 1
    assert find(one_side(*np.array([8388606, 8388606, 8388606]) / 2**23)).count == 0


def test_a_run_from_one_end_to_the_other_is_two():
    assert find(one_side(1, 1, 1, -1, -1, -1)).runs == (ClipRun(0, 0, 3), ClipRun(0, 3, 3))


def test_channels_are_apart_and_runs_in_order_of_time():
    signal = np.zeros((20, 2))
    signal[10:14, 0] = 1.0
    signal[5:9, 1] = -1.0
    assert find(signal).runs == (ClipRun(1, 5, 4), ClipRun(0, 10, 4))


def test_a_result_on_the_way_holds_the_run_that_is_open():
    finder = ClipFinder(1)
    finder.add(np.ones((4, 1)))
    assert finder.result().runs == (ClipRun(0, 0, 4),)
    finder.add(np.ones((2, 1)))
    assert finder.result().runs == (ClipRun(0, 0, 6),)


def test_a_take_that_clips_throughout_is_counted_in_full_and_kept_in_part():
    signal = np.tile([1.0, 1.0, 1.0, 0.0], 12_000)[:, np.newaxis]
    found = find(signal, range(0, len(signal), 1000))
    assert found.count == 12_000
    assert len(found.runs) == 10_000


def test_a_sample_that_is_no_number_is_refused():
    with pytest.raises(UnmeasurableError, match="not finite"):
        find(one_side(0.0, np.nan))
