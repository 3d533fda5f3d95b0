"""Disks that are full: one sentence, status 7, and nothing under the final name. The rest stays as it was."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from printq.archive.restore import restore_bag
from printq.archive.writer import write_bag
from printq.errors import ExitStatus, StorageError
from tests.archive.conftest import DAY, FACTS, items_of, tree, wave
from tests.sessions import SmallSession

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="limits and mounts are POSIX here")
LIMITED = """
import resource, sys
from printq.cli.app import run_command_line
resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[1]),) * 2)
sys.argv = ["printq", *sys.argv[2:]]
sys.exit(run_command_line())
"""


@pytest.fixture(scope="module")
def printed(tmp_path_factory: pytest.TempPathFactory) -> SmallSession:
    found = SmallSession(tmp_path_factory.mktemp("printed") / "waltz", seconds=1.0)
    found.run()
    return found


def limited(octets: int, *words: object) -> subprocess.CompletedProcess[str]:
    """A command that may write files of so many bytes and no more: the system stops it in the middle of a file."""
    command = [sys.executable, "-c", LIMITED, str(octets), *map(str, words)]
    return subprocess.run(command, cwd=Path(__file__).parents[2], capture_output=True, text=True, check=False)


@pytest.mark.slow
@pytest.mark.parametrize("flac", [False, True])
def test_archive_and_restore_stop_in_the_middle_of_a_file_and_leave_nothing(
    printed: SmallSession, tmp_path: Path, flac: bool
) -> None:
    before = printed.files()
    packed = ["--flac"] if flac else []
    done = limited(100_000, "archive", printed.folder, "--to", tmp_path / "bag", *packed)
    assert done.returncode == ExitStatus.STORAGE, done.stderr
    assert "cannot be written" in done.stderr
    assert "Traceback" not in done.stderr
    assert list(tmp_path.iterdir()) == []
    assert printed.files() == before
    assert limited(1 << 30, "archive", printed.folder, "--to", tmp_path / "bag", *packed).returncode == 0
    bag = tree(tmp_path / "bag")
    done = limited(100_000, "restore", tmp_path / "bag", "--to", tmp_path / "again")
    assert done.returncode == ExitStatus.STORAGE, done.stderr
    assert "cannot be written" in done.stderr
    assert [path.name for path in tmp_path.iterdir()] == ["bag"]
    assert tree(tmp_path / "bag") == bag


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of one megabyte, where this machine lets us have one."""
    place = tmp_path / "disk"
    place.mkdir()
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(place)], capture_output=True, check=False
    )
    if done.returncode:
        pytest.skip("nothing can be mounted here")
    yield place
    subprocess.run(["umount", str(place)], check=True)


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() != 0, reason="only root mounts a disk")
@pytest.mark.parametrize("flac", [False, True])
def test_a_disk_that_is_really_full_is_said_to_be(small_disk: Path, tmp_path: Path, flac: bool) -> None:
    """Two megabytes of noise, which FLAC makes no smaller."""
    session = tmp_path / "session"
    session.mkdir()
    for number in range(4):
        (session / f"{number}.wav").write_bytes(wave(24, 1, 170_000 + number))
    with pytest.raises(StorageError, match="the disk is full; make room"):
        write_bag(small_disk / "bag", items_of(session), FACTS, flac=flac, date=DAY)
    assert list(small_disk.iterdir()) == []
    write_bag(tmp_path / "bag", items_of(session), FACTS, flac=flac, date=DAY)
    with pytest.raises(StorageError, match="the disk is full; make room"):
        restore_bag(tmp_path / "bag", small_disk / "again")
    assert list(small_disk.iterdir()) == []


@pytest.mark.parametrize("call", [1, 5, 11])
def test_restore_on_a_full_disk_leaves_nothing(
    make_bag: Callable[..., Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, call: int
) -> None:
    """At the first file, at a later one, at the folders."""
    bag = make_bag(flac=True)
    real, left = os.fsync, [call]

    def full(handle: int) -> None:
        left[0] -= 1
        if not left[0]:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        real(handle)

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(StorageError, match="the disk is full"):
        restore_bag(bag, tmp_path / "again")
    assert not list(tmp_path.glob("again*"))
