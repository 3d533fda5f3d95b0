"""A run that is killed leaves nothing half-written, and the next one goes on."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest
import soundfile

from printq.errors import ExitStatus
from printq.spool import delivering
from printq.spool.journal import Journal
from printq.spool.paths import SessionPaths
from tests.sessions import SmallSession, read_audio

MOMENTS = int(os.environ.get("PRINTQ_KILLS", "6"))

LAST_MOMENT = 110
"""The run of this session writes about so many times."""

DIE_AT_STEP = """
import os, signal, sys
from printq.files import atomic, soundfiles
from printq.spool import journal
from printq.cli.app import run_command_line

left = int(sys.argv[2])
of_all = sys.argv[3:] == ["all"]

def dying(function):
    def call(*arguments):
        global left
        left -= 1
        if left < 0:
            os.kill(os.getpid(), signal.SIGKILL)
        return function(*arguments)
    return call

journal.Journal.step = dying(journal.Journal.step)
if of_all:
    soundfiles._Writer._put = dying(soundfiles._Writer._put)
    atomic._move_exclusively = dying(atomic._move_exclusively)
    os.fsync = dying(os.fsync)
    os.replace = dying(os.replace)
sys.argv = ["printq", "run", sys.argv[1], "--yes", "--workers", "0"]
sys.exit(run_command_line())
"""


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory: pytest.TempPathFactory) -> SmallSession:
    """What the session looks like after a run that nobody disturbed."""
    session = SmallSession(tmp_path_factory.mktemp("undisturbed"), seconds=0.4)
    session.simulation.update({"noise_dbfs": -90.0, "latency_samples": 187.37, "restart_jitter_samples": 64})
    session.write().run()
    return session


@pytest.mark.skipif(sys.platform == "win32", reason="a kill is a POSIX signal here")
@pytest.mark.parametrize("moment", sorted(np.random.default_rng(9).integers(0, LAST_MOMENT, MOMENTS).tolist()))
def test_after_a_kill_at_any_write_the_next_run_ends_with_the_same_prints(
    undisturbed: SmallSession, tmp_path: Path, moment: int
) -> None:
    """Steps of the journal, blocks of audio, what goes to the disk, and renames, all counted together.

    PRINTQ_KILLS=100 kills as often.
    """
    session = SmallSession(tmp_path, seconds=0.4)
    session.simulation.update(undisturbed.simulation)
    session.write()
    done = subprocess.run(
        [sys.executable, "-c", DIE_AT_STEP, str(tmp_path), str(moment), "all"],
        capture_output=True,
        timeout=120,
        check=False,
    )
    assert done.returncode in (-9, 0)
    for name in session.prints():  # what has a name is whole
        assert read_audio(tmp_path / name).any()
        assert (tmp_path / name).with_suffix(".json").exists()
    assert session.run().exit_status is ExitStatus.DONE
    assert session.prints() == undisturbed.prints()
    for name in undisturbed.prints():
        assert audio_and_size(tmp_path / name) == audio_and_size(undisturbed.folder / name)
    assert list((tmp_path / ".printq/staging").iterdir()) == []
    assert [path for path in tmp_path.rglob("*") if path.name.endswith(".partial")] == []
    with closing(sqlite3.connect(SessionPaths(tmp_path).journal)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)


def audio_and_size(path: Path) -> tuple[bytes, int]:
    """Everything but the date and time of the recording."""
    samples = soundfile.read(path, dtype="int32")[0].tobytes()
    return samples, path.stat().st_size


class Killed(BaseException):
    """Stands for the end of the process; nothing catches it."""


@pytest.mark.parametrize("where", ["write_atomically", "publish", "_finish"])
def test_a_kill_between_journal_and_file_leads_to_the_same_file_and_no_second_version(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, where: str
) -> None:
    session = SmallSession(tmp_path, seconds=0.4)
    session.keep_stems("clarinet")

    def die(*args: object) -> None:
        raise Killed

    with monkeypatch.context() as patch:
        patch.setattr(delivering, where, die)
        with pytest.raises(Killed):
            session.run()
    with Journal(SessionPaths(tmp_path).journal, read_only=True) as journal:
        (intended,) = journal.deliveries("clarinet/tone")
    assert not intended.done
    report = session.run()
    assert report.exit_status is ExitStatus.DONE
    assert report.rolled_s == 0.0  # from its take, or from what was staged
    assert session.prints() == ["dry/clarinet.tone.v1.wav"]
    with Journal(SessionPaths(tmp_path).journal, read_only=True) as journal:
        (finished,) = journal.deliveries("clarinet/tone")
    assert finished.done


def test_a_take_that_was_rolling_at_a_kill_is_marked_and_taken_again(tmp_path: Path) -> None:
    session = SmallSession(tmp_path, seconds=0.4)
    session.keep_stems("clarinet")
    subprocess.run(
        [sys.executable, "-c", DIE_AT_STEP, str(tmp_path), "2"], capture_output=True, timeout=120, check=False
    )
    session.run()
    with Journal(SessionPaths(tmp_path).journal, read_only=True) as journal:
        assert {take.state for take in journal.takes("clarinet/tone")} == {"failed", "delivered"}
    assert session.prints() == ["dry/clarinet.tone.v1.wav"]
