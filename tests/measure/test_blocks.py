"""No figure depends on how the signal was cut into blocks."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from printq.errors import UnmeasurableError
from printq.measure.blocks import EvenPieces, check_block
from printq.measure.clip import ClipFinder
from printq.measure.loudness import LoudnessMeter
from printq.measure.peaks import LevelMeter, TruePeakMeter
from tests.measure.signals import cut

METERS = {
    "loudness": lambda: LoudnessMeter(8_000, 2),
    "loudness, uneven hops": lambda: LoudnessMeter(11_025, 2),
    "levels": lambda: LevelMeter(2),
    "true peak": lambda: TruePeakMeter(48_000, 2),
    "clip": lambda: ClipFinder(2),
}
SIGNAL = np.clip(np.random.default_rng(11).standard_normal((40_000, 2)) * np.linspace(0.1, 1.2, 40_000)[:, None], -1, 1)
LENGTHS = st.lists(st.one_of(st.integers(0, 3), st.integers(500, 40_000)), min_size=1, max_size=5).filter(
    lambda lengths: max(lengths) >= 500
)


@pytest.mark.parametrize("make", METERS.values(), ids=METERS)
@settings(max_examples=25, deadline=None)
@given(lengths=LENGTHS, single=st.booleans())
def test_cuts_do_not_matter_to_the_last_bit(make: Callable[[], Any], lengths: list[int], single: bool) -> None:
    signal = SIGNAL.astype(np.float32) if single else SIGNAL
    in_blocks, at_once = make(), make()
    for block in cut(signal, lengths):
        in_blocks.add(block)
    at_once.add(signal)
    assert in_blocks.result() == at_once.result()


@pytest.mark.parametrize("make", METERS.values(), ids=METERS)
def test_single_precision_measures_as_double_does(make: Callable[[], Any]) -> None:
    single, double = make(), make()
    single.add(SIGNAL.astype(np.float32))
    double.add(SIGNAL.astype(np.float32).astype(np.float64))
    assert single.result() == double.result()


@pytest.mark.parametrize("make", METERS.values(), ids=METERS)
@pytest.mark.parametrize("shape", [(10,), (10, 1), (10, 3), (2, 10, 2)], ids=str)
def test_a_block_of_another_shape_is_refused(make: Callable[[], Any], shape: tuple[int, ...]) -> None:
    with pytest.raises(ValueError, match=r"shape \(frames, 2\)"):
        make().add(np.zeros(shape))


@given(lengths=st.lists(st.integers(0, 23), max_size=30))
def test_pieces_put_together_again_are_the_signal(lengths: list[int]) -> None:
    pieces = EvenPieces(2, 7)
    signal = np.arange(2.0 * sum(lengths)).reshape(-1, 2)
    got, at = [], 0
    for length in lengths:
        got += [piece.copy() for piece in pieces.add(signal[at : at + length])]
        at += length
    assert all(piece.shape == (2, 7) for piece in got)
    assert pieces.rest().shape[1] < 7
    np.testing.assert_array_equal(np.concatenate((*got, pieces.rest()), axis=1).T, signal)


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf, 1e31, -1e31])
@pytest.mark.parametrize("place", [(0, 0), (4, 1), (9, 0)])
def test_one_bad_sample_spoils_a_block(bad: float, place: tuple[int, int]) -> None:
    block = np.zeros((10, 2))
    block[place] = bad
    with pytest.raises(UnmeasurableError, match="not finite"):
        check_block(block, 2)
