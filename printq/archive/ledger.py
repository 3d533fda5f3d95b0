"""What lies in a bag and what its manifests list: millions of lines, in memory that does not grow with them.

Kept in a database of SQLite's that has no name: it is in memory while it is small, in a temporary file when it grows,
and gone when it is closed.
"""

from __future__ import annotations

import itertools
import sqlite3
import unicodedata
from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from printq.archive.bagit import clash_key
from printq.errors import StorageError

__all__ = ["Ledger", "name_clash"]

CACHE_KIB = 8192
STRONGEST = ("sha512", "sha256", "sha1", "md5")
TABLES = """
CREATE TABLE file (path BLOB PRIMARY KEY, size INTEGER NOT NULL) WITHOUT ROWID;
CREATE TABLE form (form BLOB, path BLOB, PRIMARY KEY (form, path)) WITHOUT ROWID;
CREATE TABLE listed (path BLOB, algorithm TEXT, digest TEXT NOT NULL, PRIMARY KEY (path, algorithm)) WITHOUT ROWID;
CREATE TABLE twin (file BLOB, listed BLOB PRIMARY KEY) WITHOUT ROWID;
CREATE INDEX twin_file ON twin (file);
CREATE TABLE loose (algorithm TEXT, digest TEXT, path BLOB, PRIMARY KEY (algorithm, digest, path)) WITHOUT ROWID;
CREATE INDEX loose_path ON loose (path);
CREATE TABLE name (key BLOB, is_folder INTEGER, name BLOB NOT NULL, PRIMARY KEY (key, is_folder)) WITHOUT ROWID;
"""
"""Files; those whose names are not in normal form C, by that form; lines of manifests; files that are listed in another
normal form; files that no manifest lists; and names of files and folders by what some disks take for one."""
MISSING = "NOT EXISTS (SELECT 1 FROM file WHERE file.path = listed.path)"
FIRST, BEYOND = b"data/", b"data0"
"""Paths of the payload: from the one on, and before the other."""


