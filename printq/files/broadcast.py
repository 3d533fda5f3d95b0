"""The Broadcast Wave `bext` chunk: EBU Tech 3285 version 2 (May 2011), and where it lies in a file.

Little-endian, 602 bytes of fixed fields, then the coding history as lines that end with CR/LF.
"""

from __future__ import annotations

import contextlib
import math
import struct
import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Literal

from printq.errors import FileError

__all__ = [
    "BroadcastExtension",
    "Chunk",
    "decode_broadcast",
    "find_chunks",
    "read_broadcast",
    "round_hundredths",
    "to_ascii",
]

FIXED = struct.Struct("<256s32s32s10s8sIIH64s5h180s")
UNUSED = 0x7FFF
"""A loudness field that says nothing; Tech 3285, 2.4."""
SIZE_IN_DS64 = 0xFFFFFFFF
"""A 32-bit size that refers to the `ds64` chunk; EBU Tech 3306."""
MOST_HISTORY_BYTES = 16_000
"""Of a coding history that is written: libsndfile 1.2.2 refuses a chunk with more than 16 383."""
MOST_READ_BYTES = 1 << 20
"""Of a chunk that is read: a damaged size must not fetch gigabytes of audio into memory."""
SPELLED_OUT = str.maketrans(
    {
        "ß": "ss", "æ": "ae", "Æ": "AE", "œ": "oe", "Œ": "OE", "ø": "o", "Ø": "O", "ł": "l", "Ł": "L", "đ": "d",
        "Đ": "D",
        "‘": "'", "’": "'", "“": '"', "”": '"', "„": '"', "‐": "-", "‑": "-", "–": "-", "—": "-", "×": "x",
    }
)  # fmt: skip
"""Letters and signs that have no ASCII base letter in Unicode."""


@dataclass(frozen=True)
class BroadcastExtension:
    """What a `bext` chunk says. Loudness figures are in LUFS, LU and dBTP; None where there are none."""

    description: str = ""
    originator: str = ""
    originator_reference: str = ""
    origination_date: str = ""
    """yyyy-mm-dd."""
    origination_time: str = ""
    """hh:mm:ss."""
    time_reference: int = 0
    """First sample since midnight, at the file's rate; 64 bits, without a sign."""
    loudness_value: float | None = None
    loudness_range: float | None = None
    max_true_peak: float | None = None
    max_momentary: float | None = None
    max_short_term: float | None = None
    coding_history: tuple[str, ...] = ()
    """One line for each coding step, oldest first; EBU R 98."""
    version: int = 2

    def __post_init__(self) -> None:
        if not 0 <= self.time_reference < 1 << 64:
            raise ValueError(f"a time reference has 64 bits and no sign, {self.time_reference} does not fit")

    def encode(self) -> bytes:
        """The data of the chunk: text as `to_ascii` spells it and cut to its field, the UMID zero.

        Of a history over 16 000 bytes the oldest lines are left out.
        """
        return FIXED.pack(
            _ascii(self.description, 256),
            _ascii(self.originator, 32),
            _ascii(self.originator_reference, 32),
            _ascii(self.origination_date, 10),
            _ascii(self.origination_time, 8),
            self.time_reference & 0xFFFFFFFF,
            self.time_reference >> 32,
            self.version,
            b"",  # UMID: zero where there is none
            *(self._loudness_fields() if self.version >= 2 else (0, 0, 0, 0, 0)),
            b"",
        ) + _history_bytes(self.coding_history)

    def _loudness_fields(self) -> tuple[int, int, int, int, int]:
        width = self.loudness_range
        return (
            round_hundredths(self.loudness_value),
            round_hundredths(width if width is None or width >= 0.0 else None),
            round_hundredths(self.max_true_peak),
            round_hundredths(self.max_momentary),
            round_hundredths(self.max_short_term),
        )


def decode_broadcast(data: bytes) -> BroadcastExtension:
    """Read the data of a chunk of any version; loudness out of range is ignored, as Tech 3285, 2.4 asks.

    Text that is no ASCII is taken as UTF-8, or else as Latin-1. Raises ValueError where the data are too short.
    """
    if len(data) < FIXED.size:
        raise ValueError(f"a bext chunk has at least {FIXED.size} bytes, this one has {len(data)}")
    fields = FIXED.unpack(data[: FIXED.size])
    version = fields[7]
    loudness = [_hundredths(value) if version >= 2 else None for value in fields[9:14]]
    history = _text(data[FIXED.size :])
    width = loudness[1]
    return BroadcastExtension(
        description=_text(fields[0]),
        originator=_text(fields[1]),
        originator_reference=_text(fields[2]),
        origination_date=_text(fields[3]),
        origination_time=_text(fields[4]),
        time_reference=fields[5] | fields[6] << 32,
        loudness_value=loudness[0],
        loudness_range=width if width is not None and width >= 0.0 else None,
        max_true_peak=loudness[2],
        max_momentary=loudness[3],
        max_short_term=loudness[4],
        coding_history=tuple(line for line in history.replace("\r", "\n").split("\n") if line),
        version=version,
    )


