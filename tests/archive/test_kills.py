"""`printq archive` and `printq restore`, killed at any moment: what has its final name is whole, a second try succeeds.

PRINTQ_ARCHIVE_KILLS=50 kills as often.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from printq.archive.audit import audit_bag
from printq.archive.session_audit import check_session
from tests.archive.conftest import tree
from tests.sessions import SmallSession

KILLS = int(os.environ.get("PRINTQ_ARCHIVE_KILLS", "3"))
pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(sys.platform == "win32", reason="a kill is a POSIX signal here"),
]

DIE = """
import os, signal, sys

place, left = sys.argv[1], int(sys.argv[2])
seen = 0

def listen(event, arguments):
    # Python tells of every open, rename, removal and so on before it happens.
    global seen
    if event != "open" and not event.startswith(("os.", "shutil.", "fcntl.")):
        return
    if event == "fcntl.flock" or any(isinstance(each, (str, os.PathLike)) and place in str(each) for each in arguments):
        seen += 1
        if seen == left:
            os.kill(os.getpid(), signal.SIGKILL)

fsync = os.fsync

def synced(handle):
    fsync(handle)
    listen("os.fsync", (place,))

os.fsync = synced
sys.addaudithook(listen)
from printq.cli.app import run_command_line
sys.argv = ["printq", *sys.argv[3:]]
status = run_command_line()
print(seen, file=sys.stderr)
sys.exit(status)
"""


def killed(place: Path, moment: int, *words: object) -> subprocess.CompletedProcess[str]:
    """A command that dies when it touches `place` for so manieth time; 0: it lives, and tells how often it did."""
    command = [sys.executable, "-c", DIE, str(place), str(moment), *map(str, words)]
    done = subprocess.run(
        command, cwd=Path(__file__).parents[2], capture_output=True, text=True, check=False, timeout=120
    )
    assert done.returncode == (-9 if moment else 0), done.stderr
    return done


def moments(of: int, seed: int) -> list[int]:
    """In the whole of it, and among them the very last, where the final name is given."""
    found = np.random.default_rng(seed).integers(1, of + 1, KILLS)
    found[-1] = of
    return [int(moment) for moment in found]


@pytest.fixture(scope="module")
def printed(tmp_path_factory: pytest.TempPathFactory) -> SmallSession:
    found = SmallSession(tmp_path_factory.mktemp("printed") / "waltz", seconds=0.5)
    found.run()
    return found


def test_archive_killed_at_any_moment(printed: SmallSession, tmp_path: Path) -> None:
    words = ("archive", printed.folder, "--flac", "--to")
    before = printed.files()
    count = int(killed(tmp_path, 0, *words, tmp_path / "undisturbed").stderr.splitlines()[-1])
    assert count > 60
    finished = 0
    for moment in moments(count, 17):
        shutil.rmtree(tmp_path)
        tmp_path.mkdir()
        killed(tmp_path, moment, *words, tmp_path / "bag")
        assert printed.files() == before
        finished += (tmp_path / "bag").exists()
        if not (tmp_path / "bag").exists():
            killed(tmp_path, 0, *words, tmp_path / "bag")
        assert audit_bag(tmp_path / "bag", content_checks=[check_session]).findings == ()
        assert not (tmp_path / "bag.partial").exists()
    assert printed.files() == before
    assert finished < KILLS


def test_restore_killed_at_any_moment(printed: SmallSession, tmp_path: Path) -> None:
    bag = tmp_path / "shelf/bag"
    place = tmp_path / "desk"
    killed(place, 0, "archive", printed.folder, "--flac", "--to", bag)
    before = tree(bag)
    words = ("restore", bag, "--json", "--to")
    done = killed(place, 0, *words, place / "undisturbed")
    count = int(done.stderr.splitlines()[-1])
    assert count > 40
    expected = tree(place / "undisturbed")
    assert len(expected) == json.loads(done.stdout)["files"]
    for moment in moments(count, 18):
        shutil.rmtree(place, ignore_errors=True)
        killed(place, moment, *words, place / "again")
        assert tree(bag) == before
        if not (place / "again").exists():
            killed(place, 0, *words, place / "again")
        assert tree(place / "again") == expected
        assert not (place / "again.partial").exists()
