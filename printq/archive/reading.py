"""Opens a bag of anybody's: what its texts say and what lies in its folder. Follows no link and trusts no path."""

from __future__ import annotations

import codecs
import contextlib
import io
import os
import re
import stat
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO, cast

from printq.archive.bagit import (
    BAG_FORMAT,
    DECLARATION,
    FORMAT_LABEL,
    HASHES,
    INFO,
    PACKED,
    ManifestLine,
    encode_path,
    manifest_line,
    parse_fetch_line,
    parse_info,
    parse_manifest_line,
    path_problem,
)
from printq.archive.ledger import Ledger
from printq.archive.packing import PackedFile, parse_packed
from printq.errors import FileError
from printq.files.hashed import HashedFile
from printq.models.archive import BagFinding, FindingKind

__all__ = ["MANIFEST", "BagContents", "Findings", "TextRead", "open_inside", "read_bag"]

MOST_TEXT_BYTES = 1 << 24
"""Of the declaration and of `bag-info.txt`."""
MOST_PACKED_BYTES = 1 << 30
MOST_LINE = 1 << 16
"""Characters of one line of a manifest; no path that is followed is as long."""
MOST_FINDINGS = 1000
MANIFEST = re.compile(r"(tag)?manifest-([a-z0-9]+)\.txt", re.IGNORECASE)
VERSION = re.compile(
    rb"BagIt-Version: *(\d+)\.(\d+)[ \t]*(?:\r\n|\n|\r)Tag-File-Character-Encoding: *(\S+)[ \t]*(?:\r\n|\n|\r)?",
    re.IGNORECASE,
)
ONCE = ("Bagging-Date", "Bag-Size", "Bag-Group-Identifier", "Bag-Count")
"""Labels that should not be repeated; RFC 8493, 2.2.2."""
COPY = "fetch this file from another copy of the bag"
NOTHING = "nothing has to be done: its files can be read all the same"
BOM = "\ufeff"


@dataclass
class Findings:
    """Collects them: the first thousand are kept, the rest counted."""

    kept: list[BagFinding] = field(default_factory=list)
    more: int = 0
    warnings: list[BagFinding] = field(default_factory=list)
    """What does not make a bag less than whole."""
    more_warnings: int = 0

    def add(self, file: str, what: FindingKind, message: str, remedy: str = COPY) -> None:
        """Add one."""
        if len(self.kept) < MOST_FINDINGS:
            self.kept.append(_finding(file, what, message, remedy))
        else:
            self.more += 1

    def take(self, finding: BagFinding) -> None:
        """Add one that is made already."""
        self.add(finding.file, finding.what, finding.message, finding.remedy)

    def warn(self, file: str, what: FindingKind, message: str, remedy: str = NOTHING) -> None:
        """Add one that people should hear of, in a bag that is whole all the same."""
        if len(self.warnings) < MOST_FINDINGS:
            self.warnings.append(_finding(file, what, message, remedy))
        else:
            self.more_warnings += 1


@dataclass(frozen=True)
class TextRead:
    """A tag file that was read already."""

    octets: int
    digests: dict[str, str]
    """By the algorithms of the tag manifests."""


@dataclass
class BagContents:
    """A bag as it was found."""

    path: Path
    version: tuple[int, int] = (1, 0)
    encoding: str = "utf-8"
    ledger: Ledger = field(default_factory=Ledger)
    """Ordinary files in the bag's folder, and the lines of its manifests."""
    payload_algorithms: list[str] = field(default_factory=list)
    """Of payload manifests that can be read."""
    tag_algorithms: list[str] = field(default_factory=list)
    texts: dict[str, TextRead] = field(default_factory=dict)
    info: list[tuple[str, str]] = field(default_factory=list)
    packed: dict[str, PackedFile] = field(default_factory=dict)
    """By the path of the FLAC file."""
    own: bool = False
    """Written by this program, so that its canonical form is known."""
    is_as_written: bool = False
    """The declaration is the one that this program writes."""

    def facts(self, label: str) -> list[str]:
        """The values of a label, in any letter case."""
        return [value for name, value in self.info if name.lower() == label.lower()]


def read_bag(bag: Path, findings: Findings) -> BagContents:
    """Read the texts of a bag and list its folder. Raises FileError where it is no bag at all."""
    if not bag.is_dir():
        raise FileError(f"{bag} is no folder; name the folder that holds bagit.txt")
    contents = BagContents(bag)
    manifests = []
    try:
        for path, size in _walk(bag, "", findings):
            contents.ledger.add_file(path, size)
            if MANIFEST.fullmatch(path):
                manifests.append(path)
    except OSError as error:
        raise FileError(f"{bag} cannot be listed ({error.strerror or error}); look at its disk") from error
    if contents.ledger.size("bagit.txt") is None and not manifests:
        raise FileError(f"{bag} is no bag: there is no bagit.txt in it; name the folder that holds one")
    if not (bag / "data").is_dir():
        findings.add("data", "missing", "the folder of the payload is not there")
    manifests = _known_manifests(contents, manifests, findings)
    _read_declaration(contents, findings)
    _read_info(contents, findings)
    for name in manifests:
        _read_manifest(contents, name, findings)
    contents.ledger.pair()
    _read_packed(contents, findings)
    _read_fetch(contents, findings)
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


