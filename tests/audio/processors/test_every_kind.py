"""What holds for every kind of processor."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from printq.audio.processors import KINDS, make_processor
from printq.audio.processors.base import QUANTUM

from .signals import noise, play

ACTIVE = {
    "wire": {},
    "parametric-equaliser": {"high_pass_hz": 60.0, "low_db": 4.0, "bell1_db": -5.0, "bell2_db": 3.0, "high_db": 6.0},
    "vca-compressor": {"threshold_db": -30.0, "ratio": 4.0, "attack_ms": 0.1},
    "opto-compressor": {"threshold_db": -30.0, "ratio": 4.0, "attack_ms": 1.0},
    "transient-shaper": {"attack_db": 9.0, "sustain_db": -6.0},
    "gate": {"threshold_db": -10.0, "range_db": 30.0, "attack_ms": 0.1},
    "valve-saturation": {"drive_db": 12.0, "bias": 0.4, "tone_hz": 8_000.0},
    "tape-saturation": {"drive_db": 12.0, "bump_db": 3.0},
    "spring-reverb": {"mix": 0.5},
    "echo": {"mix": 0.5, "time_ms": 30.0},
}
"""A setting of each kind at which it does something."""

NEUTRAL = {
    "wire": {},
    "parametric-equaliser": {},
    "vca-compressor": {"threshold_db": -40.0, "ratio": 1.0},
    "opto-compressor": {"threshold_db": -40.0, "ratio": 1.0},
    "transient-shaper": {},
    "gate": {"range_db": 0.0},
    "valve-saturation": {"drive_db": 0.0, "bias": 0.8},
    "tape-saturation": {"drive_db": 0.0, "bump_db": 0.0, "loss": 0.0},
    "spring-reverb": {"mix": 0.0},
    "echo": {"mix": 0.0},
}

LINKED = [kind for kind, info in KINDS.items() if any(parameter.name == "link" for parameter in info.parameters)]


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("channels", [1, 2])
def test_a_neutral_setting_changes_no_bit(kind, channels):
    signal = noise(5 * QUANTUM, channels)
    assert np.array_equal(play(kind, signal, **NEUTRAL[kind]), signal)


def test_a_compressor_with_nothing_of_it_mixed_in_changes_no_bit():
    signal = noise(5 * QUANTUM)
    assert np.array_equal(play("vca-compressor", signal, **ACTIVE["vca-compressor"], mix=0.0), signal)


@pytest.mark.parametrize("kind", [kind for kind in KINDS if kind != "wire"])
def test_the_active_setting_changes_the_sound(kind):
    signal = noise(5 * QUANTUM)
    assert np.abs(play(kind, signal, **ACTIVE[kind]) - signal).max() > 0.01


@pytest.mark.parametrize("kind", KINDS)
def test_two_processors_give_the_same_bits(kind):
    signal = noise(8 * QUANTUM, 2)
    assert np.array_equal(play(kind, signal, **ACTIVE[kind]), play(kind, signal, **ACTIVE[kind]))


@pytest.mark.parametrize("kind", KINDS)
def test_the_block_is_left_unchanged(kind):
    block = noise(QUANTUM, 2)
    before = block.copy()
    make_processor(kind, 48_000, 2, ACTIVE[kind]).process(block)
    assert np.array_equal(block, before)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("frame", [2500, 2512, 4095])
def test_nothing_acts_before_its_cause(kind, frame):
    signal = noise(3 * QUANTUM)
    other = signal.copy()
    other[frame:] *= 0.01
    other[frame] = 1.0
    early = play(kind, signal, **ACTIVE[kind])[:frame] - play(kind, other, **ACTIVE[kind])[:frame]
    # The springs' FFT takes a quantum at once: its rounding, not its result, hangs on what follows.
    assert np.abs(early).max() <= (1e-15 if kind == "spring-reverb" else 0.0)


@pytest.mark.parametrize("kind", KINDS)
def test_a_silent_input_stays_silent(kind):
    assert not play(kind, np.zeros((6 * QUANTUM, 2)), **ACTIVE[kind]).any()


@pytest.mark.parametrize("kind", KINDS)
def test_sides_that_are_not_linked_are_two_mono_units(kind):
    signal = noise(6 * QUANTUM, 2) * [1.0, 0.1]
    unlinked = {"link": 0.0} if kind in LINKED else {}
    if kind == "transient-shaper":
        pytest.skip("its sides are always linked")
    both = play(kind, signal, **ACTIVE[kind], **unlinked)
    for side in (0, 1):
        alone = play(kind, signal[:, side], **ACTIVE[kind], **unlinked)
        assert both[:, side] == pytest.approx(alone, abs=1e-14)


@pytest.mark.parametrize("kind", LINKED)
def test_linked_sides_get_the_gain_of_the_louder_one(kind):
    loud = noise(6 * QUANTUM)[:, 0]
    both = play(kind, np.stack((0.1 * loud, loud), axis=1), **ACTIVE[kind])
    assert both[:, 0] == pytest.approx(0.1 * both[:, 1], abs=1e-14)
    assert both[:, 1] == pytest.approx(play(kind, loud, **ACTIVE[kind]), abs=1e-14)


@st.composite
def any_setting(draw):
    kind = draw(st.sampled_from(list(KINDS)))
    parameters = {p.name: draw(st.floats(p.low, p.high)) for p in KINDS[kind].parameters}
    return kind, parameters


@given(any_setting(), st.sampled_from([8_000, 44_100, 48_000, 96_000, 192_000]))
@settings(max_examples=60, deadline=None)
def test_every_legal_setting_at_every_rate_gives_finite_sound(setting, rate):
    kind, parameters = setting
    heard = play(kind, noise(4 * QUANTUM, 2), rate=rate, **parameters)
    assert np.isfinite(heard).all()


@pytest.mark.parametrize("kind", ["spring-reverb", "echo"])
@pytest.mark.parametrize("rate", [8_000, 48_000, 192_000])
def test_a_loop_at_its_longest_dies_away(kind, rate):
    longest = {
        "spring-reverb": {"decay_s": 6.0, "mix": 1.0, "dispersion": 1.0, "tone_hz": 10_000.0},
        "echo": {"time_ms": 50.0, "feedback": 0.9, "mix": 1.0, "tone_hz": 16_000.0},
    }
    quanta = 8 * rate // QUANTUM
    signal = np.zeros(quanta * QUANTUM)
    signal[:QUANTUM] = noise(QUANTUM)[:, 0]
    heard = play(kind, signal, rate=rate, **longest[kind])
    assert np.abs(heard[-rate:]).max() < 0.01 * np.abs(heard).max()


def test_a_knee_of_next_to_nothing_is_a_hard_one():
    signal = noise(4 * QUANTUM, 2)
    narrow = play("vca-compressor", signal, **{**ACTIVE["vca-compressor"], "knee_db": 1e-300})
    assert np.allclose(narrow, play("vca-compressor", signal, **{**ACTIVE["vca-compressor"], "knee_db": 0.0}))
