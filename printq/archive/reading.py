"""Opens a bag of anybody's: what its texts say and what lies in its folder. Follows no link and trusts no path."""

from __future__ import annotations

import codecs
import hashlib
import os
import re
import stat
import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO

from printq.archive.bagit import (
    BAG_FORMAT,
    DECLARATION,
    FORMAT_LABEL,
    HASHES,
    INFO,
    PACKED,
    manifest_text,
    parse_info,
    parse_manifest_line,
    path_problem,
)
from printq.archive.packing import PackedFile, parse_packed
from printq.errors import FileError
from printq.models.archive import BagFinding, FindingKind

__all__ = ["BagContents", "Findings", "open_inside", "read_bag", "same_name", "text_digests"]

MOST_TEXT_BYTES = 1 << 30
"""Of one manifest; some millions of lines."""
MOST_FINDINGS = 1000
MANIFEST = re.compile(r"(tag)?manifest-([a-z0-9]+)\.txt", re.IGNORECASE)
VERSION = re.compile(
    rb"BagIt-Version: *(\d+)\.(\d+)[ \t]*(?:\r\n|\n|\r)Tag-File-Character-Encoding: *(\S+)[ \t]*(?:\r\n|\n|\r)?"
)
COPY = "fetch this file from another copy of the bag"


@dataclass
class Findings:
    """Collects them: the first thousand are kept, the rest counted."""

    kept: list[BagFinding] = field(default_factory=list)
    more: int = 0

    def add(self, file: str, what: FindingKind, message: str, remedy: str = COPY) -> None:
        """Add one."""
        self.take(BagFinding(file=_printable(file), what=what, message=_printable(message), remedy=remedy))

    def take(self, finding: BagFinding) -> None:
        """Add one that is made already."""
        if len(self.kept) < MOST_FINDINGS:
            self.kept.append(finding)
        else:
            self.more += 1


@dataclass
class BagContents:
    """A bag as it was found."""

    path: Path
    version: tuple[int, int] = (1, 0)
    encoding: str = "utf-8"
    files: dict[str, int] = field(default_factory=dict)
    """Ordinary files from the bag's folder, and their sizes."""
    payload_manifests: dict[str, dict[str, str]] = field(default_factory=dict)
    """By algorithm: paths and checksums."""
    tag_manifests: dict[str, dict[str, str]] = field(default_factory=dict)
    texts: dict[str, bytes] = field(default_factory=dict)
    """Tag files that were read already."""
    info: list[tuple[str, str]] = field(default_factory=list)
    packed: dict[str, PackedFile] = field(default_factory=dict)
    """By the path of the FLAC file."""
    own: bool = False
    """Written by this program, so that its canonical form is known."""

    def fact(self, label: str) -> str | None:
        """The first value of a label, in any letter case."""
        return next((value for name, value in self.info if name.lower() == label.lower()), None)


def read_bag(bag: Path, findings: Findings) -> BagContents:
    """Read the texts of a bag and list its folder. Raises FileError where it is no bag at all."""
    if not bag.is_dir():
        raise FileError(f"{bag} is no folder; name the folder that holds bagit.txt")
    contents = BagContents(bag)
    try:
        contents.files = dict(_walk(bag, "", findings))
    except OSError as error:
        raise FileError(f"{bag} cannot be listed ({error.strerror or error}); look at its disk") from error
    names = [name for name in contents.files if "/" not in name]
    if "bagit.txt" not in names and not any(MANIFEST.fullmatch(name) for name in names):
        raise FileError(f"{bag} is no bag: there is no bagit.txt in it; name the folder that holds one")
    if not (bag / "data").is_dir():
        findings.add("data", "missing", "the folder of the payload is not there")
    _read_declaration(contents, findings)
    _read_info(contents, findings)
    for name in sorted(names):
        if found := MANIFEST.fullmatch(name):
            _read_manifest(contents, name, bool(found[1]), found[2].lower(), findings)
    _read_packed(contents, findings)
    _check_parts(contents, findings)
    return contents


