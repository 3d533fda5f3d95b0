"""Pieces that are not what was expected, from signals made by hand: a bass-heavy noise, its gain, its noise."""

from __future__ import annotations

import numpy as np
import pytest

from printq.measure.replaced import AFTER, BEFORE, Replaced, replaced
from tests.measure.signals import Signal

CELL = 16
FRAMES = (BEFORE + AFTER) * CELL
AT = BEFORE * CELL
"""Where something is suspicious."""


def music(seed: int = 3) -> Signal:
    """Noise that falls by 6 dB an octave above 200 Hz, as music does, with a mean square of 1."""
    rng = np.random.default_rng(seed)
    spectrum = np.fft.rfft(rng.standard_normal(FRAMES))
    spectrum /= np.hypot(1.0, np.arange(len(spectrum)) * 48_000.0 / FRAMES / 200.0)
    made = np.fft.irfft(spectrum, FRAMES)
    return np.asarray(made / made.std())


def noise(level: float = 0.001) -> Signal:
    return level * np.random.default_rng(4).standard_normal(FRAMES)


def gain() -> Signal:
    """What a compressor does in 140 ms."""
    return np.linspace(1.3, 0.7, FRAMES)


def look(heard: Signal, expected: Signal, low: int = AT - 8, high: int = AT + 8) -> Replaced | None:
    return replaced(heard, expected, low, high, CELL)


@pytest.mark.parametrize("length", [5, 40, 300, 2000])
@pytest.mark.parametrize("suspicious", ["first edge", "last edge"])
def test_a_gap_is_known_to_the_sample(length: int, suspicious: str) -> None:
    expected = music()
    start = AT if suspicious == "first edge" else AT - length
    heard = gain() * expected
    heard[start : start + length] = 0.0
    found = look(heard + noise(), expected)
    assert found is not None
    assert (found.kind, found.edges) == ("gap", 2)
    # A sample at an edge may be near nought by itself.
    assert abs(found.start - start) <= 1
    assert abs(found.end - start - length) <= 1


@pytest.mark.parametrize("length", [49, 150, 616, 2000])
@pytest.mark.parametrize("suspicious", ["first edge", "last edge"])
def test_a_repeat_is_known_to_the_sample(length: int, suspicious: str) -> None:
    expected = music()
    start = AT if suspicious == "first edge" else AT - length
    clean = gain() * expected
    heard = clean.copy()
    heard[start : start + length] = clean[start - length : start]
    found = look(heard + noise(), expected)
    assert found is not None
    assert (found.kind, found.edges) == ("repeat", 2)
    assert abs(found.start - start) <= 2
    assert abs(found.end - start - length) <= 2


def test_what_is_as_expected_is_neither() -> None:
    expected = music()
    assert look(gain() * expected + noise(), expected) is None


def test_a_note_that_begins_in_a_gap_leaves_one_sharp_edge() -> None:
    expected = music()
    expected[: AT - 400] *= 0.0005
    heard = gain() * expected
    heard[AT - 900 : AT] = 0.0
    found = look(heard + noise(), expected)
    assert found is not None
    assert (found.kind, found.edges) == ("gap", 1)
    assert abs(found.end - AT) <= 1


def test_a_note_that_ends_in_a_gap_leaves_one_sharp_edge() -> None:
    expected = music()
    expected[AT + 400 :] *= 0.0005
    heard = gain() * expected
    heard[AT : AT + 900] = 0.0
    found = look(heard + noise(), expected)
    assert found is not None
    assert (found.kind, found.edges) == ("gap", 1)
    assert abs(found.start - AT) <= 1


@pytest.mark.parametrize("attack_ms", [0.1, 0.5, 2.0])
def test_a_gate_that_is_late_is_no_gap(attack_ms: float) -> None:
    expected = music()
    expected[: AT - 400] *= 0.0005
    opening = np.zeros(FRAMES)
    opening[AT:] = 1.0 - np.exp(-np.arange(FRAMES - AT) / (attack_ms * 48.0))
    assert look(opening * expected + noise(), expected) is None


