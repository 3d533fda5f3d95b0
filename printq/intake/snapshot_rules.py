"""Rules of snapshots: every control that can move has a place, and one that it can stand at."""

from __future__ import annotations

from printq.intake.locate import KeyPath
from printq.intake.reading import SourceFile
from printq.intake.rig_rules import position_problem
from printq.intake.wording import find_close, show_number, suggest
from printq.models.rig import Rig, Unit
from printq.models.snapshots import PRESET, Snapshot

__all__ = ["check_snapshot"]


def check_snapshot(source: SourceFile, snapshot: Snapshot, index: int, rig_source: SourceFile, rig: Rig) -> None:
    """Report everything that is wrong with a snapshot, the one at `index` in its file."""
    at = ("snapshot", index)
    _check_photo(source, snapshot, at)
    insert = rig.find_insert(snapshot.insert)
    if insert is None:
        if not rig_source.has_entry(("insert",), snapshot.insert):
            known = [each.id for each in rig.insert]
            source.error((*at, "insert"), f"there is no insert {snapshot.insert!r}", suggest(snapshot.insert, known))
        return
    names = list(insert.each_unit())
    units = rig.units_of(insert)
    # Where a unit of the insert is misspelt in the rig, its settings are not the mistake.
    whole = len(units) == len(names) and not rig_source.is_lost(("insert", insert.id, "units"))
    for name in snapshot.settings:
        if name not in names and whole:
            source.error((*at, "settings", name), f"unit {name!r} is not on insert {insert.id}", suggest(name, names))
    misspelt = {find_close(name, names) for name in snapshot.settings if name not in names}
    for unit in units:
        if unit.id in snapshot.settings or unit.id not in misspelt:
            _check_unit(source, snapshot, at, unit, rig_source, rig)


def _check_photo(source: SourceFile, snapshot: Snapshot, at: KeyPath) -> None:
    if snapshot.photo is None:
        return
    try:
        there = (source.path.parent / snapshot.photo).is_file()
    except OSError:  # a name that is too long
        there = False
    if not there:
        source.caution((*at, "photo"), f"{snapshot.photo} is not there", "take the picture, or take the key out")


def _check_unit(
    source: SourceFile, snapshot: Snapshot, snapshot_at: KeyPath, unit: Unit, rig_source: SourceFile, rig: Rig
) -> None:
    at = (*snapshot_at, "settings", unit.id)
    if source.is_lost(at):
        return
    settings = snapshot.settings.get(unit.id, {})
    movable = {control.id: control for control in unit.control if control.fixed is None}
    misspelt: set[str | None] = set()
    for name, position in settings.items():
        if name == PRESET:
            _check_preset(source, at, unit, position, rig_source, rig)
            continue
        control = unit.find_control(name)
        if control is None:
            if not rig_source.has_entry(("unit", unit.id, "control"), name):
                source.error((*at, name), f"{unit.id} has no control {name!r}", suggest(name, list(movable)))
                misspelt.add(find_close(name, list(movable)))
        elif control.fixed is not None:
            source.error((*at, name), f"{name} is fixed and never moved", "take it out of the snapshot")
        elif (problem := position_problem(control, position)) is not None:
            source.error((*at, name), *problem)
    # What was written counts, with positions that are wrong: those have a report of their own.
    written = source.written_at(at) or {}
    fixed_lost = {name for name in movable if rig_source.is_lost(("unit", unit.id, "control", name, "fixed"))}
    missing = [name for name in movable if name not in written and name not in fixed_lost | misspelt]
    where = at if unit.id in snapshot.settings else snapshot_at
    also = ", or name a preset" if unit.recall == "preset" else ""
    if missing and PRESET not in written:
        source.error(
            where,
            f"incomplete: {unit.id} has no position for {', '.join(missing)}",
            f"write one for each under [snapshot.settings.{unit.id}]{also}",
        )
    elif unit.recall == "preset" and not written and not movable and not rig_source.is_lost(("unit", unit.id)):
        source.error(
            where, f"incomplete: {unit.id} has no preset", f"name it under [snapshot.settings.{unit.id}]: preset = …"
        )


def _check_preset(
    source: SourceFile, at: KeyPath, unit: Unit, position: float | str, rig_source: SourceFile, rig: Rig
) -> None:
    where = (*at, PRESET)
    if unit.recall != "preset":
        if not rig_source.is_lost(("unit", unit.id, "recall")):
            source.error(where, f"{unit.id} is set by hand and stores no presets", "give every control its position")
    elif not isinstance(position, str):
        source.error(where, f"{show_number(position)} is no preset name", "the name in quotes")
    elif unit.model is not None and position not in unit.model.presets:
        # On a real rack the model is not asked, and need not know every preset.
        asked = rig.interface.driver == "simulated"
        if asked and not rig_source.is_lost(("unit", unit.id, "model", "presets")):
            source.error(where, f"{unit.id} has no preset {position!r}", suggest(position, list(unit.model.presets)))
