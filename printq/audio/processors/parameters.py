"""From the controls of a unit to the parameters of its model."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from printq.models.clock import clock_travel
from printq.models.rig import Control, ControlDrive, Position, Unit
from printq.models.snapshots import PRESET

__all__ = ["drive_value", "unit_parameters"]


def unit_parameters(unit: Unit, settings: Mapping[str, Position]) -> dict[str, float]:
    """Parameter values of a unit's model for some settings: control ids (or `preset`) to positions.

    Controls win over a preset, a preset over the model's own parameters. Controls that drive nothing are left
    out, and so is everything of a unit without a model. Whether the kind has such parameters, and in this range,
    is for `make_processor` to say.

    Raises
    ------
    ValueError
        The unit has no such control or preset, or a position cannot be turned into a value.
    """
    model = unit.model
    if model is None:
        return {}
    values = dict(model.parameters)
    positions = {control.id: control.fixed for control in unit.control if control.fixed is not None}
    for key, position in settings.items():
        if key == PRESET:
            if position not in model.presets:
                raise ValueError(f"the model of {unit.id} has no preset {position!r}; it has {_listed(model.presets)}")
            values |= model.presets[str(position)]
        elif unit.find_control(key) is None:
            raise ValueError(f"{unit.id} has no control {key!r}; it has {_listed(c.id for c in unit.control)}")
        else:
            # A fixed control stays where it is, whatever a snapshot says.
            positions.setdefault(key, position)
    for control in unit.control:
        if control.id in positions and control.id in model.controls:
            drive = model.controls[control.id]
            values[drive.drives] = drive_value(control, drive, positions[control.id])
    return values


def drive_value(control: Control, drive: ControlDrive, position: Position) -> float:
    """The parameter's value at a position of a control.

    Raises
    ------
    ValueError
        The position is not on the control's scale, or scale and drive do not go together.
    """
    if control.positions is not None and position not in control.positions:
        raise ValueError(f"{control.id} has no position {position!r}; it has {_listed(control.positions)}")
    if drive.values is not None:
        places = control.positions or []
        if len(places) != len(drive.values):
            raise ValueError(
                f"{control.id} has {len(places)} positions and {len(drive.values)} values; give one for each"
            )
        return drive.values[places.index(position)]
    if drive.low is not None and drive.high is not None:
        return _between(control, drive.low, drive.high, drive.curve, _travel(control, position))
    if drive.low is not None or drive.high is not None:
        raise ValueError(f"{control.id}: low and high go together, and one of them is missing")
    if isinstance(position, str):
        raise ValueError(f"{control.id}: position {position!r} is no number, so it needs low and high, or values")
    return position


def _between(control: Control, low: float, high: float, curve: str, travel: float) -> float:
    # In this form both ends come out exactly: a value on the limit of a parameter stays within it.
    if curve == "linear":
        return low * (1.0 - travel) + high * travel
    if low <= 0.0 or high <= 0.0:
        raise ValueError(f"{control.id}: a log curve needs low and high above 0; they are {low:g} and {high:g}")
    return float(low ** (1.0 - travel) * high**travel)


def _travel(control: Control, position: Position) -> float:
    """How far a control is turned, from 0 to 1."""
    if control.range is not None:
        travel = _knob_travel(control, *control.range, position)
        if not 0.0 <= travel <= 1.0:
            low, high = control.range
            raise ValueError(
                f"{control.id} cannot stand at {_shown(position)}; it goes from {_shown(low)} to {_shown(high)}"
            )
        return travel
    if control.positions is not None and len(control.positions) > 1:
        return control.positions.index(position) / (len(control.positions) - 1)
    raise ValueError(f"{control.id} has neither a range nor several positions, so low and high say nothing")


def _knob_travel(control: Control, low: Position, high: Position, position: Position) -> float:
    if isinstance(position, str) and isinstance(low, str) and isinstance(high, str):
        try:
            return clock_travel(position, low, high)
        except ValueError as error:
            raise ValueError(f"{control.id}: {error}") from error
    if isinstance(position, str) or isinstance(low, str) or isinstance(high, str):
        raise ValueError(f"{control.id}: {position!r} is not on its scale, {_shown(low)} to {_shown(high)}")
    if low == high:
        raise ValueError(f"{control.id} cannot move: its range begins and ends at {low:g}")
    return (position - low) / (high - low)


def _shown(position: Position) -> str:
    return position if isinstance(position, str) else f"{position:g}"


def _listed(positions: Iterable[Position]) -> str:
    return ", ".join(_shown(position) for position in positions) or "none"
