"""No figure depends on how the signal was cut into blocks."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from printq.errors import UnmeasurableError
from printq.measure.blocks import CheckedBlock, EvenPieces, check_block
from printq.measure.clip import ClipFinder, FlatTopFinder
from printq.measure.loudness import LoudnessMeter
from printq.measure.peaks import LevelMeter, TruePeakMeter
from printq.measure.plateaus import PlateauFinder
from printq.measure.spectra import CrossSpectra, SpectralMatrix
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
@given(lengths=LENGTHS, single=st.booleans(), checked=st.booleans())
def test_cuts_do_not_matter_to_the_last_bit(
    make: Callable[[], Any], lengths: list[int], single: bool, checked: bool
) -> None:
    signal = SIGNAL.astype(np.float32) if single else SIGNAL
    in_blocks, at_once = make(), make()
    for block in cut(signal, lengths):
        in_blocks.add(CheckedBlock(block) if checked else block)
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


@pytest.mark.parametrize("make", METERS.values(), ids=METERS)
def test_a_checked_block_of_other_channels_is_refused(make: Callable[[], Any]) -> None:
    with pytest.raises(ValueError, match=r"shape \(frames, 2\)"):
        make().add(CheckedBlock(np.zeros((10, 3))))


PAIRED = {
    "flat tops": lambda: FlatTopFinder(48_000, 2),
    "plateaus": lambda: PlateauFinder(48_000, 2),
    "spectra": lambda: CrossSpectra(48_000, 2, len(SIGNAL)),
}


@pytest.mark.parametrize("make", PAIRED.values(), ids=PAIRED)
@settings(max_examples=10, deadline=None)
@given(lengths=LENGTHS)
def test_pairs_of_checked_blocks_are_measured_as_arrays_are(make: Callable[[], Any], lengths: list[int]) -> None:
    sent = np.linspace(0.2, 0.9, len(SIGNAL))[:, None] * np.sin(0.04 * np.arange(len(SIGNAL)))[:, None] + 0.01 * SIGNAL
    returned = np.clip(sent, -0.5, 0.5)
    in_blocks, at_once = make(), make()
    for block, back in zip(cut(sent, lengths), cut(returned, lengths), strict=True):
        in_blocks.add(CheckedBlock(block), CheckedBlock(back))
    at_once.add(sent, returned)
    found, wanted = in_blocks.result(), at_once.result()
    if isinstance(found, SpectralMatrix):
        np.testing.assert_array_equal(found.products, wanted.products)
    else:
        assert wanted
        assert found == wanted


@pytest.mark.parametrize("lengths", [[10], [1], [3, 40], [61, 2]])
@pytest.mark.parametrize("checked", [False, True])
def test_runs_are_whole_pieces_and_together_the_signal(lengths: list[int], checked: bool) -> None:
    signal = np.random.default_rng(6).standard_normal((200, 2))
    pieces, found = EvenPieces(2, 7), []
    for block in cut(signal, lengths):
        for run in pieces.runs(CheckedBlock(block) if checked else block):
            assert run.shape[1] % 7 == 0
            found.append(run.copy())
    assert np.array_equal(np.concatenate((*found, pieces.rest()), axis=1), signal.T)


def test_a_checked_block_is_the_samples_that_were_given_and_stays_so() -> None:
    signal = SIGNAL[:100].copy()
    block = CheckedBlock(signal.astype(np.float32))
    np.testing.assert_array_equal(block.samples, signal.astype(np.float32))
    np.testing.assert_array_equal(block.channel(1).samples, signal[:, 1:].astype(np.float32))
    assert block.peak == np.abs(signal.astype(np.float32)).max()
    before = block.samples.copy()
    signal[:] = 0.0
    np.testing.assert_array_equal(block.samples, before)
    with pytest.raises(ValueError, match="read-only"):
        block.by_channel[0, 0] = 1.0


@given(lengths=st.lists(st.integers(0, 23), max_size=30), checked=st.booleans())
def test_pieces_put_together_again_are_the_signal(lengths: list[int], checked: bool) -> None:
    pieces = EvenPieces(2, 7)
    signal = np.arange(2.0 * sum(lengths)).reshape(-1, 2)
    got, at = [], 0
    for length in lengths:
        block = signal[at : at + length]
        got += [piece.copy() for piece in pieces.add(CheckedBlock(block) if checked else block)]
        at += length
    assert all(piece.shape == (2, 7) for piece in got)
    assert pieces.rest().shape[1] < 7
    np.testing.assert_array_equal(np.concatenate((*got, pieces.rest()), axis=1).T, signal)


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf, 1e31, -1e31])
@pytest.mark.parametrize("place", [(0, 0), (4, 1), (9, 0)])
def test_one_bad_sample_spoils_a_block(bad: float, place: tuple[int, int]) -> None:
    block = np.zeros((10, 2))
    block[place] = bad
    for take in (lambda: check_block(block, 2), lambda: CheckedBlock(block)):
        with pytest.raises(UnmeasurableError, match="not finite"):
            take()
