"""From the controls of a unit to the parameters of its model."""

from __future__ import annotations

from collections.abc import Mapping

from printq.models.clock import clock_travel
from printq.models.rig import Control, ControlDrive, Position, Unit
from printq.models.snapshots import PRESET

__all__ = ["unit_parameters"]


def unit_parameters(unit: Unit, settings: Mapping[str, Position]) -> dict[str, float]:
    """Parameter values of a unit's model for some settings: control ids (or `preset`) to positions.

    Controls win over a preset, a preset over the model's own parameters. Raises ValueError where a position
    cannot be turned into a value.
    """
    model = unit.model
    if model is None:
        return {}
    values = dict(model.parameters)
    preset = settings.get(PRESET)
    if preset is not None:
        values |= model.presets.get(str(preset), {})
    for control in unit.control:
        drive = model.controls.get(control.id)
        position = control.fixed if control.fixed is not None else settings.get(control.id)
        if drive is not None and position is not None:
            values[drive.drives] = drive_value(control, drive, position)
    return values


def drive_value(control: Control, drive: ControlDrive, position: Position) -> float:
    """The parameter's value at a position of a control."""
    if drive.values is not None:
        places = control.positions or []
        if position not in places or len(places) != len(drive.values):
            raise ValueError(f"{control.id}: {position!r} has no value among {places}")
        return drive.values[places.index(position)]
    if drive.low is not None and drive.high is not None:
        turn = _travel(control, position)
        if drive.curve == "log":
            return float(drive.low * (drive.high / drive.low) ** turn)
        return drive.low + turn * (drive.high - drive.low)
    if isinstance(position, str):
        raise ValueError(f"{control.id}: position {position!r} is no number, so it needs low and high, or values")
    return position


def _travel(control: Control, position: Position) -> float:
    """How far a control is turned, from 0 to 1."""
    if control.range is not None:
        low, high = control.range
        if isinstance(position, str) and isinstance(low, str) and isinstance(high, str):
            return clock_travel(position, low, high)
        if not isinstance(position, str) and not isinstance(low, str) and not isinstance(high, str):
            return (position - low) / (high - low)
    if control.positions is not None and position in control.positions and len(control.positions) > 1:
        return control.positions.index(position) / (len(control.positions) - 1)
    raise ValueError(f"{control.id}: {position!r} is not on its scale")
