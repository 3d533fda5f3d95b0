"""The texts of a bag: BagIt 1.0 (RFC 8493, October 2018). Nothing here opens a file."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from printq.errors import UsageError

__all__ = [
    "BAG_FORMAT",
    "DECLARATION",
    "FORMAT_LABEL",
    "HASHES",
    "INFO",
    "PACKED",
    "ManifestLine",
    "check_labels",
    "clash_key",
    "decode_path",
    "encode_path",
    "info_text",
    "manifest_line",
    "manifest_text",
    "parse_fetch_line",
    "parse_info",
    "parse_manifest_line",
    "path_problem",
    "windows_problem",
]

DECLARATION = b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
INFO = "bag-info.txt"
PACKED = "packed-audio.json"
FORMAT_LABEL = "Printq-Bag-Format"
BAG_FORMAT = "printq-bag/1"
HASHES = {"md5": 32, "sha1": 40, "sha256": 64, "sha512": 128}
"""Algorithms that are read, and how many hexadecimal digits each has."""
RESERVED_LABELS = {"bagging-date", "bag-size", "payload-oxum", FORMAT_LABEL.lower()}
LINE = re.compile(r"([0-9A-Fa-f]+)[ \t]+(\*?)(.+)", re.DOTALL)
FETCH_LINE = re.compile(r"([A-Za-z][A-Za-z0-9+.-]*:\S+)[ \t]+(-|[0-9]+)[ \t]+(.+)", re.DOTALL)
ENCODED = re.compile("%(0A|0D|25)", re.IGNORECASE)
MOST_PATH_BYTES = 4096
WINDOWS_FORBIDS = {*'<>:"|?*', *map(chr, range(32))}
WINDOWS_DEVICES = {"con", "prn", "aux", "nul", "conin$", "conout$"}
WINDOWS_DEVICES |= {f"{name}{number}" for name in ("com", "lpt") for number in "123456789¹²³"}


def path_problem(path: str) -> str | None:
    """Why a path may not be followed, in words; None where it stays inside the folder that it starts from."""
    if "\0" in path:
        return "has a zero byte in it"
    if "\\" in path:
        return "has a backslash in it, which parts folders on some systems"
    if path.startswith("/") or re.match("[A-Za-z]:", path):
        return "starts outside the bag"
    if path.startswith("~"):
        return "starts with a tilde, which stands for somebody's home"
    if any(part in ("", ".", "..") for part in path.split("/")):
        return "has a part that is empty, '.' or '..'"
    try:
        if len(path.encode("utf-8")) > MOST_PATH_BYTES:
            return f"is longer than {MOST_PATH_BYTES} bytes"
    except UnicodeEncodeError:
        return "is no valid Unicode"
    return None


def windows_problem(path: str) -> str | None:
    """Why Windows does not allow a path that others do, in words; None where it does. RFC 8493, 6.1.2."""
    for part in path.split("/"):
        if found := set(part) & WINDOWS_FORBIDS:
            return f"has {min(found)!r} in it"
        if part.endswith((" ", ".")):
            return "has a part that ends with a space or a full stop"
        if part.split(".")[0].rstrip().casefold() in WINDOWS_DEVICES:
            return f"has the part {part!r}, which stands for a device"
    return None


def clash_key(path: str) -> str:
    """The same for paths that some file systems take for one: letter case and Unicode normal forms."""
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", path).casefold())


def encode_path(path: str) -> str:
    """A path as a manifest writes it: only CR, LF and the percent sign are encoded; RFC 8493, 2.1.3."""
    return path.replace("%", "%25").replace("\n", "%0A").replace("\r", "%0D")


def decode_path(text: str, *, percent: bool = True) -> str:
    """The reverse; any other percent sequence stands for itself. Before 1.0 the percent sign itself was not encoded."""
    return ENCODED.sub(lambda found: chr(int(found[1], 16)) if percent or found[1] != "25" else found[0], text)


def manifest_line(path: str, digest: str) -> str:
    """One line of a manifest in its one canonical form: lower case, two spaces, LF."""
    return f"{digest.lower()}  {encode_path(path)}\n"


def manifest_text(checksums: Mapping[str, str]) -> bytes:
    """A manifest in its one canonical form: its lines sorted by the bytes of the path as it is written."""
    paths = sorted(checksums, key=lambda path: encode_path(path).encode("utf-8"))
    return "".join(manifest_line(path, checksums[path]) for path in paths).encode("utf-8")


@dataclass(frozen=True)
class ManifestLine:
    """What one line of a manifest says."""

    path: str
    digest: str
    """In lower case."""
    quirk: str | None
    """What RFC 8493 does not allow and checksum programs write, in words."""


def parse_manifest_line(text: str, algorithm: str, *, percent: bool = True) -> ManifestLine:
    """One line without its end; `percent` from version 1.0 on. Raises ValueError where it is none."""
    found = LINE.fullmatch(text)
    if found is None or len(found[1]) != HASHES[algorithm]:
        raise ValueError(f"is no {algorithm} checksum with a path after it")
    path = decode_path(found[3], percent=percent)
    quirk = None
    if found[2]:
        quirk = "an asterisk before the path"
    elif path.startswith("./"):
        quirk = "'./' before the path"
    elif percent and "%" in ENCODED.sub("", found[3]):
        quirk = "a percent sign that is not written as %25"
    return ManifestLine(path.removeprefix("./"), found[1].lower(), quirk)


def parse_fetch_line(text: str) -> str:
    """The path of one line of `fetch.txt`; RFC 8493, 2.2.3. Raises ValueError where it is none."""
    found = FETCH_LINE.fullmatch(text)
    if found is None:
        raise ValueError("is no address with a length and a path after it")
    return decode_path(found[3])


def info_text(info: Iterable[tuple[str, str]]) -> bytes:
    """The text of `bag-info.txt`; runs of white space in a value, line ends too, become one space."""
    return "".join(f"{label}: {' '.join(value.split())}\n" for label, value in info).encode("utf-8")


def check_labels(info: Mapping[str, str]) -> None:
    """Raises UsageError for a label that cannot be one or that the writer fills in itself."""
    for label in info:
        if not label.strip() or label != label.strip() or ":" in label or not label.isprintable():
            raise UsageError(f"{label!r} cannot be a label of {INFO}; use letters, digits and hyphens")
        if label.lower() in RESERVED_LABELS:
            raise UsageError(f"{label} in {INFO} is worked out when a bag is written; leave it out")


def parse_info(text: str, *, strict: bool = True) -> list[tuple[str, str]]:
    """Labels and values in order, continuation lines joined by a space.

    `strict`: as from version 1.0 on, a label ends at its colon, and white space follows. Raises ValueError where a line
    has no label.
    """
    found: list[tuple[str, str]] = []
    for line in re.split("\r\n|\n|\r", text):
        if not line.strip():
            continue
        if line[0] in " \t" and found:
            label, value = found[-1]
            found[-1] = (label, f"{value} {line.strip()}")
            continue
        label, colon, value = line.partition(":")
        if not colon or not label.strip():
            raise ValueError(f"has a line without a label: {line[:60]!r}")
        if strict and (label != label.strip() or value[:1] not in (" ", "\t")):
            raise ValueError(f"has white space before a colon, or none after it: {line[:60]!r}")
        found.append((label.strip(), value.strip()))
    return found
