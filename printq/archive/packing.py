"""Wave files as FLAC and back, byte for byte.

The samples go into FLAC; every other byte of the file (header, chunks before and after the samples, padding, sizes) is
kept as it is. Putting the three together again is proven by the checksum of the original before that is left out.
"""

from __future__ import annotations

import base64
import hashlib
import json
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

from printq.files.broadcast import SIZE_IN_DS64, find_chunks
from printq.files.soundfiles import FlacWriter, flac_samples

__all__ = ["PackedFile", "WavePlan", "original_bytes", "pack_wave", "packed_text", "parse_packed", "plan_wave"]

MOST_OTHER_BYTES = 1 << 20
"""Of a wave file that are no samples; one with more is stored as it is."""
MOST_CHANNELS = 8
MOST_RATE = 655_350
"""Hz; what libFLAC takes."""
PCM, EXTENSIBLE = 1, 0xFFFE
PCM_SUBFORMAT = bytes.fromhex("0100000000001000800000aa00389b71")
"""KSDATAFORMAT_SUBTYPE_PCM, as it lies in the file."""
FRAMES_AT_ONCE = 1 << 16


@dataclass(frozen=True)
class PackedFile:
    """How one file comes back."""

    path: str
    """Of the original, from the bag's folder."""
    stored: str
    """Of the FLAC file."""
    size: int
    sha512: str
    """Of the original."""
    head: bytes
    tail: bytes


@dataclass(frozen=True)
class WavePlan:
    """Where the samples lie in a wave file that FLAC can hold."""

    rate: int
    channels: int
    bits: int
    start: int
    size: int
    """Bytes of samples."""


def plan_wave(file: BinaryIO, length: int) -> WavePlan | None:
    """What FLAC would hold of an open file of this length; None where it is stored as it is."""
    layout: tuple[int, int, int] | None = None
    for chunk in find_chunks(file):
        if chunk.name == b"fmt ":
            file.seek(chunk.start)
            layout = _layout(file.read(min(chunk.size, 40)))
        elif chunk.name == b"data":
            if layout is None or chunk.size in (0, SIZE_IN_DS64) or chunk.start + chunk.size > length:
                return None
            rate, channels, bits = layout
            if chunk.size % (channels * bits // 8) or length - chunk.size > MOST_OTHER_BYTES:
                return None
            file.seek(0)
            return WavePlan(rate, channels, bits, chunk.start, chunk.size) if file.read(4) != b"FORM" else None
    return None


def _layout(data: bytes) -> tuple[int, int, int] | None:
    if len(data) < 16:
        return None
    tag, channels, rate, _, align, bits = struct.unpack("<HHIIHH", data[:16])
    plain = tag == PCM or (tag == EXTENSIBLE and data[24:40] == PCM_SUBFORMAT)
    fits = 1 <= channels <= MOST_CHANNELS and 1 <= rate <= MOST_RATE and bits in (16, 24)
    return (rate, channels, bits) if plain and fits and align == channels * bits // 8 else None


def pack_wave(file: BinaryIO, length: int, plan: WavePlan, target: Path) -> tuple[bytes, bytes, str]:
    """Write the samples of an open file as FLAC; each byte is read once.

    Returns the bytes before and after the samples and the SHA-512 of the file as it was read. Raises StorageError where
    the FLAC file cannot be written, OSError where the source cannot be read.
    """
    whole = hashlib.sha512()
    file.seek(0)
    head = file.read(plan.start)
    whole.update(head)
    left = plan.size
    with FlacWriter(target, plan.rate, plan.channels, plan.bits) as writer:
        while left:
            data = file.read(min(left, FRAMES_AT_ONCE * plan.channels * plan.bits // 8))
            if not data or len(data) % (plan.channels * plan.bits // 8):
                raise OSError("it became shorter while it was read")
            whole.update(data)
            writer.write_bytes(data)
            left -= len(data)
    tail = file.read(MOST_OTHER_BYTES + 1)
    whole.update(tail)
    return head, tail, whole.hexdigest()


def original_bytes(flac: Path, packed: PackedFile, file: BinaryIO | None = None) -> Iterator[bytes]:
    """The original file in pieces. Raises FileError where the FLAC cannot be decoded to its end.

    `file`: the FLAC file where it is open already.
    """
    yield packed.head
    yield from flac_samples(flac, file=file)
    yield packed.tail


def packed_text(files: list[PackedFile]) -> bytes:
    """The tag file that says how packed files come back, in its one canonical form."""
    entries = [
        {
            "path": one.path,
            "stored": one.stored,
            "bytes": one.size,
            "sha512": one.sha512,
            "before_samples": base64.b64encode(one.head).decode("ascii"),
            "after_samples": base64.b64encode(one.tail).decode("ascii"),
        }
        for one in sorted(files, key=lambda one: one.path.encode("utf-8"))
    ]
    document = {"format": "printq-packed-audio/1", "files": entries}
    return (json.dumps(document, indent=1, ensure_ascii=False) + "\n").encode("utf-8")


def parse_packed(data: bytes) -> list[PackedFile]:
    """Read that file. Raises ValueError where it is damaged or of a format that this version does not know."""
    try:
        document: Any = json.loads(data)
        if document["format"] != "printq-packed-audio/1":
            raise ValueError(f"has the format {document['format']!r}, which this version does not know")
        return [
            PackedFile(
                path=str(one["path"]),
                stored=str(one["stored"]),
                size=int(one["bytes"]),
                sha512=str(one["sha512"]),
                head=base64.b64decode(one["before_samples"], validate=True),
                tail=base64.b64decode(one["after_samples"], validate=True),
            )
            for one in document["files"]
        ]
    except (KeyError, TypeError, AttributeError, RecursionError) as error:
        raise ValueError(f"is not laid out as it has to be ({error!r})") from error
