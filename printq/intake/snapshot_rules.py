"""Rules of snapshots: every control that can move has a place, and one that it can stand at."""

from __future__ import annotations

from printq.intake.reading import SourceFile, suggest
from printq.intake.rig_rules import position_problem
from printq.models.rig import Rig, Unit
from printq.models.snapshots import PRESET, Snapshot

__all__ = ["check_snapshot"]


def check_snapshot(source: SourceFile, rig: Rig, snapshot: Snapshot) -> None:
    """Report everything that is wrong with a snapshot."""
    at = ("snapshot", snapshot.id)
    insert = rig.find_insert(snapshot.insert)
    if insert is None:
        known = [each.id for each in rig.insert]
        source.error((*at, "insert"), f"there is no insert {snapshot.insert!r}", suggest(snapshot.insert, known))
        return
    if snapshot.photo is not None and not (source.path.parent / snapshot.photo).exists():
        source.caution((*at, "photo"), f"{snapshot.photo} is not there", "take the picture, or the key out")
    units = {unit.id: unit for unit in rig.units_of(insert)}
    for name in snapshot.settings:
        if name not in units:
            source.error(
                (*at, "settings", name), f"unit {name!r} is not on insert {insert.id}", suggest(name, list(units))
            )
    for unit in units.values():
        _check_unit(source, snapshot, unit)


def _check_unit(source: SourceFile, snapshot: Snapshot, unit: Unit) -> None:
    at = ("snapshot", snapshot.id, "settings", unit.id)
    settings = snapshot.settings.get(unit.id, {})
    movable = {control.id: control for control in unit.control if control.fixed is None}
    for name, position in settings.items():
        if name == PRESET and unit.find_control(PRESET) is None:
            _check_preset(source, at, unit, position)
            continue
        control = unit.find_control(name)
        if control is None:
            source.error((*at, name), f"{unit.id} has no control {name!r}", suggest(name, list(movable)))
        elif control.fixed is not None:
            source.error((*at, name), f"{name} is fixed and never moved", "take it out of the snapshot")
        elif (problem := position_problem(control, position)) is not None:
            source.error((*at, name), *problem)
    missing = [name for name in movable if name not in settings]
    if missing and PRESET not in settings:
        where = at if unit.id in snapshot.settings else ("snapshot", snapshot.id)
        also = ", or a preset" if unit.recall == "preset" else ""
        source.error(
            where,
            f"incomplete: {unit.id} has no position for {', '.join(missing)}",
            f"give every control one{also}",
        )
    elif unit.recall == "preset" and not settings and not movable:
        source.error(("snapshot", snapshot.id), f"incomplete: {unit.id} has no preset", "name the stored preset")


def _check_preset(source: SourceFile, at: tuple[str, ...], unit: Unit, position: float | str) -> None:
    if unit.recall != "preset":
        source.error(
            (*at, PRESET), f"{unit.id} is set by hand and stores no presets", "give every control its position"
        )
    elif not isinstance(position, str):
        source.error((*at, PRESET), f"{position:g} is no preset name", "the name in quotes")
    elif unit.model is not None and unit.model.presets and position not in unit.model.presets:
        source.error(
            (*at, PRESET), f"{unit.id} has no preset {position!r}", suggest(position, list(unit.model.presets))
        )
