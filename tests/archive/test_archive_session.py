"""Whole sessions on the simulated rack: what is archived, what is refused, and that it opens again elsewhere."""

from __future__ import annotations

import json
import shutil
import sqlite3
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
import pytest
import tomlkit

from printq.archive.session_audit import Payload, check_content
from printq.archive.writer import Item
from printq.errors import FileError, HeldError, SessionBusyError, StoppedError
from printq.intake import check_job, load_job
from printq.models.archive import BagRecord
from printq.models.archived import ArchiveReport
from printq.spool.archiving import ArchiveWishes, archive_session
from printq.spool.lock import hold_session
from printq.spool.paths import SessionPaths
from printq.spool.session import list_standings
from tests.sessions import SmallSession, read_audio, write_wav

GENERATED = ("notes/", ".printq/journal.sqlite")


class Folder:
    """Writes the payload as a folder, so that what is in it can be looked at."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.label: dict[str, str] = {}

    def __call__(self, items: Sequence[Item], label: Mapping[str, str]) -> BagRecord:
        self.label = dict(label)
        for item in items:
            path = self.folder / item.path
            path.parent.mkdir(parents=True, exist_ok=True)
            if isinstance(item.source, Path):
                shutil.copyfile(item.source, path)
            else:
                path.write_bytes(item.source)
        return BagRecord(path=str(self.folder), files=len(items), bytes=0, packed=0, manifest_sha512="")

    def names(self) -> set[str]:
        return {path.relative_to(self.folder).as_posix() for path in self.folder.rglob("*") if path.is_file()}


@pytest.fixture(scope="module")
def printed_session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A session with a bus on its sum, all printed; not to be changed."""
    session = SmallSession(tmp_path_factory.mktemp("printed") / "waltz")
    session.run()
    return session.folder


@pytest.fixture
def session(printed_session: Path, tmp_path: Path) -> SmallSession:
    """A copy of it to change."""
    shutil.copytree(printed_session, tmp_path / "waltz")
    copied = SmallSession.__new__(SmallSession)
    copied.folder = tmp_path / "waltz"
    for name in ("rig", "snapshots", "job"):
        setattr(copied, name, tomlkit.parse((copied.folder / f"{name}.toml").read_text()).unwrap())
    return copied


@pytest.fixture
def folder(tmp_path: Path) -> Folder:
    return Folder(tmp_path / "restored")


def archive(session: SmallSession, folder: Folder, *mixes: Path, **wishes: bool) -> ArchiveReport:
    return archive_session(session.load(), folder, ArchiveWishes(mixes=mixes, **wishes))


def states(folder: Path) -> set[str]:
    return {standing.state for standing in list_standings(load_job(folder))}


def test_what_is_restored_opens_checks_and_is_printed(session: SmallSession, folder: Folder) -> None:
    report = archive(session, folder)
    restored = folder.folder
    assert check_job(restored).problems == ()
    assert states(restored) == {"printed"}
    assert report.prints == len(session.load().passes)
    for name in folder.names():
        if not name.startswith(GENERATED):
            assert (restored / name).read_bytes() == (session.folder / name).read_bytes(), name
    assert set(session.files()) <= folder.names()


def test_the_journal_is_a_whole_copy(session: SmallSession, folder: Folder) -> None:
    before = sqlite3.connect(session.folder / ".printq/journal.sqlite")
    told = list(before.iterdump())
    before.close()
    archive(session, folder)
    after = sqlite3.connect(folder.folder / ".printq/journal.sqlite")
    assert list(after.iterdump()) == told
    after.close()
    assert ".printq/journal.sqlite-wal" not in folder.names()


def test_raw_takes_stay_out_unless_asked_for_and_stay_where_they_are(session: SmallSession, tmp_path: Path) -> None:
    takes = sorted((session.folder / ".printq/takes").iterdir())
    without, with_takes = Folder(tmp_path / "a"), Folder(tmp_path / "b")
    archive(session, without)
    archive(session, with_takes, takes=True)
    assert not [name for name in without.names() if "/takes/" in name]
    assert [name for name in sorted(with_takes.names()) if "/takes/" in name] == [
        f".printq/takes/{take.name}" for take in takes
    ]
    assert sorted((session.folder / ".printq/takes").iterdir()) == takes


def test_earlier_versions_stay_out_unless_asked_for(session: SmallSession, tmp_path: Path) -> None:
    session.snapshots["snapshot"][0]["settings"]["eq"]["low"] = 5.0
    session.write().run()
    newest, every = Folder(tmp_path / "a"), Folder(tmp_path / "b")
    archive(session, newest)
    archive(session, every, all_versions=True)
    assert {"dry/clarinet.tone.v1.wav", "dry/clarinet.tone.v1.json"} <= every.names() - newest.names()
    assert "dry/clarinet.tone.v2.wav" in newest.names()
    assert states(newest.folder) == states(every.folder) == {"printed"}


