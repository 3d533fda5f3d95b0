"""Whether something brief is one wrong sample, with whitened signals made by hand."""

from __future__ import annotations

import numpy as np
import pytest

from printq.measure.impulses import AROUND, alone_db, explained
from tests.measure.signals import Signal

CELL, CELLS = 16, 2 * AROUND + 1
FRAMES, AT = CELL * CELLS, CELL * AROUND + 11
NEAR = 20


def whitened() -> Signal:
    """An impulse of 1 where the treble counts more than the bass."""
    impulse = np.zeros(25)
    impulse[10:15] = (0.1, -0.6, 1.0, -0.6, 0.1)
    return impulse


def with_impulses(signal: Signal, places: list[int], level: float) -> Signal:
    faulty = signal.copy()
    for place in places:
        faulty[place - 12 : place + 13] += level * whitened()
    return faulty


def music() -> tuple[Signal, Signal]:
    """What was expected, 30 dB over the noise, and the noise."""
    rng = np.random.default_rng(5)
    return 30.0 * rng.standard_normal(FRAMES), rng.standard_normal(FRAMES)


def alone(returned: Signal, expected: Signal, place: int = AT) -> float:
    cells = np.stack([each.reshape(-1, CELL).sum(axis=1) for each in (returned * expected, expected * expected)])
    return alone_db(returned, expected, cells, whitened(), place, CELL)


@pytest.mark.parametrize("loud", [0.0, 1.0])
def test_one_sample_is_known_under_louder_music_whose_gain_moves_and_over_noise_alone(loud: float) -> None:
    expected, noise = music()
    expected = loud * expected
    # From half to one and a half within 40 ms; the impulse has a sixtieth of the music's energy in its millisecond.
    gain = np.linspace(0.5, 1.5, FRAMES)
    returned = with_impulses(gain * expected + noise, [AT], 20.0)
    part, place = explained(returned, expected, whitened(), NEAR)
    assert place == AT
    assert part > 0.9
    assert alone(returned, expected) > 10.0


def test_a_bent_crest_is_no_impulse() -> None:
    expected, noise = music()
    crest = np.zeros(FRAMES)
    crest[AT - 8 : AT + 9] = 40.0 * np.hanning(17)
    part, _ = explained(expected + noise - crest, expected, whitened(), NEAR)
    assert part < 0.5


def test_a_gap_of_six_samples_is_not_one_impulse() -> None:
    expected, noise = music()
    returned = expected + noise
    returned[AT : AT + 6] = 0.0
    part, _ = explained(returned, expected, whitened(), NEAR)
    assert part < 0.8


def test_what_comes_again_after_10_ms_is_not_alone() -> None:
    expected, noise = music()
    returned = with_impulses(expected + noise, [AT - 480, AT, AT + 480], 40.0)
    assert explained(returned, expected, whitened(), NEAR)[0] > 0.9
    assert alone(returned, expected) < 1.0


def test_an_error_that_is_larger_only_where_more_is_expected_leaves_an_impulse_alone() -> None:
    expected, noise = music()
    louder = AT + 400
    expected[louder - 100 : louder + 100] *= 10.0
    # Twice the impulse, in music ten times as loud.
    returned = with_impulses(with_impulses(expected + noise, [AT], 40.0), [louder], 80.0)
    assert alone(returned, expected) > 10.0
    # The same error in music that is no louder.
    assert alone(with_impulses(returned, [AT - 400], 80.0), expected) < 0.0
