"""Whole sessions through real bags: archived, checked by other programs, restored elsewhere, opened again."""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path

import pytest

from printq.archive import audit, session_audit, ties
from printq.archive.audit import audit_bag
from printq.archive.reading import Findings, read_bag
from printq.archive.restore import restore_bag
from printq.archive.session_audit import check_session
from printq.errors import StorageError, UsageError
from printq.intake import check_job, load_job
from printq.spool.archiving import ArchiveWishes, archive_session, bag_writer
from printq.spool.session import list_standings
from tests.conftest import need_program
from tests.sessions import SmallSession


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> SmallSession:
    """Printed, with a mix that was bounced from two prints and printed once more; not to be changed."""
    found = SmallSession(tmp_path_factory.mktemp("whole") / "waltz")
    found.run()
    shutil.copyfile(found.folder / "prints/mix.bus.v1.wav", found.folder / "dry/final.wav")
    found.job["stem"].append(
        {
            "id": "final",
            "file": "dry/final.wav",
            "made_from": ["clarinet", "harp"],
            "through": [{"insert": "bus", "snapshot": "glue", "send_db": -6.0}],
        }
    )
    found.write().run()
    return found


@pytest.fixture(scope="module", params=[False, True], ids=["plain", "flac"])
def bag(request: pytest.FixtureRequest, session: SmallSession, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An archive of it."""
    path = tmp_path_factory.mktemp("shelf") / "waltz"
    job = session.load()
    mix = session.folder / "dry/final.wav"
    report = archive_session(job, bag_writer(job, path, flac=request.param), ArchiveWishes(mixes=(mix,)))
    assert (report.packed > 0) == request.param
    return path


def test_other_programs_accept_the_bag(bag: Path) -> None:
    import bagit

    bagit.Bag(str(bag)).validate()
    sha512sum = need_program("sha512sum")
    for manifest in ("manifest-sha512.txt", "tagmanifest-sha512.txt"):
        done = subprocess.run([sha512sum, "--strict", "-c", manifest], cwd=bag, capture_output=True, check=False)
        assert done.returncode == 0, done.stderr


def test_the_audit_finds_nothing(bag: Path) -> None:
    assert audit_bag(bag, content_checks=[check_session]).findings == ()


def test_prints_are_measured_by_the_workers_too(bag: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """This process does not open one of them; what the workers find is what it would find."""

    def refuse(*arguments: object) -> None:
        raise AssertionError("read in this process")

    alone = audit_bag(bag, content_checks=[check_session])
    with monkeypatch.context() as patch:
        for module in (session_audit, ties, audit):
            patch.setattr(module, "SoundReader" if module is not session_audit else "measure_file", refuse)
        assert audit_bag(bag, workers=2, content_checks=[check_session]) == alone
        with pytest.raises(AssertionError, match="read in this process"):
            audit_bag(bag, workers=1, content_checks=[check_session])


def test_a_restored_session_is_the_same_byte_for_byte_and_opens(
    bag: Path, session: SmallSession, tmp_path: Path
) -> None:
    restore_bag(bag, tmp_path / "again")
    again = tmp_path / "again"
    for name, data in session.files().items():
        assert (again / name).read_bytes() == data, name
    assert check_job(again).problems == ()
    standings = list_standings(load_job(again))
    assert {standing.pass_id: standing.state for standing in standings} == {
        each.id: "printed" for each in session.load().passes
    }


def test_what_does_not_belong_together_is_found_though_every_checksum_were_right(bag: Path, tmp_path: Path) -> None:
    """As if the manifests had been written after the edit."""
    shutil.copytree(bag, tmp_path / "waltz")
    sidecar = tmp_path / "waltz/data/dry/harp.bus.v1.json"
    document = json.loads(sidecar.read_text())
    document["rendered"]["frames"] += 1
    sidecar.write_text(json.dumps(document, indent=2))
    found = check_session(read_bag(tmp_path / "waltz", Findings()))
    assert [(each.file.removesuffix(".flac"), each.what) for each in found] == [("data/dry/harp.bus.v1.wav", "content")]
    assert "frames" in found[0].message


# ---- places ----


def test_an_archive_in_the_session_itself_is_refused(session: SmallSession) -> None:
    with pytest.raises(UsageError, match="lies in the session folder"):
        bag_writer(session.load(), session.folder / "shelf/waltz")


def test_what_exists_is_not_overwritten(session: SmallSession, tmp_path: Path) -> None:
    (tmp_path / "waltz").mkdir()
    (tmp_path / "waltz/letter.txt").write_text("keep")
    with pytest.raises(StorageError, match="exists already and is never overwritten"):
        bag_writer(session.load(), tmp_path / "waltz")


def test_what_would_not_fit_is_said_before_it_is_written(
    session: SmallSession, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("printq.spool.archiving.free_bytes", lambda folder: 1000)
    job = session.load()
    with pytest.raises(StorageError, match=r"needs .* has 1.0 kB free"):
        archive_session(job, bag_writer(job, tmp_path / "waltz"))
    assert list(tmp_path.iterdir()) == []
