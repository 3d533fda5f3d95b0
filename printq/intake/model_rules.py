"""Rules of a unit's model on the simulated rack: parameters that its kind has, driven over ranges that they have."""

from __future__ import annotations

from collections.abc import Mapping

from printq.audio.processors import KINDS, parameters_of
from printq.audio.processors.base import Parameter
from printq.intake.locate import KeyPath
from printq.intake.reading import SourceFile
from printq.intake.wording import show_number, suggest
from printq.models.rig import Control, ControlDrive, Unit

__all__ = ["check_model"]


def check_model(source: SourceFile, unit: Unit, unit_at: KeyPath) -> None:
    """Report everything that is wrong with the model of a unit that has one."""
    model = unit.model
    assert model is not None
    at = (*unit_at, "model")
    if model.kind not in KINDS:
        source.error((*at, "kind"), f"there is no processor {model.kind!r}", suggest(model.kind, list(KINDS)))
        return
    known = {parameter.name: parameter for parameter in parameters_of(model.kind)}
    for name, value in model.parameters.items():
        _check_value(source, (*at, "parameters", name), model.kind, known, name, value)
    if model.presets and unit.recall != "preset" and not source.is_lost((*unit_at, "recall")):
        source.error((*at, "presets"), "this unit is set by hand", 'recall = "preset", or take the presets out')
    for preset, values in model.presets.items():
        for name, value in values.items():
            _check_value(source, (*at, "presets", preset, name), model.kind, known, name, value)
    for control_id, drive in model.controls.items():
        where = (*at, "controls", control_id)
        control = unit.find_control(control_id)
        if control is not None:
            _check_drive(source, where, model.kind, known, control, drive)
        elif not source.has_entry((*unit_at, "control"), control_id):
            ids = [each.id for each in unit.control]
            source.error(where, f"{unit.id} has no control {control_id!r}", suggest(control_id, ids))


def _check_value(
    source: SourceFile, where: KeyPath, kind: str, known: Mapping[str, Parameter], name: str, value: float
) -> None:
    if name not in known:
        source.error(where, f"{kind} has no parameter {name!r}", suggest(name, list(known)))
    elif not known[name].low <= value <= known[name].high:
        low, high = show_number(known[name].low), show_number(known[name].high)
        source.error(
            where, f"{show_number(value)} is out of range of {name}", f"{low} to {high} {known[name].measure}".rstrip()
        )


def _check_drive(
    source: SourceFile,
    where: KeyPath,
    kind: str,
    known: Mapping[str, Parameter],
    control: Control,
    drive: ControlDrive,
) -> None:
    if drive.drives not in known:
        source.error(
            (*where, "drives"), f"{kind} has no parameter {drive.drives!r}", suggest(drive.drives, list(known))
        )
        return
    for key, value in (("low", drive.low), ("high", drive.high)):
        if value is not None:
            _check_value(source, (*where, key), kind, known, drive.drives, value)
    if any(source.is_lost((*where, key)) for key in ("low", "high", "values")):
        return
    if drive.values is not None:
        _check_drive_values(source, where, kind, known, control, drive.drives, drive.values)
    elif (drive.low is None) != (drive.high is None):
        source.error(where, "low and high go together", "give both, or neither")
    elif drive.low is not None and drive.high is not None:
        if drive.curve == "log" and min(drive.low, drive.high) <= 0:
            source.error((*where, "curve"), "a logarithmic travel begins and ends above 0", 'curve = "linear"')
        if control.positions is not None and len(control.positions) == 1:
            source.error(where, f"{control.id} has one position and does not travel", "give values instead")
    else:
        _check_direct_drive(source, where, kind, known, control, drive.drives)


def _check_drive_values(
    source: SourceFile,
    where: KeyPath,
    kind: str,
    known: Mapping[str, Parameter],
    control: Control,
    name: str,
    values: list[float],
) -> None:
    if control.kind == "knob":
        source.error((*where, "values"), "a knob has no list of positions", "low and high")
    elif control.positions is not None and len(values) != len(control.positions):
        source.error(
            (*where, "values"),
            f"the positions of {control.id} and their values differ in number: {len(control.positions)}, {len(values)}",
            "one value for each position, in their order",
        )
    for index, value in enumerate(values):
        _check_value(source, (*where, "values", index), kind, known, name, value)


def _check_direct_drive(
    source: SourceFile, where: KeyPath, kind: str, known: Mapping[str, Parameter], control: Control, name: str
) -> None:
    """Without low, high and values the positions themselves are the values."""
    places = control.range or control.positions or []
    if any(isinstance(place, str) for place in places):
        source.error(where, f"the positions of {control.id} are no numbers", "give low and high, or values")
        return
    for place in places:
        if not isinstance(place, str) and not known[name].low <= place <= known[name].high:
            _check_value(source, where, kind, known, name, place)
            return
