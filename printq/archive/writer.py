"""Writes a bag: copies while it hashes, each source byte read once, and gives it its name when it is on the disk."""

from __future__ import annotations

import contextlib
import datetime
import hashlib
import os
import stat
from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO

from printq.archive.bagit import (
    BAG_FORMAT,
    DECLARATION,
    FORMAT_LABEL,
    INFO,
    PACKED,
    check_labels,
    clash_key,
    info_text,
    manifest_text,
    path_problem,
)
from printq.archive.ledger import name_clash
from printq.archive.packing import PackedFile, original_bytes, pack_wave, packed_text, plan_wave
from printq.archive.staging import DiskSync, staged_folder, write_synced
from printq.errors import FileError, UsageError
from printq.files.atomic import storage_errors
from printq.models.archive import BagRecord

__all__ = ["Item", "Progress", "write_bag"]

AT_ONCE = 1 << 20
Progress = Callable[[str, int], None]
"""Called with the path of a file and how many more bytes of it are done."""


@dataclass(frozen=True)
class Item:
    """One file of the payload."""

    path: str
    """Below `data/`, with `/`."""
    source: Path | bytes
    sha512: str | None = None
    """Of the source, where it is known beforehand: anything else is then an error."""


@dataclass
class _Bag:
    """What is known of the bag that is being written."""

    folder: Path
    disk: DiskSync
    checksums: dict[str, str] = field(default_factory=dict)
    packed: list[PackedFile] = field(default_factory=list)
    octets: int = 0


def write_bag(
    destination: Path,
    items: Iterable[Item],
    info: Mapping[str, str],
    *,
    flac: bool = False,
    tags: Mapping[str, bytes] | None = None,
    within: Path | None = None,
    date: datetime.date | None = None,
    progress: Progress | None = None,
) -> BagRecord:
    """Write a bag; nothing is under its name until all of it is on the disk.

    Parameters
    ----------
    destination : Path
        The folder to be; its parents are made.
    items : iterable of Item
        The payload, in any order.
    info : mapping
        Facts for `bag-info.txt`, in order; date, size and format are added.
    flac : bool
        Pack wave files of 16 and 24 bits without loss.
    tags : mapping, optional
        More tag files by name, beside `bag-info.txt`.
    within : Path, optional
        The session folder: sources have to lie in it, without a link on the way, and the bag may not.
    date : datetime.date, optional
        Of bagging; today if left out.
    progress : callable, optional
        Called as the files are copied.

    Raises
    ------
    UsageError
        The bag would lie in another bag or in the session, or a path or a label cannot be used.
    FileError
        A source is missing, a link, no ordinary file, or changed while it was read.
    StorageError
        The destination exists or cannot be written.
    SessionBusyError
        Another process is writing it.
    """
    destination = Path(os.path.abspath(destination))  # noqa: PTH100 - resolve() would follow a link at the end
    payload = sorted(items, key=lambda item: item.path.encode("utf-8", "surrogateescape"))
    tags = tags or {}
    check_labels(info)
    _check_place(destination, within)
    _check_paths([item.path for item in payload], tags)
    taken = {clash_key(item.path) for item in payload}
    report = progress or _silent
    with staged_folder(destination) as folder, storage_errors(destination):
        (folder / "data").mkdir()
        with DiskSync() as disk:
            bag = _Bag(folder, disk)
            for item in payload:
                _add(bag, item, flac and clash_key(f"{item.path}.flac") not in taken, within, report)
        manifest = _write_tags(bag, info, tags, date or datetime.date.today())
    return BagRecord(
        path=str(destination),
        files=len(bag.checksums),
        bytes=bag.octets,
        packed=len(bag.packed),
        manifest_sha512=manifest,
    )


def _silent(path: str, octets: int) -> None:
    """Nobody wants to know."""


def _check_place(destination: Path, within: Path | None) -> None:
    real = destination.parent.resolve() / destination.name
    for folder in real.parents:
        if (folder / "bagit.txt").is_file():
            raise UsageError(f"{destination} would lie inside the bag {folder}; choose a place outside of it")
    if within is not None and real.is_relative_to(within.resolve()):
        raise UsageError(f"{destination} would lie inside {within}, which goes into it; choose a place outside of it")


def _check_paths(paths: list[str], tags: Mapping[str, bytes]) -> None:
    """Raises UsageError for a path that cannot be kept, or two that some file systems take for one."""
    for path in paths:
        if problem := path_problem(path):
            raise UsageError(f"{path!r} {problem}; rename the file")
    if clash := name_clash(paths):
        raise UsageError(f"{clash[0]!r} and {clash[1]!r} are one name on some disks; rename one of them")
    own = {"bagit.txt", "data", INFO, PACKED, "fetch.txt"}
    for name in tags:
        if path_problem(name) or "/" in name or name.casefold() in own or "manifest-" in name.casefold():
            raise UsageError(f"{name!r} cannot be the name of a tag file; choose another")


def _add(bag: _Bag, item: Item, flac: bool, within: Path | None, report: Progress) -> None:
    target = bag.folder / "data" / item.path
    target.parent.mkdir(parents=True, exist_ok=True)
    if isinstance(item.source, bytes):
        write_synced(target, item.source)
        _record(bag, item, f"data/{item.path}", len(item.source), hashlib.sha512(item.source).hexdigest())
        report(item.path, len(item.source))
        return
    with _opened(item.source, within) as file:
        length = os.fstat(file.fileno()).st_size
        if flac and _pack(bag, item, file, length, target):
            report(item.path, length)
            return
        file.seek(0)
        digest, done = _copy(file, item.source, target, bag.disk, lambda octets: report(item.path, octets))
        if done != length:
            raise _changed(item.source)
    _record(bag, item, f"data/{item.path}", done, digest)


