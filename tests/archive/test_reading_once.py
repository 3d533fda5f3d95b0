"""How much is read from the disk, by the system's own count."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
import soundfile

from printq.archive.audit import audit_bag
from printq.archive.restore import restore_bag
from printq.archive.writer import write_bag
from tests.archive.conftest import FACTS, chunk, items_of, wave

pytestmark = pytest.mark.skipif(not Path("/proc/self/io").exists(), reason="only Linux counts what a process reads")
TEXTS = 100_000
"""Bytes, at most, of the texts of a small bag, and of what Python reads for itself."""
FRAMES = 700_000


def bytes_read(function: Callable[[], object]) -> int:
    """What this process read meanwhile: every `read` of the system, by whichever library."""

    def count() -> int:
        text = Path("/proc/self/io").read_text()
        return int(dict(line.split(": ") for line in text.splitlines())["rchar"])

    before = count()
    function()
    return count() - before


def write_flac(path: Path) -> None:
    path.with_suffix(".wav").write_bytes(wave(24, 1, FRAMES))
    samples, rate = soundfile.read(path.with_suffix(".wav"), dtype="int32")
    path.with_suffix(".wav").unlink()
    soundfile.write(path, samples, rate, subtype="PCM_24")


@pytest.mark.parametrize(
    ("name", "flac"),
    [("cello.wav", False), ("cello.wav", True), ("cello.flac", False), ("cello.raw", False)],
    ids=["wave", "packed", "flac", "other"],
)
def test_audit_reads_each_byte_once_and_restore_once_more(tmp_path: Path, name: str, flac: bool) -> None:
    """2 MB of noise, so that FLAC is as large; a chunk after the samples, which a reader of the header looks for."""
    session = tmp_path / "session"
    session.mkdir()
    if name.endswith(".flac"):
        write_flac(session / name)
    else:
        (session / name).write_bytes(wave(24, 1, FRAMES, after=chunk(b"LIST", b"INFO" + bytes(40))))
    write_bag(tmp_path / "bag", items_of(session), FACTS, flac=flac)
    (stored,) = (tmp_path / "bag/data").iterdir()
    size = stored.stat().st_size
    assert stored.name == (f"{name}.flac" if flac else name)
    audit_bag(tmp_path / "bag")  # what is imported late is imported now
    assert size <= bytes_read(lambda: audit_bag(tmp_path / "bag")) < size + TEXTS
    assert size <= bytes_read(lambda: restore_bag(tmp_path / "bag", tmp_path / "again")) < 2 * size + TEXTS


def test_archive_reads_each_byte_of_the_session_once(tmp_path: Path) -> None:
    session = tmp_path / "session"
    session.mkdir()
    (session / "cello.wav").write_bytes(wave(24, 1, FRAMES))
    size = (session / "cello.wav").stat().st_size
    assert size <= bytes_read(lambda: write_bag(tmp_path / "bag", items_of(session), FACTS)) < size + TEXTS