def test_settings_story_and_contents_are_readable(session: SmallSession, folder: Folder) -> None:
    (session.folder / "sketch.txt").write_text("bow nearer to the bridge")
    report = archive(session, folder)
    notes = folder.folder / "notes"
    settings = (notes / "settings.txt").read_text()
    assert "clarinet/tone" in settings
    assert "low: 3 dB" in settings
    assert "range: wide (never moved)" in settings
    assert "clarinet.tone.v1.wav from take 1" in (notes / "journal.txt").read_text()
    assert "sha512sum -c" in (notes / "contents.txt").read_text()
    assert report.left_behind == ("sketch.txt",)
    assert "sketch.txt" in (notes / "left-behind.txt").read_text()


def test_photos_and_the_line_check_go_in(session: SmallSession, folder: Folder) -> None:
    session.snapshots["snapshot"][0]["photo"] = "photos/warm.jpg"
    session.snapshots["snapshot"][1]["photo"] = "photos/lost.jpg"
    (session.folder / "photos").mkdir()
    (session.folder / "photos/warm.jpg").write_bytes(b"a picture")
    (session.folder / ".printq/line-check.json").write_text("{}\n")
    report = archive(session.write(), folder)
    assert {"photos/warm.jpg", ".printq/line-check.json", ".printq/plan.json"} <= folder.names()
    assert report.problems == ("photos/lost.jpg is not there",)
    assert not report.as_is


def test_a_rig_outside_the_session_goes_in_and_is_found_again(session: SmallSession, folder: Folder) -> None:
    session.job["rig"] = "../rack/rig.toml"
    session.write()
    (session.folder.parent / "rack").mkdir()
    (session.folder / "rig.toml").rename(session.folder.parent / "rack/rig.toml")
    report = archive(session, folder)
    assert report.proof.session == folder.label["Printq-Session"] == "waltz"
    assert {"rack/rig.toml", "waltz/job.toml", "waltz/dry/harp.wav", "notes/contents.txt"} <= folder.names()
    assert states(folder.folder / "waltz") == {"printed"}


def test_an_absolute_path_to_the_rig_is_refused(session: SmallSession, folder: Folder) -> None:
    session.job["rig"] = (session.folder / "rig.toml").as_posix()
    with pytest.raises(FileError, match=r"absolute path.*copy the file into the session"):
        archive(session.write(), folder)


def test_a_link_that_leads_out_of_the_session_is_refused(session: SmallSession, folder: Folder, tmp_path: Path) -> None:
    elsewhere = tmp_path / "elsewhere.toml"
    (session.folder / "rig.toml").rename(elsewhere)
    (session.folder / "rig.toml").symlink_to(elsewhere)
    with pytest.raises(FileError, match=r"rig.toml is a link that leads out of the session"):
        archive(session, folder)


def test_a_folder_of_notes_in_the_session_is_left_alone(session: SmallSession, folder: Folder) -> None:
    session.job["snapshots"] = ["notes/snapshots.toml"]
    session.write()
    (session.folder / "notes").mkdir()
    (session.folder / "snapshots.toml").rename(session.folder / "notes/snapshots.toml")
    archive(session, folder)
    assert {"notes/snapshots.toml", "notes-2/settings.txt"} <= folder.names()
    assert states(folder.folder) == {"printed"}


# ---- what is refused, and what --as-is lets pass ----


def test_a_stale_print_is_refused_and_archived_as_it_is_on_the_record(session: SmallSession, folder: Folder) -> None:
    session.snapshots["snapshot"][0]["settings"]["eq"]["low"] = 5.0
    session.write()
    with pytest.raises(StoppedError, match=r"(?s)clarinet/tone is stale: eq low 3 -> 5.*printq run.*--as-is"):
        archive(session, folder)
    assert folder.names() == set()
    report = archive(session, folder, as_is=True)
    assert report.as_is
    assert {each.pass_id: each.state for each in report.proof.not_printed} == {
        "clarinet/tone": "stale",
        "mix/bus": "stale",
    }
    assert "clarinet/tone is stale" in folder.label["Printq-State"]
    assert "clarinet/tone is stale: eq low 3 -> 5" in (folder.folder / "notes/contents.txt").read_text()
    assert states(folder.folder) == {"printed", "stale"}


def test_a_held_take_is_refused(session: SmallSession, folder: Folder) -> None:
    session.job["limits"] = {"loudness": {"warn": 0.001, "fail": 0.002}}
    session.snapshots["snapshot"][0]["settings"]["eq"]["low"] = 9.0
    session.write().run(only=["clarinet"])
    with pytest.raises(HeldError, match=r"(?s)clarinet/tone is held.*printq accept"):
        archive(session, folder)
    report = archive(session, folder, as_is=True)
    assert {each.state for each in report.proof.not_printed} >= {"held"}
    assert "clarinet/tone: its take, which waits, is not in the archive; --takes puts it in" in report.problems


def test_a_print_that_is_gone_is_refused(session: SmallSession, folder: Folder) -> None:
    (session.folder / "dry/clarinet.tone.v1.wav").unlink()
    with pytest.raises(StoppedError, match=r"clarinet/tone is taken: clarinet.tone.v1.wav is gone"):
        archive(session, folder)
    archive(session, folder, as_is=True)
    assert "dry/clarinet.tone.v1.json" in folder.names()
    names = tuple(sorted(folder.names()))
    assert check_content(Payload(names, lambda name: folder.folder / name), names) == []


