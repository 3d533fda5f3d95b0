"""Lays a bag out again, byte for byte, after it was found whole."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

from printq.archive.audit import audit_with
from printq.archive.bagit import windows_problem
from printq.archive.executors import open_executor
from printq.archive.ledger import name_clash
from printq.archive.packing import original_bytes
from printq.archive.reading import BagContents, Findings, open_inside, read_bag
from printq.archive.staging import DiskSync, staged_folder
from printq.archive.times import restore_times
from printq.errors import FileError, UsageError
from printq.files.atomic import storage_errors
from printq.models.archive import RestoreRecord

__all__ = ["restore_bag"]

AT_ONCE = 1 << 20
IS_WINDOWS = os.name == "nt"


def restore_bag(
    bag: Path,
    to: Path,
    *,
    workers: int | None = 1,
    progress: Callable[[str, int], None] | None = None,
    begin: Callable[[str, int], None] | None = None,
) -> RestoreRecord:
    """Lay the payload of a bag out in a new folder; each file is compared with its checksum as it is written.

    Parameters
    ----------
    bag : Path
        It is audited first.
    to : Path
        A folder that does not exist yet, or is empty; it appears when all of it is on the disk.
    workers : int, optional
        For the audit.
    progress : callable, optional
        Called with each file that was read in the audit, and then with each that is laid out, and its bytes.
    begin : callable, optional
        Called before either: with `audit` or `lay out`, and how many bytes there are, as stored.

    Raises
    ------
    FileError
        The bag is not whole, or its names cannot all exist side by side.
    UsageError
        The target lies inside the bag.
    StorageError
        The target holds something already, or cannot be written.
    """
    to = Path(os.path.abspath(to))  # noqa: PTH100 - resolve() would follow a link at the end
    if (to.parent.resolve() / to.name).is_relative_to(bag.resolve()):
        raise UsageError(f"{to} lies inside the bag; choose a place outside of it")
    announce = begin or _silent
    with open_executor(workers) as executor:
        audit = audit_with(executor, bag, progress=progress, begin=lambda octets: announce("audit", octets))
    wrong = audit.findings
    if wrong:
        first = wrong[0]
        others = f" (and {len(wrong) - 1} more: printq audit names them)" if len(wrong) > 1 else ""
        raise FileError(
            f"{bag} is not whole, nothing was restored: {first.file} {first.message}{others}; {first.remedy}"
        )
    contents = read_bag(bag, Findings())
    _check_names(_final_name(contents, path) for path, *_ in contents.ledger.payload())
    announce("lay out", contents.ledger.payload_size()[0])
    files = octets = unpacked = 0
    with staged_folder(to) as folder, storage_errors(to):
        with DiskSync() as disk:
            for path, stored, algorithm, digest in contents.ledger.payload():
                name = _final_name(contents, path)
                packed = contents.packed.get(path)
                pieces = original_bytes(bag / stored, packed) if packed else _pieces(bag, stored)
                kind, expected = ("sha512", packed.sha512) if packed else (algorithm, digest)
                octets += _lay_out(folder / name, pieces, kind, expected, stored, disk)
                files += 1
                unpacked += packed is not None
                if progress:
                    progress(name, contents.ledger.size(stored) or 0)
        restore_times(folder)
    return RestoreRecord(
        bag=str(bag),
        path=str(to),
        files=files,
        bytes=octets,
        unpacked=unpacked,
    )


def _silent(what: str, octets: int) -> None:
    """Nobody wants to know."""


def _final_name(contents: BagContents, stored: str) -> str:
    packed = contents.packed.get(stored)
    return (packed.path if packed else stored).removeprefix("data/")


def _check_names(names: Iterable[str]) -> None:
    """Names of a bag from elsewhere that this disk might take for one, or that this system does not allow."""
    if clash := name_clash(_allowed(names)):
        raise FileError(f"{clash[0]!r} and {clash[1]!r} are one name on some disks; restore them by hand")


def _allowed(names: Iterable[str]) -> Iterator[str]:
    for name in names:
        if IS_WINDOWS and (problem := windows_problem(name)):
            raise FileError(f"{name!r} {problem}, which Windows does not allow; restore the bag on another system")
        yield name


def _pieces(bag: Path, stored: str) -> Iterator[bytes]:
    try:
        with open_inside(bag, stored) as file:
            while data := file.read(AT_ONCE):
                yield data
    except OSError as error:
        raise FileError(f"{bag / stored} cannot be read ({error.strerror or error}); look at its disk") from error


def _lay_out(target: Path, pieces: Iterable[bytes], algorithm: str, digest: str, stored: str, disk: DiskSync) -> int:
    whole = hashlib.new(algorithm, usedforsecurity=False)
    target.parent.mkdir(parents=True, exist_ok=True)
    with target.open("xb") as file:
        for data in pieces:
            whole.update(data)
            file.write(data)
        octets = file.tell()
        disk.add(file)
    if whole.hexdigest() != digest:
        raise FileError(f"{stored} changed after it was audited; audit the bag again")
    return octets
