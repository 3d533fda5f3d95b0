"""Starts a session folder from exported stems and a rig."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

from printq.errors import FileError, StorageError
from printq.files.atomic import storage_errors, write_atomically
from printq.files.soundfiles import FileFacts, read_facts
from printq.intake.load import load_rig
from printq.models.rig import Control, Insert, Position, Rig, Unit

__all__ = ["start_session"]


def start_session(folder: Path, stems_folder: Path, rig_path: Path) -> list[Path]:
    """Make a session folder; returns the files that were written.

    Stems are copied into `dry/`, unless they lie in the session folder already; the rig is copied as `rig.toml`. The
    job lists every stem with the inserts that fit it, ready to be filled in, and `snapshots.toml` has an example of
    every insert.

    Raises
    ------
    FileError
        There are no stems, or the rig is wrong (JobError).
    StorageError
        A file exists already (nothing is overwritten), or cannot be written.
    """
    rig = load_rig(rig_path)
    stems = _find_stems(stems_folder)
    session = folder.resolve()
    targets: dict[Path, Path | bytes] = {}
    names = _name_stems([path for path, _ in stems])
    entries = []
    for (path, facts), name in zip(stems, names, strict=True):
        if path.resolve().is_relative_to(session):
            place = path.resolve()
        else:
            place = session / "dry" / path.name
            targets[place] = path
        entries.append((name, place.relative_to(session).as_posix(), facts))
    if rig_path.resolve() != session / "rig.toml":
        targets[session / "rig.toml"] = rig_path
    targets[session / "snapshots.toml"] = _snapshots_text(rig).encode()
    targets[session / "job.toml"] = _job_text(folder.resolve().name, entries, rig).encode()
    taken = [path for path in targets if path.exists()]
    if taken:
        raise StorageError(f"{taken[0]} exists already and is never overwritten; name another folder or move it away")
    for path, content in targets.items():
        if isinstance(content, bytes):
            write_atomically(path, content)
        else:
            with storage_errors(path):
                path.parent.mkdir(parents=True, exist_ok=True)
                shutil.copy2(content, path)
    return list(targets)


def _find_stems(folder: Path) -> list[tuple[Path, FileFacts]]:
    if not folder.is_dir():
        raise FileError(f"{folder} is no folder; name the one with the exported stems")
    found = []
    for path in sorted(folder.iterdir()):
        if path.is_file() and not path.name.startswith("."):
            try:
                found.append((path, read_facts(path)))
            except FileError:
                continue  # notes, pictures and the like lie beside stems
    if not found:
        raise FileError(f"there is no audio file in {folder}; export the stems there first")
    return found


def _name_stems(paths: list[Path]) -> list[str]:
    names: list[str] = []
    for path in paths:
        name = re.sub(r"[^a-z0-9]+", "-", path.stem.lower()).strip("-") or "stem"
        number = 2
        unique = name
        while unique in names:
            unique, number = f"{name}-{number}", number + 1
        names.append(unique)
    return names


def _job_text(title: str, stems: list[tuple[str, str, FileFacts]], rig: Rig) -> str:
    lines = [
        "# What goes through what. Uncomment a line under a stem, name a snapshot, then: printq check",
        'format = "printq-job/1"',
        f"title = {_quote(title)}",
        'rig = "rig.toml"',
        'snapshots = ["snapshots.toml"]',
        "",
        "[options]",
        "# bit_depth = 24        # 16, 24 or 32 (float)",
        "# settle_s = 0.0        # plays the opening first, so that detectors are at work",
    ]
    for name, path, facts in stems:
        seconds = facts.frames / facts.rate
        width = "mono" if facts.channels == 1 else "stereo" if facts.channels == 2 else f"{facts.channels} channels"
        lines += [
            "",
            "[[stem]]",
            f'id = "{name}"',
            f"file = {_quote(path)}   # {width}, {seconds:.1f} s, {facts.rate} Hz",
        ]
        fitting = [insert for insert in rig.insert if facts.channels <= insert.channels]
        lines += [
            f'# through = [{{ insert = "{insert.id}", snapshot = "{insert.id}-start" }}]   # {_chain(rig, insert)}, {insert.mode}'
            for insert in fitting
        ]
    return "\n".join([*lines, ""])


def _snapshots_text(rig: Rig) -> str:
    lines = [
        "# Where the controls stand. Copy an entry for every setting that you use, and give it an id of its own.",
        'format = "printq-snapshots/1"',
    ]
    for insert in rig.insert:
        lines += ["", "[[snapshot]]", f'id = "{insert.id}-start"', f'insert = "{insert.id}"', 'note = ""']
        for unit in rig.units_of(insert):
            lines.append(f"[snapshot.settings.{unit.id}]")
            lines += _unit_lines(unit)
    return "\n".join([*lines, ""])


def _unit_lines(unit: Unit) -> list[str]:
    movable = [control for control in unit.control if control.fixed is None]
    lines = []
    if unit.recall == "preset":
        presets = list(unit.model.presets) if unit.model is not None else []
        lines.append(f"preset = {_quote(presets[0] if presets else 'name of the stored preset')}")
        return lines
    for control in movable:
        lines.append(f"{control.id} = {_value(_start(control))}   # {_scale(control)}")
    return lines


def _start(control: Control) -> Position:
    if control.range is not None:
        return control.range[0]
    return (control.positions or [""])[0]


def _scale(control: Control) -> str:
    measure = f" {control.measure}" if control.measure else ""
    if control.range is not None:
        return f"{control.name}: {_value(control.range[0])} to {_value(control.range[1])}{measure}"
    return f"{control.name}: {', '.join(_value(place) for place in control.positions or [])}{measure}"


def _chain(rig: Rig, insert: Insert) -> str:
    return " > ".join(unit.name for unit in rig.units_of(insert))


def _value(position: Position) -> str:
    return _quote(position) if isinstance(position, str) else f"{position:g}"


def _quote(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(c if c.isprintable() else f"\\u{ord(c):04x}" for c in escaped) + '"'