def test_a_bit_that_changed_in_a_print_without_its_size_or_time_is_found(session: SmallSession, folder: Folder) -> None:
    damaged = session.folder / "dry/viola.wire.v1.wav"
    flip_sample(damaged)
    with pytest.raises(FileError, match=r"viola.wire.v1.wav is not the file that was delivered"):
        archive(session, folder)
    report = archive(session, folder, as_is=True)
    assert report.as_is
    assert "viola.wire.v1.wav" in folder.label["Printq-State"]


def test_a_dry_file_that_changed_without_its_size_or_time_is_found(session: SmallSession, folder: Folder) -> None:
    flip_sample(session.folder / "dry/harp.wav")
    with pytest.raises(FileError, match=r"harp.wav is not what was played for harp.bus.v1.wav"):
        archive(session, folder)


def test_a_sidecar_of_another_print_is_found(session: SmallSession, folder: Folder) -> None:
    shutil.copyfile(session.folder / "dry/viola.tone.v1.json", session.folder / "dry/clarinet.tone.v1.json")
    with pytest.raises(FileError, match=r"clarinet.tone.v1.json belongs to viola.tone.v1.wav"):
        archive(session, folder)


def test_a_session_that_a_run_has_is_left_alone(session: SmallSession, folder: Folder) -> None:
    job = session.load()
    with hold_session(SessionPaths(job.session)), pytest.raises(SessionBusyError):
        archive_session(job, folder)
    assert folder.names() == set()


def flip_sample(path: Path) -> None:
    """Change one sample, and nothing that is seen from outside."""
    import os

    stat = path.stat()
    data = bytearray(path.read_bytes())
    data[-1000] ^= 1
    path.write_bytes(data)
    os.utime(path, ns=(stat.st_atime_ns, stat.st_mtime_ns))


# ---- the mix ----


def test_the_mix_that_the_bus_printed_is_named_and_the_sum_tied_to_it(
    session: SmallSession, folder: Folder, tmp_path: Path
) -> None:
    final = tmp_path / "final.wav"
    shutil.copyfile(session.folder / "prints/mix.bus.v1.wav", final)
    report = archive(session, folder, final)
    proof = report.proof.mixes[0]
    assert (proof.mix, proof.verdict, proof.compared_with) == ("mixes/final.wav", "same", "mix/bus")
    assert "sum of the prints (clarinet, viola, harp), sample for sample" in proof.summary
    assert folder.label["Printq-Sum-Proof"] == proof.summary
    on_record = json.loads((folder.folder / "notes/sum-proof.json").read_text())
    assert on_record["mixes"][0]["verdict"] == "same"
    tie = next(tie for tie in on_record["prints"] if tie["pass_id"] == "mix/bus")
    assert [part["stem"] for part in tie["played"]] == ["clarinet", "viola", "harp"]
    assert tie["problems"] == []
    assert (folder.folder / "mixes/final.wav").read_bytes() == final.read_bytes()


def test_a_mix_bounced_elsewhere_is_the_sum_with_gain_and_pan_of_the_job(session: SmallSession, folder: Folder) -> None:
    """By the formula: gains in dB, pan as balance, mono to both sides, all in double precision; rounded to 24 bits."""
    clarinet, viola, harp = (
        read_audio(session.folder / f"dry/{name}.v1.wav") for name in ("clarinet.tone", "viola.wire", "harp.bus")
    )
    mix = np.zeros((max(map(len, (clarinet, viola, harp))), 2))
    for print_, gain_db in ((clarinet, 0.0), (viola, -3.0), (harp, -3.0)):
        mix[: len(print_)] += print_ * 10 ** (gain_db / 20)
    write_wav(session.folder / "bounces/final.wav", mix)
    report = archive(session, folder, session.folder / "bounces/final.wav")
    proof = report.proof.mixes[0]
    assert (proof.mix, proof.verdict, proof.compared_with) == ("bounces/final.wav", "same", "sum of the prints in mix")
    assert [(part.stem, part.gain_db) for part in proof.parts] == [
        ("clarinet", 0.0),
        ("viola", -3.0),
        ("harp", -3.0),
    ]


def test_a_job_without_a_sum_is_summed_at_unity_from_where_its_stems_start(
    session: SmallSession, folder: Folder, tmp_path: Path
) -> None:
    session.keep_stems("clarinet", "harp")
    clarinet, harp = (read_audio(session.folder / f"dry/{name}.v1.wav") for name in ("clarinet.tone", "harp.bus"))
    mix = harp.copy()
    mix[: len(clarinet)] += clarinet
    write_wav(tmp_path / "final.wav", mix)
    proof = archive(session, folder, tmp_path / "final.wav").proof.mixes[0]
    assert (proof.verdict, proof.compared_with) == ("same", "sum of all stems")


def test_a_mix_that_is_not_there_is_refused(session: SmallSession, folder: Folder, tmp_path: Path) -> None:
    with pytest.raises(FileError, match=r"final.wav is not there; --mix wants"):
        archive(session, folder, tmp_path / "final.wav")
