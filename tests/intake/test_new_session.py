"""A session that is started from exported stems checks as it is, and leaves everything else alone."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from printq.errors import FileError, JobError, StorageError
from printq.intake import check_job, load_job, start_session
from printq.intake import new_session as module
from tests.intake.builders import RIG, SmallSession, write_wave

Folders = tuple[Path, Path, Path]


@pytest.fixture
def folders(tmp_path: Path) -> Folders:
    """(session folder to be made, folder of stems, rig file)."""
    write_wave(tmp_path / "exports/Clarinet.wav", 1)
    write_wave(tmp_path / "exports/Harp L+R.wav", 2)
    (tmp_path / "exports/notes.txt").write_text("take 3 of bar 12", encoding="utf-8")
    rig = tmp_path / "racks/lamp-room.toml"
    rig.parent.mkdir()
    rig.write_text(RIG, encoding="utf-8")
    return tmp_path / "waltz", tmp_path / "exports", rig


def listing(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def test_a_new_session_checks_with_a_caution_that_nothing_is_printed_yet(folders: Folders) -> None:
    written = start_session(*folders)
    session = folders[0]
    assert sorted(path.relative_to(session.resolve()).as_posix() for path in written) == sorted(listing(session))
    assert sorted(listing(session)) == [
        "dry/Clarinet.wav",
        "dry/Harp L+R.wav",
        "job.toml",
        "rig.toml",
        "snapshots.toml",
    ]
    report = check_job(session)
    assert report.job is not None
    assert [(problem.severity, problem.message) for problem in report.problems] == [("caution", "nothing to print yet")]
    assert report.job.title == "waltz"
    assert {name: facts.path for name, facts in report.job.dry_files.items()} == {
        "clarinet": "dry/Clarinet.wav",
        "harp-l-r": "dry/Harp L+R.wav",
    }


def test_every_line_that_it_offers_can_be_taken_as_it_is(folders: Folders) -> None:
    """With each offered line uncommented in turn, its pass is in the job."""
    start_session(*folders)
    job = folders[0] / "job.toml"
    text = job.read_text(encoding="utf-8")
    offered = [line for line in text.splitlines() if line.startswith("# through = ")]
    assert len(offered) == 3  # the mono stem through both inserts, the stereo stem through the stereo one
    for line in set(offered):
        job.write_text(text.replace(line, line.removeprefix("# ")), encoding="utf-8")
        assert load_job(job).passes
    job.write_text(text, encoding="utf-8")


def test_stems_and_rig_are_copied_and_not_moved(folders: Folders) -> None:
    before = {**listing(folders[1]), **listing(folders[2].parent)}
    start_session(*folders)
    assert {**listing(folders[1]), **listing(folders[2].parent)} == before
    assert listing(folders[0])["dry/Clarinet.wav"] == before["Clarinet.wav"]
    assert listing(folders[0])["rig.toml"] == before["lamp-room.toml"]


def test_stems_that_lie_in_the_session_stay_where_they_are(folders: Folders) -> None:
    session, stems, rig = folders
    stems.rename(stems.parent / "moved")
    session.mkdir()
    (stems.parent / "moved").rename(session / "audio")
    start_session(session, session / "audio", rig)
    assert "dry/Clarinet.wav" not in listing(session)
    assert load_job(session).dry_files["clarinet"].path == "audio/Clarinet.wav"


@pytest.mark.parametrize("name", ["job.toml", "snapshots.toml", "rig.toml", "dry/Clarinet.wav"])
def test_nothing_is_overwritten_and_nothing_half_done(name: str, folders: Folders) -> None:
    taken = folders[0] / name
    taken.parent.mkdir(parents=True)
    taken.write_text("mine", encoding="utf-8")
    with pytest.raises(StorageError, match=f"{name} exists already and is never overwritten"):
        start_session(*folders)
    assert listing(folders[0]) == {name: b"mine"}


def test_a_second_start_changes_nothing(folders: Folders) -> None:
    start_session(*folders)
    before = listing(folders[0])
    with pytest.raises(StorageError, match="never overwritten"):
        start_session(*folders)
    assert listing(folders[0]) == before


def test_a_disk_that_fills_up_leaves_no_half_session(folders: Folders, monkeypatch: pytest.MonkeyPatch) -> None:
    def fill_up(path: Path, data: bytes) -> None:
        raise StorageError(f"{path} cannot be written: the disk is full; make room, then run again")

    monkeypatch.setattr(module, "write_atomically", fill_up)
    with pytest.raises(StorageError, match="the disk is full"):
        start_session(*folders)
    assert listing(folders[0]) == {}
    monkeypatch.undo()
    start_session(*folders)


@pytest.mark.parametrize(
    ("name", "stem"),
    [
        ("Viola da braccio (take 2).wav", "viola-da-braccio-take-2"),
        ("Flöte.wav", "flote"),
        ("竪琴.wav", "stem"),
        ('say "ah".wav', "say-ah"),
        ("back\\slash.wav", "back-slash"),
        ("two\nlines.wav", "two-lines"),
        ("#1 [main] = {x}.wav", "1-main-x"),
        ("--.wav", "stem"),
        ("𝄞 clef.wav", "clef"),
        (f"{'long ' * 40}.wav", "long-" * 9 + "lon"),
    ],
)
def test_stems_may_have_odd_file_names(name: str, stem: str, folders: Folders) -> None:
    try:
        write_wave(folders[1] / name)
    except OSError:
        pytest.skip("not a possible file name on this system")
    start_session(*folders)
    job = load_job(folders[0])
    assert (job.session / job.dry_files[stem].path).name == name


def test_names_that_come_out_alike_are_numbered(folders: Folders) -> None:
    write_wave(folders[1] / "clarinet.flac.wav")
    write_wave(folders[1] / "Clarinet flac.wav")
    start_session(*folders)
    assert set(load_job(folders[0]).dry_files) == {"clarinet", "clarinet-flac", "clarinet-flac-2", "harp-l-r"}


def test_names_that_are_one_file_on_other_systems_are_refused(folders: Folders) -> None:
    write_wave(folders[1] / "CLARINET.wav")
    if len(list(folders[1].glob("*.wav"))) < 3:
        pytest.skip("this file system does not tell them apart either")
    with pytest.raises(FileError, match=r"CLARINET\.wav and Clarinet\.wav .* rename one of them"):
        start_session(*folders)
    assert not folders[0].exists()


def test_labels_that_would_end_a_comment_do_no_harm(folders: Folders) -> None:
    text = RIG.replace('label = "Opto compressor"', 'label = "Opto\\n[broken"').replace(
        'label = "Peak reduction"', 'label = "Peak\\nreduction = 3"'
    )
    folders[2].write_text(text, encoding="utf-8")
    start_session(*folders)
    assert load_job(folders[0]).rig.find_unit("opto") is not None


def test_snapshots_begin_with_every_control_that_moves_at_its_lowest_or_neutral_place(folders: Folders) -> None:
    start_session(*folders)
    written = tomllib.loads((folders[0] / "snapshots.toml").read_text(encoding="utf-8"))
    assert {each["id"]: each["settings"] for each in written["snapshot"]} == {
        "solo-start": {"opto": {"reduction": 0, "mode": "compress"}, "valve-eq": {"width": "7:00", "low-hz": 30}},
        "reel-start": {"tape": {"preset": "reed warmth"}},
    }


def test_a_damaged_stem_is_not_passed_over(folders: Folders) -> None:
    path = folders[1] / "Clarinet.wav"
    path.write_bytes(path.read_bytes()[:-1000])
    with pytest.raises(FileError, match=r"Clarinet\.wav is cut off"):
        start_session(*folders)
    assert not folders[0].exists()


def test_a_folder_without_stems_is_refused(folders: Folders) -> None:
    for path in folders[1].glob("*.wav"):
        path.unlink()
    with pytest.raises(FileError, match="there is no audio file in"):
        start_session(*folders)
    with pytest.raises(FileError, match="is no folder"):
        start_session(folders[0], folders[1] / "notes.txt", folders[2])


def test_a_rig_with_mistakes_is_refused_with_all_of_them(folders: Folders) -> None:
    folders[2].write_text(RIG.replace("sends = [1]", "sends = [7]").replace('mode = "stereo"', "mode = 3"), "utf-8")
    with pytest.raises(JobError) as caught:
        start_session(*folders)
    assert [problem.key for problem in caught.value.problems] == ["insert[solo].sends[0]", "insert[reel].mode"]
    assert not folders[0].exists()


def test_a_session_that_is_there_already_is_a_rig_and_stems_like_any_other(
    session: SmallSession, tmp_path: Path
) -> None:
    start_session(tmp_path / "again", session.folder / "dry", session.folder / "rig.toml")
    assert check_job(tmp_path / "again").job is not None


def test_a_rig_that_lies_in_the_session_stays_where_it_is(folders: Folders) -> None:
    session, stems, rig = folders
    session.mkdir()
    moved = rig.rename(session / "lamp-room.toml")
    start_session(session, stems, moved)
    assert "rig.toml" not in listing(session)
    assert load_job(session).rig_file == "lamp-room.toml"


def test_a_scale_through_zero_begins_at_zero(folders: Folders) -> None:
    """The lowest place of an equaliser's gain would be a deep cut, not a start."""
    folders[2].write_text(RIG.replace("range = [0, 100]", "range = [-12, 12]"), encoding="utf-8")
    start_session(*folders)
    written = tomllib.loads((folders[0] / "snapshots.toml").read_text(encoding="utf-8"))
    assert written["snapshot"][0]["settings"]["opto"]["reduction"] == 0