def open_inside(bag: Path, path: str) -> BinaryIO:
    """Open an ordinary file of a bag that the listing found. Raises OSError; a link at its end is not followed."""
    flags = os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_BINARY", 0) | getattr(os, "O_NONBLOCK", 0)
    file = open(os.open(bag / path, flags), "rb")  # noqa: PTH123, SIM115
    if not stat.S_ISREG(os.fstat(file.fileno()).st_mode):
        file.close()
        raise OSError("it is no ordinary file")
    return file


def _walk(folder: Path, prefix: str, findings: Findings) -> Iterator[tuple[str, int]]:
    waiting = [(folder, prefix)]
    while waiting:
        here, start = waiting.pop()
        with os.scandir(here) as entries:
            for entry in entries:
                path = f"{start}{entry.name}"
                if entry.is_symlink() or getattr(entry, "is_junction", lambda: False)():
                    findings.add(path, "unsafe", "is a link, and links are not followed", "put a copy in its place")
                elif entry.is_dir(follow_symlinks=False):
                    waiting.append((Path(entry.path), f"{path}/"))
                elif entry.is_file(follow_symlinks=False):
                    yield path, entry.stat(follow_symlinks=False).st_size
                else:
                    findings.add(path, "unsafe", "is no ordinary file", "take it out of the bag")


def _text(contents: BagContents, name: str, findings: Findings) -> bytes | None:
    if name not in contents.files:
        return None
    try:
        with open_inside(contents.path, name) as file:
            data = file.read(MOST_TEXT_BYTES + 1)
    except OSError as error:
        findings.add(name, "unreadable", f"cannot be read ({error.strerror or error})")
        return None
    if len(data) > MOST_TEXT_BYTES:
        findings.add(name, "tags", f"has more than {MOST_TEXT_BYTES} bytes and is not read")
        return None
    contents.texts[name] = data
    return data


def _read_declaration(contents: BagContents, findings: Findings) -> None:
    data = _text(contents, "bagit.txt", findings)
    if data is None:
        findings.add("bagit.txt", "missing", "the declaration of the bag is not there")
        return
    found = VERSION.fullmatch(data)
    if found is None:
        findings.add("bagit.txt", "tags", "is not the two lines that RFC 8493, 2.1.1 asks for")
        return
    contents.version = (int(found[1]), int(found[2]))
    if contents.version > (1, 0):
        findings.add(
            "bagit.txt", "version", f"says BagIt {found[1].decode()}.{found[2].decode()}, and 1.0 is the newest known",
            "audit it with a newer version of this program",
        )  # fmt: skip
    try:
        contents.encoding = codecs.lookup(found[3].decode("ascii", "replace")).name
        "".encode(contents.encoding)
    except LookupError:
        findings.add("bagit.txt", "tags", f"names a character encoding that is not known: {found[3][:40]!r}")


def _read_info(contents: BagContents, findings: Findings) -> None:
    data = _text(contents, INFO, findings)
    if data is None:
        return
    try:
        contents.info = parse_info(data.decode(contents.encoding))
    except ValueError as error:
        findings.add(INFO, "tags", f"cannot be read: {error}")
    said = contents.fact(FORMAT_LABEL)
    contents.own = said is not None
    if said is not None and said != BAG_FORMAT:
        findings.add(
            INFO, "version", f"says the format {said!r}, and {BAG_FORMAT} is the newest that this version knows",
            "audit it with a newer version of this program; if there is none, this file is damaged",
        )  # fmt: skip
    if contents.own and data.decode(contents.encoding, "replace").encode("utf-8", "replace").find(b"\r") >= 0:
        findings.add(INFO, "tags", "does not have the line ends that it was written with")


