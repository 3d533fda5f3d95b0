"""What goes into an archive, and where it lies there.

The payload is laid out as the session is, so that it opens again as it stands. A job may name its rig or its
snapshots outside its folder (`../rig.toml`): the payload then begins at the folder that holds both, and the session
lies in it under its own name.
"""

from __future__ import annotations

import posixpath
import tomllib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import Any

from printq.archive.writer import Item
from printq.errors import FileError

__all__ = ["NOTES", "Layout", "NamedFiles", "free_notes_folder", "lay_out", "left_behind", "named_files"]

NOTES = "notes"
"""Folder of what is written for people, where the session has nothing of that name."""


@dataclass(frozen=True)
class NamedFiles:
    """Files that a job names and that are no audio, as it names them: relative to the session, with `/`."""

    job: str
    rig: str
    snapshots: tuple[str, ...]
    photos: tuple[str, ...]
    """Those that are there."""
    missing_photos: tuple[str, ...] = ()

    def each(self) -> list[str]:
        """All of them, each once."""
        return list(dict.fromkeys((self.job, self.rig, *self.snapshots, *self.photos)))


@dataclass
class Layout:
    """Where the session lies in the payload, and what is in it."""

    base: Path
    """The folder that the payload begins at."""
    session: str
    """The session folder in the payload; `.` where it is all of it."""
    items: list[Item] = field(default_factory=list)

    def add(self, name: str, source: Path | bytes) -> None:
        """A file by its name relative to the session; one that is there already is not taken twice.

        Raises FileError where a link leads out of the session, or the name is taken by another file.
        """
        path = self.place(name)
        if isinstance(source, Path):
            source = _real(source, path, self.base)
        known = next((item for item in self.items if item.path == path), None)
        if known is None:
            self.items.append(Item(path, source))
        elif known.source != source:
            raise FileError(f"two files would be {path} in the archive; rename one of them")

    def place(self, name: str) -> str:
        """Where a file of the session lies in the payload."""
        return posixpath.normpath(posixpath.join(self.session, name))


def named_files(session: Path, job_file: str) -> NamedFiles:
    """Rig, snapshots and photos of a valid job, by their names in its files. Raises FileError for an absolute path."""
    job = _read_toml(session / job_file)
    snapshots = tuple(_relative(name, job_file) for name in job.get("snapshots", ()))
    photos: list[str] = []
    missing: list[str] = []
    for name in snapshots:
        folder = posixpath.dirname(name)
        for entry in _read_toml(session / name).get("snapshot", ()):
            if photo := entry.get("photo"):
                path = posixpath.normpath(posixpath.join(folder, _relative(photo, name)))
                (photos if (session / path).is_file() else missing).append(path)
    return NamedFiles(
        job=job_file,
        rig=_relative(job["rig"], job_file),
        snapshots=snapshots,
        photos=tuple(photos),
        missing_photos=tuple(missing),
    )


def lay_out(session: Path, names: NamedFiles) -> Layout:
    """A layout with the files that the job names, the session as deep in it as they ask for."""
    above = max(_levels_above(name) for name in names.each())
    if above > len(session.parents):
        raise FileError(f"{names.job} names a file above the root of the disk; copy it into the session")
    base = session.parents[above - 1] if above else session
    layout = Layout(base, session.relative_to(base).as_posix())
    for name in names.each():
        layout.add(name, session / name)
    return layout


def free_notes_folder(layout: Layout) -> str:
    """A name for the folder of notes that nothing in the payload has."""
    taken = {item.path.split("/", 1)[0] for item in layout.items}
    name, number = NOTES, 1
    while name in taken:
        number += 1
        name = f"{NOTES}-{number}"
    return name


def left_behind(session: Path, taken: Iterable[Path], skip: Sequence[str] = ()) -> list[tuple[str, int]]:
    """Files of the session folder that are in no archive item: name and bytes; links are not followed.

    `skip`: files and folders of the program's own, relative to the session, that nobody has to hear of.
    """
    known = {path for path in taken if path.is_relative_to(session)}
    found = []
    for path in sorted(session.rglob("*")):
        name = path.relative_to(session).as_posix()
        if path in known or path.is_dir() or any(name == each or name.startswith(f"{each}/") for each in skip):
            continue
        found.append((name, path.lstat().st_size))
    return found


def _real(source: Path, path: str, base: Path) -> Path:
    """The file itself: a link within the session is archived as what it leads to."""
    try:
        real = source.resolve(strict=True)
    except (OSError, RuntimeError) as error:
        raise FileError(f"{source} cannot be archived ({getattr(error, 'strerror', None) or error})") from error
    if source.is_relative_to(base) and not real.is_relative_to(base.resolve()):
        raise FileError(
            f"{path} is a link that leads out of the session, to {real}; put a copy of that file in its place"
        )
    return real


def _read_toml(path: Path) -> dict[str, Any]:
    try:
        with path.open("rb") as file:
            return tomllib.load(file)
    except (OSError, ValueError) as error:
        raise FileError(f"{path} cannot be read ({error}); 'printq check' says more") from error


def _relative(name: str, said_in: str) -> str:
    if PurePosixPath(name).is_absolute() or PureWindowsPath(name).is_absolute():
        raise FileError(
            f"{said_in} names {name}, an absolute path: a restored session would look for it there and not in the "
            "archive; copy the file into the session and name it by a relative path"
        )
    return posixpath.normpath(Path(name).as_posix())


def _levels_above(name: str) -> int:
    return sum(part == ".." for part in name.split("/"))
