"""A shelf audited by the workers of a dask scheduler."""

from __future__ import annotations

import socket
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from printq.archive import executors
from printq.archive.audit import audit_bag
from printq.archive.session_audit import check_session
from printq.archive.writer import write_bag
from printq.errors import UsageError
from printq.spool.archiving import archive_session
from tests.archive.conftest import items_of
from tests.archive.test_archive_session import Folder
from tests.conftest import need_package
from tests.sessions import SmallSession, read_audio, write_wav

pytestmark = [pytest.mark.slow, pytest.mark.filterwarnings("ignore")]


@pytest.fixture(scope="module")
def scheduler() -> Iterator[str]:
    """Address of one with a worker in a process of its own."""
    distributed = need_package("distributed")
    with distributed.LocalCluster(n_workers=1, threads_per_worker=1, dashboard_address=None) as cluster:
        yield cluster.scheduler_address


def test_a_cluster_finds_the_same_as_this_process(scheduler: str, make_bag: Callable[..., Path]) -> None:
    bag = make_bag(flac=True)
    (bag / "data/job.toml").write_bytes(b"?")
    found = audit_bag(bag, dask=scheduler)
    assert found == audit_bag(bag, workers=1)
    assert "data/job.toml" in {one.file for one in found.findings}


def test_a_cluster_measures_sessions_too(scheduler: str, tmp_path: Path) -> None:
    """Whole in every file, and with a print that is not what was delivered: the bag was written after the edit."""
    session = SmallSession(tmp_path / "waltz", seconds=0.5)
    session.run()
    archive_session(session.load(), Folder(tmp_path / "payload"))
    edited = tmp_path / "payload/dry/harp.bus.v1.wav"
    write_wav(edited, read_audio(edited) * 0.5)
    write_bag(tmp_path / "bag", items_of(tmp_path / "payload"), {}, flac=True)
    found = audit_bag(tmp_path / "bag", dask=scheduler, content_checks=[check_session])
    assert found == audit_bag(tmp_path / "bag", workers=1, content_checks=[check_session])
    assert {(one.file, one.what) for one in found.findings} >= {("data/dry/harp.bus.v1.wav.flac", "content")}


def test_a_scheduler_that_is_not_there_is_said_so(
    make_bag: Callable[..., Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    need_package("distributed")
    monkeypatch.setattr(executors, "CONNECT_S", 0.3)  # a port that nobody listens at refuses at once, every time
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        address = f"tcp://127.0.0.1:{free.getsockname()[1]}"
    with pytest.raises(UsageError, match="no dask scheduler answers"):
        audit_bag(make_bag(), dask=address)


def test_without_the_extra_it_is_said_what_to_install(
    make_bag: Callable[..., Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(UsageError, match=r"pip install 'printq\[cluster\]'"):
        audit_bag(make_bag(), dask="tcp://127.0.0.1:9")
