"""Names of prints: `clarinet.solo.v1.wav`, and beside it `clarinet.solo.v1.json`."""

from __future__ import annotations

from pathlib import Path

from printq.models.passes import Pass

__all__ = ["choose_version", "print_path", "sidecar_path", "staged_path", "take_path"]


def print_path(each: Pass, version: int) -> str:
    """Where a version of a print lies, relative to the session folder."""
    name = f"{each.print_name}.v{version}.wav"
    return name if each.folder in ("", ".") else f"{each.folder}/{name}"


def sidecar_path(print_file: str) -> str:
    """The sidecar of a print."""
    return print_file.removesuffix(".wav") + ".json"


def staged_path(each: Pass, take: int) -> str:
    """Where the print of a take waits for its verdict, relative to the session folder."""
    return f".printq/staging/{each.print_name}.take{take}.wav"


def take_path(each: Pass, number: int) -> str:
    """Where a raw take lies, relative to the session folder."""
    return f".printq/takes/{each.print_name}.take{number}.wav"


def choose_version(session: Path, each: Pass, last: int) -> int:
    """The next free version after `last`: neither print nor sidecar of that name exists on disk."""
    version = last + 1
    while any((session / name).exists() for name in _both(each, version)):
        version += 1
    return version


def _both(each: Pass, version: int) -> tuple[str, str]:
    name = print_path(each, version)
    return name, sidecar_path(name)
