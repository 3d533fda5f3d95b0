"""A small session folder to put away."""

from __future__ import annotations

import datetime
import struct
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from printq.archive.writer import Item, write_bag

DAY = datetime.date(2026, 3, 1)
FACTS = {"External-Description": "Lighthouse waltz", "Contact-Name": "Chamber group"}


def chunk(name: bytes, data: bytes, pad: bytes = b"\0") -> bytes:
    """A RIFF chunk with its padding byte."""
    return name + struct.pack("<I", len(data)) + data + (pad if len(data) % 2 else b"")


def wave(
    bits: int, channels: int, frames: int, *, before: bytes = b"", after: bytes = b"", extensible: bool = False
) -> bytes:
    """A wave file made by hand, after the RIFF layout (Microsoft and IBM, 1991)."""
    data = np.random.default_rng(bits + frames).integers(0, 256, frames * channels * bits // 8, np.uint8).tobytes()
    align = channels * bits // 8
    form = struct.pack("<HHIIHH", 0xFFFE if extensible else 1, channels, 48000, 48000 * align, align, bits)
    if extensible:
        form += struct.pack("<HHI", 22, bits, 3) + bytes.fromhex("0100000000001000800000aa00389b71")
    body = b"WAVE" + chunk(b"fmt ", form) + before + chunk(b"data", data, b"\x5a") + after
    return b"RIFF" + struct.pack("<I", len(body)) + body


@pytest.fixture
def session(tmp_path: Path) -> Path:
    """Files of all kinds: packed and not, text, empty, other scripts, a percent sign."""
    folder = tmp_path / "waltz"
    files = {
        "dry/cello.wav": wave(24, 1, 333, before=chunk(b"junk", b"abc", b"\x07"), after=chunk(b"LIST", b"INFO\x01")),
        "dry/harp.wav": wave(16, 2, 500, extensible=True),
        "dry/short.wav": wave(24, 2, 50)[:-20],
        "dry/eight.wav": wave(8, 1, 300),
        "job.toml": b"[job]\n",
        "empty.txt": b"",
        "notes/100% done.txt": b"percent\n",
        "notes/Straße Σ 波.txt": b"other scripts\n",
    }
    for name, data in files.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(data)
    return folder


def items_of(folder: Path) -> list[Item]:
    """Everything in a folder."""
    return [Item(path.relative_to(folder).as_posix(), path) for path in sorted(folder.rglob("*")) if path.is_file()]


def tree(folder: Path) -> dict[str, bytes]:
    """Every file and its bytes."""
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


@pytest.fixture
def make_bag(session: Path, tmp_path: Path) -> Callable[..., Path]:
    """Writes the session into a bag."""

    def make(name: str = "bag", *, flac: bool = False) -> Path:
        write_bag(tmp_path / name, items_of(session), FACTS, flac=flac, within=session, date=DAY)
        return tmp_path / name

    return make
