"""What is said of a bag: when it was written, when it was looked through, when it was laid out again."""

from __future__ import annotations

from typing import Literal

from printq.models.base import Record

__all__ = ["Audit", "BagFinding", "BagRecord", "FindingKind", "RestoreRecord"]

FindingKind = Literal[
    "changed", "missing", "extra", "renamed", "unsafe", "unreadable", "manifest", "tags", "incomplete", "audio",
    "version", "content",
]  # fmt: skip


class BagFinding(Record):
    """One thing that is wrong with a bag."""

    file: str
    """From the bag's folder, with `/`; the manifest itself where that is what is wrong."""
    what: FindingKind
    message: str
    remedy: str


class BagRecord(Record):
    """A bag that was written."""

    path: str
    files: int
    """In the payload, as stored."""
    bytes: int
    """Of the payload, as stored."""
    packed: int
    """Files stored as FLAC."""
    manifest_sha512: str
    """Of the payload manifest: one line that stands for everything in the bag."""


class Audit(Record):
    """A bag that was looked through."""

    path: str
    ok: bool
    findings: tuple[BagFinding, ...]
    more_findings: int
    """Findings beyond the first thousand, which are only counted."""
    warnings: tuple[BagFinding, ...] = ()
    """What people should hear of in a bag that is whole all the same: audio that was broken when it was put in, and
    what RFC 8493 advises against."""
    more_warnings: int = 0
    """Beyond the first thousand."""
    files: int
    """Payload and tag files that were read."""
    bytes: int
    """That were read."""
    packed: int
    """FLAC files of which the original's checksum was worked out."""


class RestoreRecord(Record):
    """A bag that was laid out again."""

    bag: str
    path: str
    files: int
    bytes: int
    unpacked: int
    """Files that were FLAC in the bag."""
