"""What around a suspicion is a reason for doubt, with energies of cells of hand-made signals."""

from __future__ import annotations

import numpy as np
import pytest

from printq.measure.doubts import (
    BEYOND,
    fall_db,
    half_closed,
    in_step,
    lasting_rise_db,
    left_by_moving_gain,
    onset_db,
    recurrence_db,
    response_change_db,
    step_db,
    whitening_change_db,
)
from tests.measure.signals import Signal

CELL, CELLS, PLACE = 16, 401, 200
FRAMES, AT = CELL * CELLS, CELL * PLACE


def energies(gain: Signal, added: Signal | float = 0.0) -> Signal:
    """Cells of noise 40 dB over that of the converter, through a gain that moves, with something added."""
    rng = np.random.default_rng(1)
    sent = 100.0 * rng.standard_normal(FRAMES)
    returned = gain * sent + added + rng.standard_normal(FRAMES)
    return np.stack([each.reshape(-1, CELL).sum(axis=1) for each in (returned**2, returned * sent, sent**2)])


def opening() -> Signal:
    """The gain of a gate that opens within 4 ms."""
    since = np.maximum(0.0, np.arange(FRAMES) - AT) / 48.0
    return np.asarray(0.1 + 0.9 * (1.0 - np.exp(-since)))


def gap(frames: int) -> Signal:
    gain = np.ones(FRAMES)
    gain[AT : AT + frames] = 0.0
    return gain


def left(cells: Signal) -> float:
    """Share that a gain in one direction leaves at the place."""
    here = slice(PLACE - 2, PLACE + 14)
    return float(left_by_moving_gain(cells, CELL)[here].sum() / cells[2, here].sum())


def test_a_gate_that_opens_is_explained_by_a_gain_in_one_direction() -> None:
    assert left(energies(opening())) < 0.01


@pytest.mark.parametrize("frames", [100, 480, FRAMES])
def test_a_gap_is_not_explained_by_a_gain_in_one_direction(frames: int) -> None:
    assert left(energies(gap(frames))) > 0.02


def test_a_tick_is_not_explained_by_a_gain_in_one_direction() -> None:
    tick = np.zeros(FRAMES)
    tick[AT + 5] = 2000.0
    assert left(energies(np.ones(FRAMES), tick)) > 0.5


def test_the_step_of_a_gate_is_its_gain_and_that_of_a_gap_is_none() -> None:
    assert step_db(energies(opening()), PLACE, BEYOND, CELL) == pytest.approx(20.0, abs=0.5)
    assert step_db(energies(gap(480)), PLACE, BEYOND, CELL) == pytest.approx(0.0, abs=0.1)
    assert step_db(energies(gap(FRAMES)), PLACE, BEYOND, CELL) == 0.0


def test_an_onset_is_as_large_as_the_rise_of_what_is_expected() -> None:
    expected = np.where(np.arange(CELLS) < PLACE, 1e3, 1e6)
    assert onset_db(expected, PLACE, PLACE + 5, 0.0) == pytest.approx(30.0)


def test_what_is_left_on_both_sides_recurs_and_what_is_left_on_one_does_not() -> None:
    expected = np.full(CELLS, 1e4)
    rest = np.ones(CELLS)
    rest[PLACE] = rest[PLACE + 160] = 1e4
    assert recurrence_db(rest, expected, PLACE, 2, 1.0) > 30.0
    rest[PLACE - 160] = 1e4
    assert recurrence_db(rest, expected, PLACE, 2, 1.0) == pytest.approx(0.0, abs=0.1)


def test_four_at_equal_intervals_are_in_step_and_the_edges_of_a_fault_are_not() -> None:
    assert in_step([4_000, 1_000, 2_000, 3_010], 2_240, 32) == {1_000, 2_000, 3_010, 4_000}
    assert in_step([1_000, 2_000, 3_000, 9_000], 2_240, 32) == set()
    assert in_step([1_000, 1_500, 3_000, 3_300], 2_240, 32) == set()


def test_a_response_that_was_learnt_anew_changes_what_is_expected_of_the_same_sound() -> None:
    cells = energies(np.ones(FRAMES))
    assert response_change_db(cells, PLACE, CELL) < 1.0
    cells[2, PLACE:] *= 100.0
    assert response_change_db(cells, PLACE, CELL) == pytest.approx(20.0, abs=1.0)


def test_a_whitening_that_was_learnt_anew_changes_what_is_heard_and_a_tick_or_a_gap_does_not() -> None:
    heard, raw = energies(np.ones(FRAMES))[0], np.full(CELLS, 1e-6)
    assert whitening_change_db(heard, raw, PLACE) < 1.0
    heard[PLACE + 3] *= 1e4
    assert whitening_change_db(heard, raw, PLACE) < 1.0
    gone = np.where(np.arange(CELLS) >= PLACE, 1e-4, 1.0)
    assert whitening_change_db(heard * gone, raw * gone, PLACE) < 1.0
    heard[PLACE:] *= 100.0
    assert whitening_change_db(heard, raw, PLACE) == pytest.approx(20.0, abs=1.0)
    assert whitening_change_db(heard, raw, 3) == 0.0


def test_what_rings_after_a_word_is_far_below_it() -> None:
    heard = np.full(CELLS, 1.0)
    heard[PLACE - 90] = 1e6
    assert fall_db(heard, PLACE - 4, PLACE + 4) == pytest.approx(60.0, abs=0.1)
    assert fall_db(heard[PLACE - 80 :], 76, 84) == pytest.approx(0.0, abs=0.1)


def test_a_return_sets_in_for_good_or_for_a_moment() -> None:
    raw = np.full(CELLS, 1e-8)
    raw[PLACE : PLACE + 20] = 1.0
    assert lasting_rise_db(raw, PLACE, PLACE + 4) == pytest.approx(0.0, abs=0.1)
    raw[PLACE:] = 1e-4
    assert lasting_rise_db(raw, PLACE, PLACE + 4) == pytest.approx(40.0, abs=0.1)
    # A gap is no onset.
    raw[:PLACE] = 1e-4
    raw[PLACE - 20 : PLACE] = 1e-8
    assert lasting_rise_db(raw, PLACE, PLACE + 4) == pytest.approx(0.0, abs=0.1)


def closing(opens_after: int) -> Signal:
    """The gain of a gate that loses 1 dB a millisecond and opens again within 1 ms, after so many frames."""
    since = np.arange(FRAMES) - AT
    gain = np.where(since < 0, 1.0, 10.0 ** (-np.minimum(since, opens_after) / 48.0 / 20.0))
    open_for = np.maximum(since - opens_after, 0) / 48.0
    return np.asarray(1.0 - (1.0 - gain) * np.exp(-open_for))


def test_a_gate_that_closes_is_half_closed_for_some_time_and_a_gap_never() -> None:
    here = PLACE, PLACE + 60
    assert half_closed(energies(closing(960)), *here, CELL) > 20
    assert half_closed(energies(gap(960)), *here, CELL) <= 1
    # Nor is other music, nor a compressor that takes away 5 dB.
    other = energies(gap(960), 30.0 * np.random.default_rng(3).standard_normal(FRAMES))
    assert half_closed(other, *here, CELL) <= 4
    assert half_closed(energies(0.56 + 0.44 * (gap(960) > 0.5)), *here, CELL) == 0
