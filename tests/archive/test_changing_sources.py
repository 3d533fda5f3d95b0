"""A source that is written to while it is archived: never half the old and half the new in a bag that looks right."""

from __future__ import annotations

import hashlib
import os
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from printq.archive import packing, writer
from printq.archive.writer import Item, write_bag
from printq.errors import FileError
from printq.intake import load_job
from printq.spool import archiving
from printq.spool.archiving import ArchiveWishes, archive_session, bag_writer
from tests.archive.conftest import FACTS, wave
from tests.sessions import SmallSession


def grow(path: Path) -> None:
    with path.open("ab") as file:
        file.write(b"more")


def shorten(path: Path) -> None:
    os.truncate(path, path.stat().st_size - 300)


def rewrite(path: Path) -> None:
    """Another last byte, and the size and time of before: only the content tells."""
    before = path.stat()
    data = path.read_bytes()
    with path.open("r+b") as file:  # the same file: one that is put in its place is not the one that is read
        file.write(data[:-1] + bytes([data[-1] ^ 1]))
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))


def touch(path: Path) -> None:
    os.utime(path, ns=(1, 1))


def once(change: Callable[[Path], None], path: Path, function: Callable[..., Any]) -> Callable[..., Any]:
    """The function, and the change after its first call."""
    left = [change]

    def call(*arguments: Any, **named: Any) -> Any:
        result = function(*arguments, **named)
        while left:
            left.pop()(path)
        return result

    return call


@pytest.fixture(scope="module")
def printed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """All printed; not to be changed."""
    session = SmallSession(tmp_path_factory.mktemp("printed") / "waltz", seconds=0.5)
    session.run()
    return session.folder


@pytest.fixture
def source(tmp_path: Path) -> Path:
    (tmp_path / "session").mkdir()
    (tmp_path / "session/cello.wav").write_bytes(wave(24, 2, 150_000))
    return tmp_path / "session/cello.wav"


@pytest.mark.parametrize("flac", [False, True])
@pytest.mark.parametrize("change", [grow, shorten, rewrite, touch])
def test_a_source_that_changes_while_it_is_read_is_noticed(
    source: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, flac: bool, change: Callable[[Path], None]
) -> None:
    """After its first block; `rewrite` is known by the checksum of when it was looked at."""
    item = Item("cello.wav", source, sha512=hashlib.sha512(source.read_bytes()).hexdigest())
    progress = None
    if flac:
        monkeypatch.setattr(packing.FlacWriter, "write_bytes", once(change, source, packing.FlacWriter.write_bytes))
    else:
        monkeypatch.setattr(writer, "AT_ONCE", 1 << 16)
        progress = once(change, source, lambda path, octets: None)
    with pytest.raises(FileError, match=r"changed while it was read|not what it was|became shorter"):
        write_bag(tmp_path / "bag", [item], FACTS, flac=flac, progress=progress)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["session"]


@pytest.mark.parametrize("flac", [False, True])
@pytest.mark.parametrize("name", ["dry/viola.wav", "dry/harp.bus.v1.wav", "prints/mix.bus.v1.wav"])
def test_what_was_looked_at_is_what_is_archived(printed: Path, tmp_path: Path, name: str, flac: bool) -> None:
    """Rewritten after it was held against its sidecar, before it is copied."""
    job = load_job(shutil.copytree(printed, tmp_path / "waltz"))

    def tell(text: str) -> None:
        if text.startswith("writing"):
            rewrite(job.session / name)

    with pytest.raises(FileError, match=rf"{name} is not what it was when it was looked at"):
        archive_session(job, bag_writer(job, tmp_path / "bag", flac=flac), tell=tell)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["waltz"]


def test_a_mix_that_changes_while_it_is_proved_is_not_archived(
    printed: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    mix = Path(shutil.copyfile(printed / "prints/mix.bus.v1.wav", tmp_path / "final.wav"))
    monkeypatch.setattr(archiving, "prove_mix", once(rewrite, mix, archiving.prove_mix))
    job = load_job(printed)
    with pytest.raises(FileError, match="changed while it was held against the prints"):
        archive_session(job, bag_writer(job, tmp_path / "bag"), ArchiveWishes(mixes=(mix,)))
    assert not (tmp_path / "bag").exists()
