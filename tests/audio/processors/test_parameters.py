"""From positions of controls to values of parameters."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from printq.audio.processors.parameters import unit_parameters
from printq.models.rig import Unit


def make_unit(control=None, drive=None, **model):
    """A compressor with one control, `knob`, that drives `threshold_db`, or as given."""
    control = {"id": "knob", "kind": "knob", "range": (0.0, 10.0), **(control or {})}
    drive = {"drives": "threshold_db", **(drive or {})}
    return Unit.model_validate(
        {
            "id": "squeeze",
            "control": [control],
            "model": {"kind": "vca-compressor", "controls": {"knob": drive}, **model},
        }
    )


def value_at(position, control=None, drive=None):
    return unit_parameters(make_unit(control, drive), {"knob": position})["threshold_db"]


CLOCK = {"range": ("7:00", "5:00"), "measure": "clock"}
STEPS = {"kind": "stepped", "range": None, "positions": ["slow", "mid", "fast"]}


@pytest.mark.parametrize(
    ("position", "control", "drive", "expected"),
    [
        pytest.param(2.5, {}, {"low": -40.0, "high": 0.0}, -30.0, id="linear"),
        pytest.param(2.5, {}, {"low": 0.0, "high": -40.0}, -10.0, id="linear-downwards"),
        pytest.param(5.0, {}, {"low": 20.0, "high": 2000.0, "curve": "log"}, 200.0, id="log"),
        pytest.param(-7.0, {"range": (-12.0, 12.0)}, {}, -7.0, id="position-itself"),
        pytest.param("12:00", CLOCK, {"low": 0.0, "high": 8.0}, 4.0, id="clock"),
        pytest.param("9:30", CLOCK, {"low": 10.0, "high": 160.0, "curve": "log"}, 20.0, id="clock-log"),
        pytest.param("mid", STEPS, {"values": [1.0, 5.0, 9.0]}, 5.0, id="stepped-values"),
        pytest.param("mid", STEPS, {"low": 1.0, "high": 2.0}, 1.5, id="stepped-low-high"),
        pytest.param(4.0, {**STEPS, "positions": [2.0, 4.0, 10.0]}, {}, 4.0, id="stepped-numbers"),
        pytest.param(
            "in", {**STEPS, "kind": "switch", "positions": ["in", "out"]}, {"values": [1, 0]}, 1.0, id="switch"
        ),
    ],
)
def test_a_position_becomes_a_value(position, control, drive, expected):
    assert value_at(position, control, drive) == pytest.approx(expected)


@pytest.mark.parametrize(
    ("position", "control", "drive", "message"),
    [
        pytest.param(11.0, {}, {"low": 0.0, "high": 1.0}, "cannot stand at 11.*0 to 10", id="beyond"),
        pytest.param("6:00", CLOCK, {"low": 0.0, "high": 1.0}, "cannot stand at 6:00", id="dead-part"),
        pytest.param("25:00", CLOCK, {"low": 0.0, "high": 1.0}, "knob: .*no clock position", id="no-time"),
        pytest.param(3.0, CLOCK, {"low": 0.0, "high": 1.0}, "not on its scale", id="number-on-clock"),
        pytest.param("3", {}, {"low": 0.0, "high": 1.0}, "not on its scale", id="text-on-numbers"),
        pytest.param("12:00", CLOCK, {}, "is no number", id="clock-without-low-and-high"),
        pytest.param(3.0, {}, {"low": 0.0}, "one of them is missing", id="low-alone"),
        pytest.param(3.0, {}, {"low": 0.0, "high": 9.0, "curve": "log"}, "above 0", id="log-from-zero"),
        pytest.param(3.0, {"range": (3.0, 3.0)}, {"low": 0.0, "high": 1.0}, "cannot move", id="no-travel"),
        pytest.param(3.0, {"range": None}, {"low": 0.0, "high": 1.0}, "neither a range", id="no-range"),
        pytest.param(
            "off", STEPS, {"values": [1.0, 2.0, 3.0]}, "no position 'off'.*slow, mid, fast", id="no-such-step"
        ),
        pytest.param("mid", STEPS, {"values": [1.0, 2.0]}, "3 positions and 2 values", id="values-short"),
        pytest.param("mid", STEPS, {}, "is no number", id="text-without-values"),
    ],
)
def test_what_cannot_become_a_value_is_refused(position, control, drive, message):
    with pytest.raises(ValueError, match=message):
        value_at(position, control, drive)


def test_a_control_wins_over_a_preset_and_a_preset_over_the_model():
    unit = make_unit(
        drive={"drives": "ratio"},
        parameters={"ratio": 2.0, "attack_ms": 1.0, "release_ms": 100.0},
        presets={"gentle": {"ratio": 3.0, "attack_ms": 30.0}},
    )
    settings = {"knob": 8.0, "preset": "gentle"}
    assert unit_parameters(unit, settings) == {"ratio": 8.0, "attack_ms": 30.0, "release_ms": 100.0}
    assert unit_parameters(unit, {"preset": "gentle"})["ratio"] == 3.0
    assert unit_parameters(unit, {})["ratio"] == 2.0


def test_a_preset_that_the_model_does_not_have_is_refused_with_those_it_has():
    with pytest.raises(ValueError, match="no preset 'wild'; it has gentle"):
        unit_parameters(make_unit(presets={"gentle": {}}), {"preset": "wild"})


def test_a_control_that_the_unit_does_not_have_is_refused():
    with pytest.raises(ValueError, match="no control 'lever'; it has knob"):
        unit_parameters(make_unit(), {"lever": 1.0})


def test_a_fixed_control_drives_its_parameter_without_a_snapshot():
    assert unit_parameters(make_unit(control={"fixed": 4.0}), {}) == {"threshold_db": 4.0}


def test_controls_that_drive_nothing_are_left_out():
    unit = Unit.model_validate(
        {
            "id": "u",
            "control": [{"id": "lamp", "kind": "switch", "positions": ["on", "off"]}],
            "model": {"kind": "wire"},
        }
    )
    assert unit_parameters(unit, {"lamp": "on"}) == {}


def test_a_unit_without_a_model_has_no_parameters():
    assert unit_parameters(Unit(id="cable"), {}) == {}


@given(st.floats(-1e6, 1e6), st.floats(-1e6, 1e6))
def test_the_ends_of_a_knob_give_low_and_high_exactly(low, high):
    assert value_at(0.0, drive={"low": low, "high": high}) == low
    assert value_at(10.0, drive={"low": low, "high": high}) == high
