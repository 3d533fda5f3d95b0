"""Stretches that are not the stem, from the energies of cells made by hand: white noise under an envelope."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from printq.measure.stretches import PIECE, Stretch, StretchFinder

Signal = NDArray[np.float64]

CELL = 16
FRAMES = 1200 * PIECE * CELL
AT, LENGTH = 500 * PIECE * CELL, 60 * PIECE * CELL
FAULT = slice(AT, AT + LENGTH)
ROUNDED = PIECE * CELL
"""A piece is either of the stretch or not."""


def take(level: Signal | float = 30.0) -> tuple[Signal, Signal]:
    """A stem, 30 dB over the noise, and what comes back of it with noise of 1 a frame, as if whitened."""
    rng = np.random.default_rng(6)
    sent = level * rng.standard_normal(FRAMES)
    return sent, sent + rng.standard_normal(FRAMES)


def find(sent: Signal, back: Signal, block: int = 896 * CELL, trusted: bool = True) -> list[Stretch]:
    finder = StretchFinder(CELL)
    for first in range(0, FRAMES, block):
        here = slice(first, first + block)
        products = (back[here] ** 2, back[here] * sent[here], sent[here] ** 2, (back[here] - sent[here]) ** 2)
        cells = np.array([each.reshape(-1, CELL).sum(axis=1) for each in products])
        finder.add(cells[:3], cells[3], first, trusted=trusted)
    return finder.result()


def has_its_place(stretch: Stretch) -> bool:
    return abs(stretch.start - AT) <= ROUNDED and abs(stretch.end - AT - LENGTH) <= ROUNDED


def test_where_nothing_comes_back_is_a_gap_that_needs_an_edge() -> None:
    sent, back = take()
    back[FAULT] -= sent[FAULT]
    (found,) = find(sent, back)
    assert has_its_place(found)
    assert (found.kind, found.sure) == ("gap", False)


def test_where_something_else_comes_back_as_loud_is_a_fault_by_itself() -> None:
    sent, back = take()
    back[FAULT] = back[AT - LENGTH : AT]
    (found,) = find(sent, back)
    assert has_its_place(found)
    assert (found.kind, found.sure) == ("repeat", True)


def test_a_unit_with_echoes_is_not_trusted_to_follow_its_stem() -> None:
    sent, back = take()
    back[FAULT] = back[AT - LENGTH : AT]
    assert [each.sure for each in find(sent, back, trusted=False)] == [False]


def test_what_a_unit_adds_at_all_times_makes_a_stretch_no_fault_by_itself() -> None:
    """As a saturated unit, that leaves a twentieth unexplained."""
    sent, back = take()
    back[FAULT] = back[AT - LENGTH : AT]
    back += 0.22 * 30.0 * np.random.default_rng(7).standard_normal(FRAMES)
    assert [each.sure for each in find(sent, back)] == [False]


def test_the_silence_of_the_stem_is_no_stretch_and_no_part_of_one() -> None:
    level = np.full(FRAMES, 30.0)
    level[AT - LENGTH : AT] = 0.0
    sent, back = take(level)
    assert not find(sent, back)
    back[FAULT] -= sent[FAULT]
    (found,) = find(sent, back)
    assert has_its_place(found)


def test_a_gain_that_moves_is_no_stretch() -> None:
    sent, back = take()
    gain = np.ones(FRAMES)
    gain[FAULT] = 0.4
    assert not find(sent, back * gain)


@pytest.mark.parametrize("length", [0.015, 2.5])
def test_what_is_shorter_or_lasts_longer_is_left_to_others(length: float) -> None:
    sent, back = take()
    longer = slice(AT - 20_000, AT - 20_000 + round(length * 48_000))
    back[longer] -= sent[longer]
    assert not find(sent, back)


def test_what_comes_again_and_again_is_how_a_unit_is() -> None:
    sent, back = take()
    for start in range(20 * 128, FRAMES - 80 * 128, 160 * 128):
        back[start : start + 40 * 128] = np.roll(back, 5000)[start : start + 40 * 128]
    assert not find(sent, back)


@pytest.mark.parametrize("pieces", [8, 56, 1200])
def test_it_does_not_depend_on_how_the_take_is_cut(pieces: int) -> None:
    sent, back = take()
    back[FAULT] = back[AT - LENGTH : AT]
    assert find(sent, back, pieces * PIECE * CELL) == find(sent, back)