def _record(bag: _Bag, item: Item, stored: str, octets: int, digest: str) -> None:
    _compare(item, digest)
    bag.checksums[stored] = digest
    bag.octets += octets


def _compare(item: Item, digest: str) -> None:
    if item.sha512 is not None and digest != item.sha512.lower():
        raise FileError(
            f"{item.path} is not what it was when it was looked at; wait until nobody writes to it, then try again"
        )


def _pack(bag: _Bag, item: Item, file: BinaryIO, length: int, target: Path) -> bool:
    """Store a wave file as FLAC, proven to come back; False where it is to be stored as it is."""
    assert isinstance(item.source, Path)
    with _reading(item.source):
        plan = plan_wave(file, length)
        if plan is None:
            return False
    stored = target.with_name(f"{target.name}.flac")
    with _reading(item.source):
        head, tail, digest = pack_wave(file, length, plan, stored)
    if len(head) + plan.size + len(tail) != length:
        raise _changed(item.source)
    path = f"data/{item.path}"
    packed = PackedFile(path, f"{path}.flac", length, digest, head, tail)
    again = hashlib.sha512()
    try:
        for piece in original_bytes(stored, packed):
            again.update(piece)
    except FileError:
        again = hashlib.sha512()
    if again.hexdigest() != digest:
        stored.unlink()
        return False
    _compare(item, digest)
    with stored.open("rb") as result:
        checksum = hashlib.file_digest(result, "sha512").hexdigest()
    bag.checksums[packed.stored] = checksum
    bag.octets += stored.stat().st_size
    bag.packed.append(packed)
    return True


def _copy(file: BinaryIO, source: Path, target: Path, disk: DiskSync, report: Callable[[int], None]) -> tuple[str, int]:
    digest = hashlib.sha512()
    done = 0
    # hashlib lets go of the interpreter: one block is hashed while it is written.
    with target.open("xb") as copy, ThreadPoolExecutor(1) as beside:
        while True:
            with _reading(source):
                data = file.read(AT_ONCE)
            if not data:
                break
            hashed = beside.submit(digest.update, data)
            copy.write(data)
            hashed.result()
            done += len(data)
            report(len(data))
        disk.add(copy)
    return digest.hexdigest(), done


@contextlib.contextmanager
def _reading(source: Path) -> Iterator[None]:
    """What goes wrong with a source is not the destination's fault."""
    try:
        yield
    except OSError as error:
        raise FileError(f"{source} cannot be read ({error.strerror or error}); look at its disk") from error


@contextlib.contextmanager
def _opened(source: Path, within: Path | None) -> Iterator[BinaryIO]:
    """An ordinary file that does not change while it is open. Raises FileError."""
    _refuse_links(source, within)
    with _reading(source):
        before = source.lstat()
        if not stat.S_ISREG(before.st_mode):
            raise FileError(f"{source} is no ordinary file and cannot be archived; take it out of the folder")
        file = open(os.open(source, os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_BINARY", 0)), "rb")  # noqa: PTH123, SIM115
    with file:
        opened = os.fstat(file.fileno())
        if (opened.st_dev, opened.st_ino) != (before.st_dev, before.st_ino):
            raise _changed(source)
        yield file
        after = os.fstat(file.fileno())
        if (opened.st_size, opened.st_mtime_ns) != (after.st_size, after.st_mtime_ns):
            raise _changed(source)


def _refuse_links(source: Path, within: Path | None) -> None:
    chain = [source]
    if within is not None:
        try:
            parts = source.absolute().relative_to(within.absolute()).parts
        except ValueError as error:
            raise FileError(f"{source} lies outside {within}; copy it there, then try again") from error
        if ".." in parts:
            raise FileError(f"{source} lies outside {within}; copy it there, then try again")
        chain = [within.joinpath(*parts[:count]) for count in range(1, len(parts) + 1)]
    for path in chain:
        if path.is_symlink() or getattr(path, "is_junction", lambda: False)():
            raise FileError(f"{path} is a link, and links are not followed; put a copy in its place")


def _changed(source: Path) -> FileError:
    return FileError(f"{source} changed while it was read; wait until nobody writes to it, then try again")


def _write_tags(bag: _Bag, info: Mapping[str, str], tags: Mapping[str, bytes], date: datetime.date) -> str:
    """Write everything beside `data/`; returns the checksum of the payload manifest."""
    facts = [
        *info.items(),
        ("Bagging-Date", date.isoformat()),
        ("Bag-Size", _readable(bag.octets)),
        ("Payload-Oxum", f"{bag.octets}.{len(bag.checksums)}"),
        (FORMAT_LABEL, BAG_FORMAT),
    ]
    files = {
        "bagit.txt": DECLARATION,
        INFO: info_text(facts),
        "manifest-sha512.txt": manifest_text(bag.checksums),
        **tags,
    }
    if bag.packed:
        files[PACKED] = packed_text(bag.packed)
    for name, data in files.items():
        write_synced(bag.folder / name, data)
    # Two, so that where one of them is damaged the other tells which it is.
    for algorithm in ("sha256", "sha512"):
        listed = {name: hashlib.new(algorithm, data).hexdigest() for name, data in files.items()}
        write_synced(bag.folder / f"tagmanifest-{algorithm}.txt", manifest_text(listed))
    return hashlib.sha512(files["manifest-sha512.txt"]).hexdigest()


def _readable(octets: int) -> str:
    size = float(octets)
    for unit in ("B", "kB", "MB", "GB"):
        if size < 1000.0:
            return f"{size:.3g} {unit}"
        size /= 1000.0
    return f"{size:.3g} TB"