def test_a_gate_that_closes_and_opens_is_no_gap() -> None:
    expected = music()
    closing = np.ones(FRAMES)
    closing[AT : AT + 480] = np.exp(-np.arange(480) / 100.0)
    closing[AT + 480 :] = 1.0 - np.exp(-np.arange(FRAMES - AT - 480) / 100.0)
    assert look(closing * expected + noise(), expected) is None


def test_the_stems_own_silence_is_no_gap() -> None:
    expected = music()
    expected[AT : AT + 300] = 0.0
    assert look(gain() * expected + noise(), expected) is None


def test_a_gain_that_jumps_is_no_gap() -> None:
    expected = music()
    heard = expected.copy()
    heard[AT:] *= 0.2
    assert look(heard + noise(), expected) is None


def test_noise_that_stops_is_no_gap() -> None:
    """A gap cannot be seen where nothing is expected."""
    expected = 0.0005 * music()
    heard = expected + noise()
    heard[AT : AT + 300] = 0.0
    assert look(heard, expected) is None


def test_a_crest_that_is_bent_alike_in_every_period_is_no_repeat() -> None:
    turns = np.arange(FRAMES) / 437.0
    expected = np.sin(2.0 * np.pi * turns) + 0.3 * np.sin(6.0 * np.pi * turns)
    heard = np.clip(expected, -1.0, 0.8)
    assert look(heard + noise(), expected) is None


def test_a_tone_is_like_itself_and_so_is_its_stem() -> None:
    turns = np.arange(FRAMES) / 437.0
    expected = np.sin(2.0 * np.pi * turns)
    assert look(gain() * expected + noise(), expected) is None


@pytest.mark.parametrize("place", [0, FRAMES - 1])
def test_what_is_looked_at_may_begin_or_end_anywhere(place: int) -> None:
    expected = music()
    heard = expected.copy()
    heard[max(0, place - 100) : place + 100] = 0.0
    look(heard, expected, max(0, place - 8), min(FRAMES, place + 8))


@pytest.mark.parametrize("level", [0.0, 1.0])
def test_silence_is_neither(level: float) -> None:
    assert look(np.zeros(FRAMES), level * music()) is None
    assert look(level * music(), np.zeros(FRAMES)) is None


@pytest.mark.parametrize("constant_ms", [0.3, 1.0])
def test_a_gate_that_closes_and_opens_at_once_leaves_no_gap(constant_ms: float) -> None:
    expected = music()
    start, length = AT - 2000, 2000
    closing = gain()
    closing[start:AT] *= np.exp(-np.arange(length) / (48.0 * constant_ms))
    assert look(closing * expected + noise(), expected) is None
    # All at once, it is one.
    closing[start:AT] = 0.0
    found = look(closing * expected + noise(), expected)
    assert found is not None
    assert found.kind == "gap"


def test_a_gap_is_looked_for_where_something_is_suspicious_and_not_where_a_gain_moved() -> None:
    expected = music()
    moved = gain()
    # Some 25 ms earlier the unit was 6 dB down, for longer than the gap, and more is left there.
    moved[AT - 1600 : AT - 800] *= 0.5
    heard = moved * expected
    heard[AT : AT + 300] = 0.0
    found = look(heard + noise(), expected)
    assert found is not None
    assert (found.kind, found.edges) == ("gap", 2)
    assert abs(found.start - AT) <= 1


def test_a_gap_in_which_a_note_begins_is_known_by_its_end_and_a_gate_that_opens_is_none() -> None:
    expected = music()
    begins = AT - 200
    expected[:begins] *= 1e-4
    heard = gain() * expected
    heard[AT - 500 : AT] = 0.0
    found = look(heard + noise(), expected)
    assert found is not None
    assert (found.kind, found.edges) == ("gap", 1)
    assert abs(found.end - AT) <= 1
    # A time constant of 0.1 ms.
    opening = np.ones(FRAMES)
    opening[:AT] = 0.0
    opening[AT:] -= np.exp(-np.arange(FRAMES - AT) / 4.8)
    assert look(opening * gain() * expected + noise(), expected) is None