def _known_manifests(contents: BagContents, names: list[str], findings: Findings) -> list[str]:
    """Those with an algorithm that is known, each once; their algorithms are noted."""
    known: dict[str, str] = {}
    for name in sorted(names, key=lambda name: (name != name.lower(), name)):
        found = MANIFEST.fullmatch(name)
        assert found is not None
        algorithm = found[2].lower()
        if algorithm not in HASHES:
            findings.add(name, "manifest", f"uses {algorithm}, which is not known; known: {', '.join(HASHES)}")
        elif name.lower() in known:
            findings.add(name, "manifest", f"differs from {known[name.lower()]} only in letter case and is not read")
        else:
            known[name.lower()] = name
            (contents.tag_algorithms if found[1] else contents.payload_algorithms).append(algorithm)
    return sorted(known.values())


@contextlib.contextmanager
def _tag_file(contents: BagContents, name: str, findings: Findings) -> Iterator[HashedFile]:
    """An open tag file that is there; its checksums are noted when it was read."""
    try:
        with open_inside(contents.path, name) as opened:
            file = HashedFile(opened, contents.tag_algorithms)
            yield file
            digests = file.finish()
            contents.texts[name] = TextRead(file.octets, digests)
    except OSError as error:
        findings.add(name, "unreadable", f"cannot be read ({error.strerror or error})")


def _text(contents: BagContents, name: str, findings: Findings, most: int = MOST_TEXT_BYTES) -> bytes | None:
    """A tag file whole; None where it is not there, cannot be read or is too large."""
    data = None
    if contents.ledger.size(name) is not None:
        with _tag_file(contents, name, findings) as file:
            data = file.read(most + 1)
    if data is not None and len(data) > most:
        findings.add(name, "tags", f"has more than {most} bytes and is not read")
        return None
    return data


def _read_declaration(contents: BagContents, findings: Findings) -> None:
    if contents.ledger.size("bagit.txt") is None:
        findings.add("bagit.txt", "missing", "the declaration of the bag is not there")
        return
    data = _text(contents, "bagit.txt", findings)
    if data is None:
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
        io.TextIOWrapper(io.BytesIO(), contents.encoding).read()
    except (LookupError, ValueError):
        contents.encoding = "utf-8"
        findings.add("bagit.txt", "tags", f"names a character encoding that is not known: {found[3][:40]!r}")
    contents.is_as_written = data == DECLARATION


def _read_info(contents: BagContents, findings: Findings) -> None:
    data = _text(contents, INFO, findings)
    if data is None:
        return
    try:
        text = _without_mark(data.decode(contents.encoding), INFO, findings)
        contents.info = parse_info(text, strict=contents.version >= (1, 0))
    except ValueError as error:
        findings.add(INFO, "tags", f"cannot be read: {error}")
    # Known by its text where a damaged byte keeps it from being read: all the more has to be looked at then.
    contents.own = bool(contents.facts(FORMAT_LABEL)) or FORMAT_LABEL.encode() in data
    said = contents.facts(FORMAT_LABEL)
    if said and said != [BAG_FORMAT]:
        findings.add(
            INFO, "version", f"says the format {said[0]!r}, and {BAG_FORMAT} is the newest that this version knows",
            "audit it with a newer version of this program; if there is none, this file is damaged",
        )  # fmt: skip
    if contents.own and b"\r" in data:
        findings.add(INFO, "tags", "does not have the line ends that it was written with")
    for label in ONCE:
        if len(contents.facts(label)) > 1:
            findings.warn(INFO, "tags", f"has {label} more than once, which RFC 8493, 2.2.2 advises against")


def _without_mark(text: str, name: str, findings: Findings) -> str:
    if text.startswith(BOM):
        findings.add(name, "tags", "begins with a byte-order mark, which RFC 8493, 2.3 forbids")
    return text.removeprefix(BOM)


def _lines(contents: BagContents, file: HashedFile, name: str, findings: Findings) -> Iterator[tuple[int, str]]:
    """Number and text of every line with its end, CR, LF or both; stops with a finding where it is no text."""
    text = io.TextIOWrapper(cast(BinaryIO, file), contents.encoding, newline="")
    number = 0
    try:
        while line := text.readline(MOST_LINE):
            number += 1
            if len(line) == MOST_LINE and not line.endswith(("\n", "\r")):
                findings.add(
                    name, "manifest", f"line {number} has {MOST_LINE} characters and more; what follows is not read"
                )
                return
            yield number, line if number > 1 else _without_mark(line, name, findings)
    except ValueError as error:
        findings.add(name, "manifest", f"is no {contents.encoding} text ({error})")
    finally:
        text.detach()


