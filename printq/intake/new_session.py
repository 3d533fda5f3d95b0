"""Starts a session folder from exported stems and a rig."""

from __future__ import annotations

import contextlib
import re
import shutil
import unicodedata
from pathlib import Path

from printq.errors import FileError, StorageError
from printq.files.atomic import publish, storage_errors, write_atomically
from printq.files.soundfiles import FileFacts, read_facts
from printq.intake.load import load_rig
from printq.intake.wording import show_number
from printq.models.rig import Control, Insert, Position, Rig, Unit

__all__ = ["start_session"]

AUDIO_SUFFIXES = frozenset({".aif", ".aiff", ".bwf", ".caf", ".flac", ".rf64", ".w64", ".wav"})
"""A file with one of these is a stem; where it cannot be read, it is not passed over."""
LONGEST_ID = 48
"""Ids become part of the names of prints, which must not get too long for a file system."""


def start_session(folder: Path, stems_folder: Path, rig_path: Path) -> list[Path]:
    """Make a session folder; returns the files that were written.

    Stems are copied into `dry/` and the rig as `rig.toml`, unless they lie in the session folder already. The job
    lists every stem with the inserts that fit it, ready to be filled in, and `snapshots.toml` has an example of
    every insert.

    Raises
    ------
    FileError
        There are no stems, one of them is damaged or has an unusable name, or the rig is wrong (JobError).
    StorageError
        A file exists already (nothing is overwritten), or cannot be written; no file is left behind.
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
    rig_place = rig_path.resolve()
    if not rig_place.is_relative_to(session):
        rig_place = session / "rig.toml"
        targets[rig_place] = rig_path
    rig_name = rig_place.relative_to(session).as_posix()
    targets[session / "snapshots.toml"] = _snapshots_text(rig).encode()
    targets[session / "job.toml"] = _job_text(session.name, rig_name, entries, rig).encode()
    taken = [path for path in targets if path.exists()]
    if taken:
        raise StorageError(f"{taken[0]} exists already and is never overwritten; name another folder or move it away")
    written: list[Path] = []
    try:
        for path, content in targets.items():
            if isinstance(content, bytes):
                write_atomically(path, content)
            else:
                _copy_file(content, path)
            written.append(path)
    except StorageError:
        # Half a session would stand in the way of the next attempt.
        for path in written:
            with contextlib.suppress(OSError):
                path.unlink()
        raise
    return written


def _copy_file(origin: Path, target: Path) -> None:
    partial = target.with_name(f"{target.name}.partial")
    with storage_errors(target):
        target.parent.mkdir(parents=True, exist_ok=True)
        try:
            shutil.copy2(origin, partial)
            publish(partial, target)
        finally:
            partial.unlink(missing_ok=True)


def _find_stems(folder: Path) -> list[tuple[Path, FileFacts]]:
    if not folder.is_dir():
        raise FileError(f"{folder} is no folder; name the one with the exported stems")
    found: dict[str, tuple[Path, FileFacts]] = {}
    for path in sorted(folder.iterdir()):
        if not path.is_file() or path.name.startswith("."):
            continue
        try:
            facts = read_facts(path)
        except FileError:
            if path.suffix.lower() in AUDIO_SUFFIXES:
                raise
            continue  # notes, pictures and the like lie beside stems
        if not _is_text(path.name):
            raise FileError(f"{path.name!r} in {folder} is not a readable file name; rename it")
        other, _ = found.setdefault(path.name.lower(), (path, facts))
        if other != path:
            raise FileError(
                f"{other.name} and {path.name} in {folder} are one file on many systems; rename one of them"
            )
    if not found:
        raise FileError(f"there is no audio file in {folder}; export the stems there first")
    return list(found.values())


def _name_stems(paths: list[Path]) -> list[str]:
    names: list[str] = []
    for path in paths:
        plain = unicodedata.normalize("NFKD", path.stem).encode("ascii", "ignore").decode()
        name = re.sub(r"[^a-z0-9]+", "-", plain.lower())[:LONGEST_ID].strip("-") or "stem"
        number = 2
        unique = name
        while unique in names:
            unique, number = f"{name}-{number}", number + 1
        names.append(unique)
    return names


def _job_text(title: str, rig_name: str, stems: list[tuple[str, str, FileFacts]], rig: Rig) -> str:
    lines = [
        "# What goes through what. Uncomment a line under a stem, name a snapshot, then: printq check",
        'format = "printq-job/1"',
        f"title = {_quote(title)}",
        f"rig = {_quote(rig_name)}",
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
            f'# through = [{{ insert = "{insert.id}", snapshot = "{insert.id}-start" }}]'
            f"   # {_comment(_chain(rig, insert))}, {insert.mode}"
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
    presets = list(unit.model.presets) if unit.model is not None else []
    movable = [control for control in unit.control if control.fixed is None]
    if unit.recall == "preset" and (presets or unit.model is None):
        return [f"preset = {_quote(presets[0] if presets else 'name of the stored preset')}"]
    return [f"{control.id} = {_value(_start(control))}   # {_comment(_scale(control))}" for control in movable]


def _start(control: Control) -> Position:
    if control.range is not None:
        low, high = control.range
        # Where a scale goes through zero, that is its neutral place: the gain of an equaliser, say.
        return 0 if not isinstance(low, str) and not isinstance(high, str) and low < 0 < high else low
    return (control.positions or [""])[0]


def _scale(control: Control) -> str:
    measure = f" {control.measure}" if control.measure else ""
    if control.range is not None:
        return f"{control.name}: {_value(control.range[0])} to {_value(control.range[1])}{measure}"
    return f"{control.name}: {', '.join(_value(place) for place in control.positions or [])}{measure}"


def _chain(rig: Rig, insert: Insert) -> str:
    return " > ".join(unit.name for unit in rig.units_of(insert))


def _value(position: Position) -> str:
    return _quote(position) if isinstance(position, str) else show_number(position)


def _comment(text: str) -> str:
    """A text that may hold anything, fit for a comment, which ends with its line."""
    return "".join(character if character.isprintable() else " " for character in text)


def _quote(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(c if c.isprintable() else f"\\U{ord(c):08x}" for c in escaped) + '"'


def _is_text(name: str) -> bool:
    """Whether a file name can be written down: some systems allow names that are bytes and no text."""
    try:
        name.encode("utf-8")
    except UnicodeEncodeError:
        return False
    return True