def round_hundredths(value: float | None) -> int:
    """A loudness field: hundredths, half away from zero; unused where there is nothing or it does not fit.

    Python's own `round` goes to the even neighbour and fails the standard's examples (-22.645 is -2265).
    """
    if value is None or not math.isfinite(value):
        return UNUSED
    hundredths = int(100.0 * value + math.copysign(0.5, value))
    return hundredths if -9999 <= hundredths <= 9999 else UNUSED


def to_ascii(text: str) -> str:
    """Text as a `bext` chunk can carry it, in one line: accents fall off, other letters become question marks."""
    decomposed = unicodedata.normalize("NFKD", text.translate(SPELLED_OUT))
    plain = "".join(letter for letter in decomposed if not unicodedata.combining(letter))
    return "".join(letter if letter.isprintable() else " " for letter in plain.encode("ascii", "replace").decode())


@dataclass(frozen=True)
class Chunk:
    """A chunk of a RIFF, RF64, BW64 or AIFF file."""

    name: bytes
    start: int
    """Where its data begins in the file."""
    size: int
    """Bytes of data, as the header says."""


def find_chunks(file: BinaryIO) -> Iterator[Chunk]:
    """The chunks of a wave or AIFF file, in order; nothing where it is neither.

    Sizes are as declared, also where the file is shorter. The walk ends at a header that cannot be one. Some writers
    forget the byte that follows a chunk of odd size; it is looked for, not taken for granted.
    """
    head = _read_at(file, 0, 12)
    order: Literal["little", "big"]
    if head[:4] in (b"RIFF", b"RF64", b"BW64") and head[8:] == b"WAVE":
        order = "little"
    elif head[:4] == b"FORM" and head[8:] in (b"AIFF", b"AIFC"):
        order = "big"
    else:
        return
    long_sizes: dict[bytes, int] = {}
    position = 12
    while len(header := _read_at(file, position, 8)) == 8:
        name, size = header[:4], int.from_bytes(header[4:], order)
        if not _is_name(name):
            return
        if name == b"ds64":
            long_sizes = _long_sizes(_read_at(file, position + 8, min(size, MOST_READ_BYTES)))
        if size == SIZE_IN_DS64 and name in long_sizes:
            size = long_sizes[name]
        yield Chunk(name, position + 8, size)
        position += 8 + size
        if size % 2:
            following = _read_at(file, position, 4)
            position += 0 if _is_name(following) else 1


def read_broadcast(path: Path, file: BinaryIO | None = None) -> BroadcastExtension | None:
    """The `bext` chunk of a file, or None where it has none or is no wave file.

    `file`: the same file where it is open already; it stays open.

    Raises FileError where the file cannot be read or the chunk is too short to be one.
    """
    try:
        with path.open("rb") if file is None else contextlib.nullcontext(file) as opened:
            for chunk in find_chunks(opened):
                if chunk.name == b"bext":
                    return decode_broadcast(_read_at(opened, chunk.start, min(chunk.size, MOST_READ_BYTES)))
    except OSError as error:
        raise FileError(f"{path} cannot be read ({error.strerror or error})") from error
    except ValueError as error:
        raise FileError(f"{path}: {error}; export the file again") from error
    return None


def _read_at(file: BinaryIO, position: int, size: int) -> bytes:
    file.seek(position)
    return file.read(size)


def _is_name(name: bytes) -> bool:
    """Chunk names are four printable ASCII characters."""
    return len(name) == 4 and all(0x20 <= byte < 0x7F for byte in name)


def _long_sizes(ds64: bytes) -> dict[bytes, int]:
    """Chunk sizes from the data of a `ds64` chunk: that of the audio, then a table of others; EBU Tech 3306."""
    entries = min(int.from_bytes(ds64[24:28], "little"), max(0, len(ds64) - 28) // 12)
    table = dict(struct.iter_unpack("<4sQ", ds64[28 : 28 + 12 * entries]))
    return {b"data": int.from_bytes(ds64[8:16], "little"), **table}


def _ascii(text: str, size: int) -> bytes:
    return to_ascii(text).encode("ascii")[:size]


def _history_bytes(lines: tuple[str, ...]) -> bytes:
    encoded = [to_ascii(line).encode("ascii") + b"\r\n" for line in lines]
    while sum(map(len, encoded)) > MOST_HISTORY_BYTES:
        del encoded[0]
    return b"".join(encoded)


def _text(field: bytes) -> str:
    text = field.split(b"\0", 1)[0]
    try:
        return text.decode("utf-8")
    except UnicodeDecodeError:
        return text.decode("latin-1")


def _hundredths(value: int) -> float | None:
    return value / 100.0 if -9999 <= value <= 9999 else None