def _read_manifest(contents: BagContents, name: str, findings: Findings) -> None:
    with _tag_file(contents, name, findings) as file:
        before = ""
        quirks: dict[str, int] = {}
        is_canonical = True
        for number, line in _lines(contents, file, name, findings):
            found = _manifest_line(contents, name, number, line.rstrip("\r\n"), findings)
            if found is None:
                is_canonical = False
                continue
            path = encode_path(found.path)
            is_canonical = is_canonical and before < path and line == manifest_line(found.path, found.digest)
            before = path
            if found.quirk:
                quirks[found.quirk] = quirks.get(found.quirk, 0) + 1
        if contents.own and not is_canonical:
            findings.add(name, "manifest", "is not in the form that it was written in")
        for quirk, count in quirks.items():
            findings.warn(
                name, "manifest", f"has {quirk} in {count} lines, which strict programs refuse (RFC 8493, 2.1.3)"
            )


def _manifest_line(contents: BagContents, name: str, number: int, line: str, findings: Findings) -> ManifestLine | None:
    """One line into the ledger; None where it is empty or cannot be followed."""
    manifest = MANIFEST.fullmatch(name)
    assert manifest is not None
    algorithm = manifest[2].lower()
    if not line:
        return None
    try:
        found = parse_manifest_line(line, algorithm, percent=contents.version >= (1, 0))
    except ValueError as error:
        findings.add(name, "manifest", f"line {number} {error}: {line[:80]!r}")
        return None
    path = found.path
    if problem := path_problem(path):
        findings.add(name, "unsafe", f"line {number}: the path {path[:200]!r} {problem}; it is not followed")
    elif path.startswith("data/") is bool(manifest[1]):
        where = "outside" if manifest[1] else "in"
        findings.add(name, "manifest", f"line {number}: {path!r} is not {where} data/")
    elif manifest[1] and (other := MANIFEST.fullmatch(path)) and other[1]:
        findings.add(name, "manifest", f"line {number}: lists {path!r}, and tag manifests list none of their kind")
    elif not contents.ledger.add_line(path, algorithm, found.digest):
        findings.add(name, "manifest", f"line {number}: {path!r} is listed twice")
    else:
        return found
    return None


def _read_packed(contents: BagContents, findings: Findings) -> None:
    if not contents.own:
        return
    data = _text(contents, PACKED, findings, MOST_PACKED_BYTES)
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


def _read_fetch(contents: BagContents, findings: Findings) -> None:
    """Files that are still elsewhere; RFC 8493, 2.2.3. Those that have come are files like any other."""
    name = "fetch.txt"
    if contents.ledger.size(name) is None:
        return
    fetch = "fetch them with the program that made the bag; this one fetches nothing"
    if contents.own:
        findings.add(name, "incomplete", "says that files of the bag are still elsewhere", fetch)
    with _tag_file(contents, name, findings) as file:
        for number, line in _lines(contents, file, name, findings):
            try:
                path = parse_fetch_line(line.rstrip("\r\n"))
            except ValueError as error:
                findings.add(name, "tags", f"line {number} {error}: {line[:80]!r}")
                continue
            if problem := path_problem(path):
                findings.add(name, "unsafe", f"line {number}: the path {path[:200]!r} {problem}; it is not followed")
            elif not path.startswith("data/"):
                findings.add(name, "tags", f"line {number}: {path!r} is not in data/")
            elif set(contents.payload_algorithms) - contents.ledger.algorithms_of(path):
                findings.add(name, "tags", f"line {number}: {path!r} is not in every manifest")
            elif not contents.ledger.is_there(path):
                findings.add(name, "incomplete", f"line {number}: {path} is still elsewhere", fetch)


def _check_parts(contents: BagContents, findings: Findings) -> None:
    """The parts that a bag has to have; RFC 8493, 2.1."""
    if not contents.payload_algorithms:
        findings.add("manifest-sha512.txt", "missing", "there is no manifest of the payload that can be read")
    if not contents.own:
        return
    for name in ("manifest-sha512.txt", "tagmanifest-sha256.txt", "tagmanifest-sha512.txt"):
        if contents.ledger.size(name) is None:
            findings.add(name, "missing", "is not there")
    if "bagit.txt" in contents.texts and not contents.is_as_written:
        findings.add("bagit.txt", "tags", "is not what was written")


def _finding(file: str, what: FindingKind, message: str, remedy: str) -> BagFinding:
    return BagFinding(file=_printable(file), what=what, message=_printable(message), remedy=remedy)


def _printable(text: str) -> str:
    """Names from a disk may hold bytes that are no text."""
    return text.encode("utf-8", "backslashreplace").decode("utf-8")
