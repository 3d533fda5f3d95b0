"""Wave files as the world writes them: each comes back byte for byte, packed where FLAC can hold it."""

from __future__ import annotations

import io
import struct
from pathlib import Path

import numpy as np
import pytest
import soundfile

from printq.archive.audit import audit_bag
from printq.archive.packing import MOST_OTHER_BYTES
from printq.archive.restore import restore_bag
from printq.archive.writer import write_bag
from tests.archive.conftest import DAY, FACTS, chunk, items_of, tree, wave

UNSAID = 0xFFFFFFFF


def rf64(name: bytes, frames: int, *, table: bytes = b"", riff_size: int = UNSAID) -> bytes:
    """A wave file whose sizes stand in `ds64` (EBU Tech 3306, BW64: ITU-R BS.2088), small for the test's sake."""
    plain = wave(24, 2, frames)
    at = plain.index(b"data")
    data = plain[at + 8 :]
    ds64 = chunk(
        b"ds64", struct.pack("<QQQI", len(plain) + 28 + len(table), len(data), frames, len(table) // 12) + table
    )
    return (
        name + struct.pack("<I", riff_size) + b"WAVE" + ds64 + plain[12:at] + b"data" + struct.pack("<I", UNSAID) + data
    )


def floats(subtype: str, file_format: str = "WAV") -> bytes:
    samples = np.random.default_rng(3).uniform(-1.5, 1.5, (400, 2))
    file = io.BytesIO()
    soundfile.write(file, samples, 48_000, subtype=subtype, format=file_format)
    return file.getvalue()


PACKED = {
    "rf64": rf64(b"RF64", 600),
    "bw64": rf64(b"BW64", 600),
    "rf64-with-a-table-of-sizes": rf64(b"RF64", 600, table=b"junk" + struct.pack("<Q", 5)),
    "rf64-that-says-its-size-too": rf64(b"RF64", 600, riff_size=4000),
    "junk-after-the-last-chunk": wave(24, 1, 600) + b"left over by an editor\0\0",
    "a-single-byte-after": wave(24, 1, 600) + b"\x07",
    "odd-samples-and-a-padding-byte": wave(24, 1, 601, after=chunk(b"LIST", b"INFO")),
    "odd-samples-and-no-padding-byte": wave(24, 1, 601)[:-1] + chunk(b"LIST", b"INFO"),
    "odd-chunks-after": wave(16, 2, 600, after=chunk(b"bext", b"x" * 603, b"\x55") + chunk(b"iXML", b"<a/>.")),
    "a-chunk-cut-off": wave(16, 2, 600, after=chunk(b"LIST", b"x" * 40)[:-10]),
    "eight-channels": wave(24, 8, 600, extensible=True),
    "a-riff-size-of-zero": wave(24, 1, 600)[:4] + bytes(4) + wave(24, 1, 600)[8:],
    "another-rate": wave(24, 1, 600).replace(struct.pack("<II", 48000, 144000), struct.pack("<II", 44056, 132168)),
}
"""What FLAC holds."""

AS_IT_IS = {
    "floats": floats("FLOAT"),
    "doubles": floats("DOUBLE"),
    "floats-in-rf64": floats("FLOAT", "RF64"),
    "32-bits": floats("PCM_32"),
    "eight-bits": wave(8, 1, 600),
    "nine-channels": wave(24, 9, 600, extensible=True),
    "samples-that-end-inside-a-frame": wave(24, 2, 600)[:-2],
    "aiff": floats("PCM_24", "AIFF"),
    "a-law": floats("ALAW"),
    "no-samples": wave(24, 1, 0),
    "no-format": wave(24, 1, 600).replace(b"fmt ", b"xxxx"),
    "no-wave": b"RIFF",
    "more-beside-the-samples-than-in-memory": wave(24, 1, 600, after=chunk(b"junk", bytes(MOST_OTHER_BYTES))),
}


@pytest.mark.parametrize("name", [*PACKED, *AS_IT_IS])
def test_it_comes_back_byte_for_byte_packed_where_flac_can_hold_it(tmp_path: Path, name: str) -> None:
    session = tmp_path / "session"
    session.mkdir()
    (session / f"{name}.wav").write_bytes({**PACKED, **AS_IT_IS}[name])
    write_bag(tmp_path / "bag", items_of(session), FACTS, flac=True, date=DAY)
    stored = f"{name}.wav.flac" if name in PACKED else f"{name}.wav"
    assert [path.name for path in (tmp_path / "bag/data").iterdir()] == [stored]
    audit = audit_bag(tmp_path / "bag")
    assert audit.findings == ()
    assert audit.packed == (name in PACKED)
    restore_bag(tmp_path / "bag", tmp_path / "again")
    assert tree(tmp_path / "again") == tree(session)


def test_packed_samples_are_those_that_other_programs_read(tmp_path: Path) -> None:
    """libsndfile reads the wave file and the FLAC by itself."""
    session = tmp_path / "session"
    session.mkdir()
    (session / "eight.wav").write_bytes(PACKED["eight-channels"])
    (session / "long.wav").write_bytes(PACKED["rf64"])
    write_bag(tmp_path / "bag", items_of(session), FACTS, flac=True, date=DAY)
    for name in ("eight.wav", "long.wav"):
        before = soundfile.read(session / name, dtype="int32")
        after = soundfile.read(tmp_path / "bag/data" / f"{name}.flac", dtype="int32")
        np.testing.assert_array_equal(before[0], after[0])
        assert before[1] == after[1]