class Ledger:
    """Files of a bag, and lines of its manifests.

    Paths are from the bag's folder, in the order of their bytes. Raises StorageError where there is no room for the
    temporary file.
    """

    def __init__(self) -> None:
        self._database = sqlite3.connect("", isolation_level=None)
        self._database.executescript(
            f"PRAGMA cache_size = -{CACHE_KIB}; PRAGMA journal_mode = OFF; PRAGMA synchronous = OFF; {TABLES} BEGIN;"
        )

    def __del__(self) -> None:
        self._database.close()

    # ---- filling it ----

    def add_file(self, path: str, size: int) -> None:
        """A file that is there, and its bytes."""
        self._run("INSERT INTO file VALUES (?, ?)", (_key(path), size))
        if not unicodedata.is_normalized("NFC", path):
            form = unicodedata.normalize("NFC", path)
            self._run("INSERT INTO form VALUES (?, ?)", (_key(form), _key(path)))

    def add_line(self, path: str, algorithm: str, digest: str) -> bool:
        """A line of a manifest; False where this algorithm has one for the path already, which then stays."""
        done = self._run("INSERT OR IGNORE INTO listed VALUES (?, ?, ?)", (_key(path), algorithm, digest))
        return done.rowcount == 1

    def pair(self) -> None:
        """Find, for paths that are listed and not there, the one file whose name has the same normal form."""
        self._run_all("INSERT INTO twin VALUES (?, ?)", self._pairs())

    def add_loose(self, path: str, digests: dict[str, str]) -> None:
        """A file that no manifest lists."""
        rows = [(algorithm, digest, _key(path)) for algorithm, digest in (digests or {"": ""}).items()]
        self._run_all("INSERT INTO loose VALUES (?, ?, ?)", rows)

    # ---- asking it ----

    def files(self) -> Iterator[tuple[str, int]]:
        """Every file and its bytes."""
        for path, size in self._run("SELECT path, size FROM file ORDER BY path"):
            yield _path(path), size

    def size(self, path: str) -> int | None:
        """Bytes of a file; None where there is none."""
        found = self._run("SELECT size FROM file WHERE path = ?", (_key(path),)).fetchone()
        return int(found[0]) if found else None

    def payload_size(self) -> tuple[int, int]:
        """Bytes and files of the payload."""
        query = "SELECT coalesce(sum(size), 0), count(*) FROM file WHERE path >= ? AND path < ?"
        octets, count = self._run(query, (FIRST, BEYOND)).fetchone()
        return int(octets), int(count)

    def lines_of(self, file: str) -> dict[str, dict[str, str]]:
        """How a file is listed: by path (more than one, where they differ in normal form), then by algorithm."""
        query = "SELECT path, algorithm, digest FROM listed WHERE path = ?1"
        twins = "SELECT path, algorithm, digest FROM listed WHERE path IN (SELECT listed FROM twin WHERE file = ?1)"
        found: dict[str, dict[str, str]] = {}
        for path, algorithm, digest in self._run(f"{query} UNION ALL {twins}", (_key(file),)):
            found.setdefault(_path(path), {})[algorithm] = digest
        return found

    def algorithms_of(self, path: str) -> set[str]:
        """The algorithms of the manifests that list this very path."""
        return {name for (name,) in self._run("SELECT algorithm FROM listed WHERE path = ?", (_key(path),))}

    def is_there(self, path: str) -> bool:
        """Whether a listed path has a file, in its own or another normal form."""
        query = "SELECT 1 FROM file WHERE path = ?1 UNION SELECT 1 FROM twin WHERE listed = ?1"
        return self._run(query, (_key(path),)).fetchone() is not None

    def missing(self) -> Iterator[tuple[str, dict[str, str]]]:
        """What is listed and not there, and its checksums by algorithm."""
        query = f"SELECT path, algorithm, digest FROM listed WHERE {MISSING} AND path NOT IN (SELECT listed FROM twin)"
        yield from _grouped(self._run(f"{query} ORDER BY path"))

    def payload(self) -> Iterator[tuple[str, str, str, str]]:
        """What is listed of the payload: path, the file that it is, its strongest algorithm and that checksum."""
        query = "SELECT path, algorithm, digest FROM listed WHERE path >= ? AND path < ? ORDER BY path"
        for path, digests in _grouped(self._run(query, (FIRST, BEYOND))):
            algorithm = min(digests, key=STRONGEST.index)
            twin = self._run("SELECT file FROM twin WHERE listed = ?", (_key(path),)).fetchone()
            yield path, _path(twin[0]) if twin else path, algorithm, digests[algorithm]

    def take_loose(self, digests: dict[str, str]) -> str | None:
        """A file that no manifest lists and that has one of these checksums; none is given twice."""
        query = "SELECT path FROM loose WHERE algorithm = ? AND digest = ? ORDER BY path LIMIT 1"
        for line in digests.items():
            if found := self._run(query, line).fetchone():
                self._run("DELETE FROM loose WHERE path = ?", found)
                return _path(found[0])
        return None

    def loose(self) -> Iterator[str]:
        """Files that no manifest lists and that were not taken."""
        for (path,) in self._run("SELECT DISTINCT path FROM loose ORDER BY path"):
            yield _path(path)

    def add_name(self, path: str) -> tuple[str, str] | None:
        """A path that is to stand beside those added before; the two names that cannot, where it clashes with one."""
        if other := self._other_name(path, is_folder=False):
            return other, path
        folder = path
        while "/" in folder:
            folder = folder.rpartition("/")[0]
            other = self._other_name(folder, is_folder=True)
            if other == folder:
                return None  # and all above it were seen then
            if other:
                return other, folder
        return None

    def name_clash(self) -> tuple[str, str] | None:
        """A file and a folder among the names that were added that would be one."""
        query = "SELECT one.name, two.name FROM name one JOIN name two USING (key)"
        found = self._run(f"{query} WHERE NOT one.is_folder AND two.is_folder LIMIT 1").fetchone()
        return (_path(found[0]), _path(found[1])) if found else None

    # ---- inside ----

    def _other_name(self, name: str, *, is_folder: bool) -> str | None:
        """The name that is there with the same key; None where this is the first, which then stays."""
        key = _key(clash_key(name))
        done = self._run("INSERT OR IGNORE INTO name VALUES (?, ?, ?)", (key, is_folder, _key(name)))
        if done.rowcount == 1:
            return None
        found = self._run("SELECT name FROM name WHERE key = ? AND is_folder = ?", (key, is_folder)).fetchone()
        return _path(found[0])

    def _pairs(self) -> Iterator[tuple[bytes, bytes]]:
        has_forms = self._run("SELECT 1 FROM form LIMIT 1").fetchone() is not None
        query = "SELECT path FROM form WHERE form = ?1 UNION SELECT path FROM file WHERE path = ?1 LIMIT 2"
        for (listed,) in self._run(f"SELECT DISTINCT path FROM listed WHERE {MISSING}"):
            form = _key(unicodedata.normalize("NFC", _path(listed)))
            if form == listed and not has_forms:
                continue  # a file of just this name is not there
            found = self._run(query, (form,)).fetchall()
            if len(found) == 1:
                yield found[0][0], listed

    def _run(self, query: str, values: Sequence[Any] = ()) -> sqlite3.Cursor:
        try:
            return self._database.execute(query, values)
        except sqlite3.OperationalError as error:
            raise _no_room(error) from error

    def _run_all(self, query: str, rows: Iterable[Sequence[Any]]) -> None:
        try:
            self._database.executemany(query, rows)
        except sqlite3.OperationalError as error:
            raise _no_room(error) from error


def name_clash(paths: Iterable[str]) -> tuple[str, str] | None:
    """Two paths, or folders on their way, that cannot stand side by side on every disk; None where all can.

    The same path twice, spellings that differ in letter case or normal form, and a file that is a folder too.
    """
    ledger = Ledger()
    for path in paths:
        if clash := ledger.add_name(path):
            return clash
    return ledger.name_clash()


def _grouped(rows: Iterable[tuple[bytes, str, str]]) -> Iterator[tuple[str, dict[str, str]]]:
    for path, lines in itertools.groupby(rows, lambda row: row[0]):
        yield _path(path), {algorithm: digest for _, algorithm, digest in lines}


def _key(path: str) -> bytes:
    """Names from a disk may hold bytes that are no text."""
    return path.encode("utf-8", "surrogatepass")


def _path(key: bytes) -> str:
    return key.decode("utf-8", "surrogatepass")


def _no_room(error: sqlite3.OperationalError) -> StorageError:
    return StorageError(
        f"a temporary file cannot be written ({error}); make room, or set SQLITE_TMPDIR to a folder that has some"
    )