def _read_manifest(contents: BagContents, name: str, tag: bool, algorithm: str, findings: Findings) -> None:
    if algorithm not in HASHES:
        findings.add(name, "manifest", f"uses {algorithm}, which is not known; known: {', '.join(HASHES)}")
        return
    data = _text(contents, name, findings)
    if data is None:
        return
    listed: dict[str, str] = {}
    (contents.tag_manifests if tag else contents.payload_manifests)[algorithm] = listed
    try:
        text = data.decode(contents.encoding)
    except ValueError as error:
        findings.add(name, "manifest", f"is no {contents.encoding} text ({error})")
        return
    percent = contents.version >= (1, 0)
    for number, line in enumerate(re.split("\r\n|\n|\r", text), 1):
        if not line:
            continue
        try:
            path, digest = parse_manifest_line(line, algorithm, percent=percent)
        except ValueError as error:
            findings.add(name, "manifest", f"line {number} {error}: {line[:80]!r}")
            continue
        if problem := path_problem(path):
            findings.add(name, "unsafe", f"line {number}: the path {path[:200]!r} {problem}; it is not followed")
        elif path.startswith("data/") is tag:
            where = "outside" if tag else "in"
            findings.add(name, "manifest", f"line {number}: {path!r} is not {where} data/")
        elif path in listed:
            findings.add(name, "manifest", f"line {number}: {path!r} is listed twice")
        else:
            listed[path] = digest
    if contents.own and manifest_text(listed) != data:
        findings.add(name, "manifest", "is not in the form that it was written in")


def _read_packed(contents: BagContents, findings: Findings) -> None:
    if not contents.own:
        return
    data = _text(contents, PACKED, findings)
    if data is None:
        return
    try:
        packed = parse_packed(data)
    except ValueError as error:
        findings.add(PACKED, "tags", f"cannot be read: {error}")
        return
    for one in packed:
        fits = one.path.startswith("data/") and one.stored.startswith("data/") and len(one.sha512) == HASHES["sha512"]
        if not fits or path_problem(one.path) or path_problem(one.stored) or one.stored in contents.packed:
            findings.add(PACKED, "unsafe", f"tells of {one.path!r} in {one.stored!r}, which cannot be")
        else:
            contents.packed[one.stored] = one


def _check_parts(contents: BagContents, findings: Findings) -> None:
    """The parts that a bag has to have; RFC 8493, 2.1 and 2.2."""
    if not contents.payload_manifests:
        findings.add("manifest-sha512.txt", "missing", "there is no manifest of the payload that can be read")
    if "fetch.txt" in contents.files:
        findings.add(
            "fetch.txt", "incomplete", "says that files of the bag are still elsewhere",
            "fetch them with the program that made the bag; this one fetches nothing",
        )  # fmt: skip
    names = {name for name in contents.files if "/" not in name}
    required = {name for name in names if (found := MANIFEST.fullmatch(name)) and not found[1]}
    if contents.own:
        for name in ("manifest-sha512.txt", "tagmanifest-sha256.txt", "tagmanifest-sha512.txt"):
            if name not in names:
                findings.add(name, "missing", "is not there")
        if contents.texts.get("bagit.txt", DECLARATION) != DECLARATION:
            findings.add("bagit.txt", "tags", "is not what was written")
        required = {name for name in contents.files if not name.startswith("data/")}
        required -= {name for name in names if (found := MANIFEST.fullmatch(name)) and found[1]}
    for algorithm, listed in contents.tag_manifests.items():
        for name in sorted(required - set(listed)):
            if contents.own and not any(name in other for other in contents.tag_manifests.values()):
                continue  # named as extra by the audit
            findings.add(f"tagmanifest-{algorithm}.txt", "manifest", f"does not list {name}")


def text_digests(data: bytes, algorithms: tuple[str, ...]) -> dict[str, str]:
    """Checksums of a text that was read already."""
    return {algorithm: hashlib.new(algorithm, data, usedforsecurity=False).hexdigest() for algorithm in algorithms}


def same_name(files: dict[str, int]) -> dict[str, str]:
    """Files by their name in Unicode normal form C, where no two have the same."""
    found: dict[str, str] = {}
    twice: set[str] = set()
    for path in files:
        key = unicodedata.normalize("NFC", path)
        if key in found:
            twice.add(key)
        found[key] = path
    return {key: path for key, path in found.items() if key not in twice}


def _printable(text: str) -> str:
    """Names from a disk may hold bytes that are no text."""
    return text.encode("utf-8", "backslashreplace").decode("utf-8")
