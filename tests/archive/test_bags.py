"""A bag is accepted by others, comes back byte for byte, and no change to it goes unnoticed."""

from __future__ import annotations

import errno
import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import bagit
import numpy as np
import pytest
import soundfile

from printq.archive import packing, writer
from printq.archive.audit import audit_bag, audit_shelf
from printq.archive.restore import restore_bag
from printq.archive.writer import Item, write_bag
from printq.errors import FileError, SessionBusyError, StorageError, UsageError
from tests.archive.conftest import DAY, FACTS, chunk, items_of, tree, wave
from tests.conftest import need_program

FLIPS = int(os.environ.get("PRINTQ_FLIPS", "60"))
KILLS = int(os.environ.get("PRINTQ_ARCHIVE_KILLS", "6"))
Make = Callable[..., Path]


@pytest.mark.parametrize("flac", [False, True])
def test_the_reference_library_accepts_the_bag(session: Path, make_bag: Make, flac: bool) -> None:
    # bagit 1.9 does not decode %25, which RFC 8493, 2.1.3 asks for.
    (session / "notes/100% done.txt").unlink()
    bagit.Bag(str(make_bag(flac=flac))).validate()


def test_sha512sum_accepts_both_manifests(session: Path, make_bag: Make) -> None:
    sha512sum = need_program("sha512sum")
    (session / "notes/100% done.txt").unlink()  # encoded in a manifest, and sha512sum does not decode; RFC 8493, 2.1.3
    bag = make_bag(flac=True)
    for name in ("manifest-sha512.txt", "tagmanifest-sha512.txt"):
        subprocess.run([sha512sum, "--strict", "--quiet", "-c", name], cwd=bag, check=True)


def test_the_texts_of_a_bag_are_those_of_the_rfc(make_bag: Make) -> None:
    bag = make_bag()
    assert (bag / "bagit.txt").read_bytes() == b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"  # 2.1.1
    manifest = (bag / "manifest-sha512.txt").read_bytes()
    assert b"  data/notes/100%25 done.txt\n" in manifest  # 2.1.3
    # SHA-512 of nothing, FIPS 180-4; from memory
    nothing = (
        b"cf83e1357eefb8bdf1542850d66d8007d620e4050b5715dc83f4a921d36ce9ce"
        b"47d0d13c5d85f2b0ff8318d2877eec2f63b931bd47417a81a538327af927da3e"
    )
    assert nothing + b"  data/empty.txt\n" in manifest
    paths = [line.split(b"  ", 1)[1] for line in manifest.splitlines()]
    assert paths == sorted(paths)
    files = tree(bag / "data")
    oxum = f"Payload-Oxum: {sum(map(len, files.values()))}.{len(files)}\n"  # 2.2.2
    assert oxum in (bag / "bag-info.txt").read_text("utf-8")
    assert "Bagging-Date: 2026-03-01\n" in (bag / "bag-info.txt").read_text("utf-8")


@pytest.mark.parametrize("flac", [False, True])
def test_what_is_restored_is_what_was_put_in(session: Path, make_bag: Make, tmp_path: Path, flac: bool) -> None:
    bag = make_bag(flac=flac)
    assert audit_bag(bag).findings == tuple(one for one in audit_bag(bag).findings if one.file == "data/dry/short.wav")
    record = restore_bag(bag, tmp_path / "again")
    assert tree(tmp_path / "again") == tree(session)
    assert record.unpacked == (2 if flac else 0)
    assert (bag / "data/dry/cello.wav.flac").exists() is flac


def test_what_would_not_come_back_is_stored_as_it_is(
    session: Path, make_bag: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = packing.flac_samples
    monkeypatch.setattr(packing, "flac_samples", lambda *at, **file: (bytes(len(piece)) for piece in real(*at, **file)))
    bag = make_bag(flac=True)
    assert tree(bag / "data") == tree(session)


def test_one_flipped_bit_anywhere_is_noticed(session: Path, make_bag: Make) -> None:
    (session / "dry/short.wav").unlink()
    bag = make_bag(flac=True)
    assert audit_bag(bag).ok
    files = [path for path in sorted(bag.rglob("*")) if path.is_file() and path.stat().st_size]
    sizes = np.cumsum([path.stat().st_size for path in files])
    for place in np.random.default_rng(6).integers(0, sizes[-1] * 8, FLIPS):
        index = int(np.searchsorted(sizes, place // 8, side="right"))
        path = files[index]
        good = path.read_bytes()
        at = int(place // 8) - (int(sizes[index - 1]) if index else 0)
        path.write_bytes(good[:at] + bytes([good[at] ^ 1 << int(place % 8)]) + good[at + 1 :])
        audit = audit_bag(bag)
        name = path.relative_to(bag).as_posix()
        assert any(one.file == name for one in audit.findings), (name, at, audit.findings)
        path.write_bytes(good)
    assert audit_bag(bag).ok


@pytest.mark.parametrize(
    ("damage", "file", "what"),
    [
        (lambda bag: (bag / "data/job.toml").write_bytes(b"[jo"), "data/job.toml", "changed"),
        (lambda bag: (bag / "data/job.toml").unlink(), "data/job.toml", "missing"),
        (lambda bag: (bag / "data/new.txt").write_bytes(b"x"), "data/new.txt", "extra"),
        (lambda bag: (bag / "new.txt").write_bytes(b"x"), "new.txt", "extra"),
        (lambda bag: (bag / "data/job.toml").rename(bag / "data/bob.toml"), "data/job.toml", "renamed"),
        (lambda bag: (bag / "bag-info.txt").unlink(), "bag-info.txt", "missing"),
        (lambda bag: (bag / "tagmanifest-sha512.txt").unlink(), "tagmanifest-sha512.txt", "missing"),
        (lambda bag: (bag / "manifest-sha512.txt").unlink(), "manifest-sha512.txt", "missing"),
        (lambda bag: (bag / "fetch.txt").write_bytes(b"x"), "fetch.txt", "incomplete"),
        (lambda bag: (bag / "data/in").symlink_to(bag), "data/in", "unsafe"),
    ],
)
def test_damage_is_named(
    make_bag: Make, tmp_path: Path, damage: Callable[[Path], object], file: str, what: str
) -> None:
    bag = make_bag()
    damage(bag)
    audit = audit_bag(bag)
    assert not audit.ok
    assert (file, what) in {(one.file, one.what) for one in audit.findings}
    with pytest.raises(FileError, match="not whole"):
        restore_bag(bag, tmp_path / "again")
    assert not (tmp_path / "again").exists()


def test_audio_that_was_broken_when_it_was_archived_is_told_from_audio_that_broke_later(
    session: Path, make_bag: Make, tmp_path: Path
) -> None:
    soundfile.write(session / "dry/viola.flac", np.random.default_rng(1).uniform(-0.5, 0.5, 9000), 48_000)
    whole = (session / "dry/viola.flac").read_bytes()
    (session / "dry/broken.flac").write_bytes(whole[:5000] + bytes(900) + whole[5900:])
    bag = make_bag()
    audit = audit_bag(bag)
    assert audit.ok
    assert {(one.file, one.what) for one in audit.warnings} == {
        ("data/dry/broken.flac", "audio"),
        ("data/dry/short.wav", "audio"),
    }
    assert all("as it was put in" in one.message for one in audit.warnings)
    restore_bag(bag, tmp_path / "again")
    assert tree(tmp_path / "again") == tree(session)
    shutil.copyfile(bag / "data/dry/broken.flac", bag / "data/dry/viola.flac")
    (later,) = audit_bag(bag).findings
    assert (later.file, later.what) == ("data/dry/viola.flac", "changed")
    assert "as audio it is not whole any more" in later.message


def test_swapped_contents_are_named_both(make_bag: Make) -> None:
    bag = make_bag()
    one, two = bag / "data/job.toml", bag / "data/dry/harp.wav"
    first, second = one.read_bytes(), two.read_bytes()
    one.write_bytes(second)
    two.write_bytes(first)
    changed = {finding.file for finding in audit_bag(bag).findings if finding.what == "changed"}
    assert changed == {"data/job.toml", "data/dry/harp.wav"}


@pytest.mark.parametrize(
    "path",
    ["data/../../out.txt", "/etc/hostname", "C:/out.txt", "data\\out.txt", "data//out.txt", "data/./x", "data/a\0b"],
)
def test_a_path_that_leaves_the_bag_is_refused(make_bag: Make, tmp_path: Path, path: str) -> None:
    bag = make_bag()
    with (bag / "manifest-sha512.txt").open("ab") as file:
        file.write(f"{'0' * 128}  {path}\n".encode())
    assert any(one.what == "unsafe" for one in audit_bag(bag).findings)
    with pytest.raises(FileError):
        restore_bag(bag, tmp_path / "again")
    assert not (tmp_path / "out.txt").exists()


@pytest.mark.parametrize("algorithm", ["md5", "sha1", "sha256", "sha512"])
def test_a_bag_of_the_reference_library_is_read(tmp_path: Path, algorithm: str) -> None:
    folder = tmp_path / "foreign"
    (folder / "viola").mkdir(parents=True)
    (folder / "viola/100%25.txt").write_bytes(b"one")
    bagit.make_bag(str(folder), checksums=[algorithm, "sha256"])  # writes BagIt 0.97
    assert audit_bag(folder).findings == ()
    restore_bag(folder, tmp_path / "again")
    assert tree(tmp_path / "again") == {"viola/100%25.txt": b"one"}


def test_workers_find_the_same(make_bag: Make, tmp_path: Path) -> None:
    bag = make_bag(flac=True)
    (bag / "data/job.toml").write_bytes(b"?")
    assert audit_bag(bag, workers=2) == audit_bag(bag, workers=1)
    assert len(audit_shelf(tmp_path, workers=1)) == 1


def test_a_bag_of_a_newer_format_is_said_to_be_one(make_bag: Make, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(writer, "BAG_FORMAT", "printq-bag/2")
    assert [one.what for one in audit_bag(make_bag()).findings if one.what != "audio"] == ["version"]


def test_a_bag_is_not_nested_nor_overwritten(session: Path, make_bag: Make, tmp_path: Path) -> None:
    bag = make_bag()
    with pytest.raises(StorageError, match="exists already"):
        make_bag()
    for place in (bag / "data/inner", session / "bag"):
        with pytest.raises(UsageError, match="inside"):
            write_bag(place, items_of(session), FACTS, within=session)


@pytest.mark.parametrize(
    "paths",
    [
        ["../x"],
        ["/x"],
        ["a\\b"],
        ["Cello.wav", "cello.wav"],
        ["e\u0301", "\u00e9"],
        ["x", "x"],
        ["Dry/a", "dry/b"],
        ["x", "x/y"],
    ],
)
def test_names_that_cannot_be_kept_are_refused(tmp_path: Path, paths: list[str]) -> None:
    with pytest.raises(UsageError):
        write_bag(tmp_path / "bag", [Item(path, b"") for path in paths], FACTS)
    assert not (tmp_path / "bag").exists()


def test_links_and_changed_sources_are_refused(session: Path, tmp_path: Path) -> None:
    (session / "link.txt").symlink_to(session / "job.toml")
    (session / "away").symlink_to(tmp_path)
    (tmp_path / "other.txt").write_bytes(b"")
    for item in (
        Item("link.txt", session / "link.txt"),
        Item("other.txt", session / "away/other.txt"),
        Item("other.txt", tmp_path / "other.txt"),
        Item("job.toml", session / "job.toml", sha512="0" * 128),
        Item("gone.toml", session / "gone.toml"),
    ):
        with pytest.raises(FileError):
            write_bag(tmp_path / "bag", [item], FACTS, within=session)
    assert not list(tmp_path.glob("bag*"))


def test_a_folder_of_somebody_else_is_left_alone(session: Path, tmp_path: Path) -> None:
    (tmp_path / "bag.partial").mkdir()
    (tmp_path / "bag.partial/mine.txt").write_bytes(b"mine")
    with pytest.raises(StorageError, match="was not made by this program"):
        write_bag(tmp_path / "bag", items_of(session), FACTS)
    assert (tmp_path / "bag.partial/mine.txt").read_bytes() == b"mine"


def test_two_do_not_write_one_bag(session: Path, tmp_path: Path) -> None:
    code = (
        "import sys; from pathlib import Path; from printq.archive.staging import staged_folder\n"
        "with staged_folder(Path(sys.argv[1])): print('held', flush=True); sys.stdin.read()"
    )
    command = [sys.executable, "-c", code, str(tmp_path / "bag")]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == b"held\n"
        with pytest.raises(SessionBusyError):
            write_bag(tmp_path / "bag", items_of(session), FACTS)
        assert (tmp_path / "bag.partial").is_dir()
        other.communicate(b"")


@pytest.mark.parametrize("call", [3, 9, 15])
def test_a_full_disk_leaves_nothing(session: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, call: int) -> None:
    real, count = os.fsync, [call]

    def full(handle: int) -> None:
        count[0] -= 1
        if not count[0]:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        real(handle)

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(StorageError, match="the disk is full"):
        write_bag(tmp_path / "bag", items_of(session), FACTS, flac=True)
    assert not list(tmp_path.glob("bag*"))


DIE = """
import datetime, os, signal, sys
from pathlib import Path
from printq.archive import writer
from tests.archive.conftest import FACTS, items_of
left = int(sys.argv[3])
def dying(function):
    def call(*arguments, **named):
        global left
        left -= 1
        if left < 0:
            os.kill(os.getpid(), signal.SIGKILL)
        return function(*arguments, **named)
    return call
os.fsync = dying(os.fsync)
os.rename = dying(os.rename)
os.mkdir = dying(os.mkdir)
os.unlink = dying(os.unlink)
writer.write_bag(Path(sys.argv[2]), items_of(Path(sys.argv[1])), FACTS, flac=True)
"""
LAST_MOMENT = 29
"""So many calls are counted in one writing, or a few more."""


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="a kill is a POSIX signal here")
@pytest.mark.parametrize("moment", sorted(np.random.default_rng(4).integers(0, LAST_MOMENT, KILLS).tolist()))
def test_a_kill_at_any_write_leaves_no_bag_that_looks_finished(session: Path, tmp_path: Path, moment: int) -> None:
    bag = tmp_path / "bag"
    (session / "dry/short.wav").unlink()
    command = [sys.executable, "-c", DIE, str(session), str(bag), str(moment)]
    done = subprocess.run(command, cwd=Path(__file__).parents[2], timeout=120)
    assert done.returncode == -9
    if not bag.exists():
        write_bag(bag, items_of(session), FACTS, flac=True, date=DAY)
    assert audit_bag(bag).findings == ()
    assert sorted(path.name for path in tmp_path.glob("bag*") if not path.name.endswith(".lock")) == ["bag"]


def test_a_bag_of_format_1_is_still_read(tmp_path: Path) -> None:
    witness = Path(__file__).parent / "witness/bag-1"
    assert audit_bag(witness).findings == ()
    restore_bag(witness, tmp_path / "again")
    before, after = chunk(b"junk", b"abc", b"\x07"), chunk(b"LIST", b"INFO\x01")
    assert (tmp_path / "again/dry/cello.wav").read_bytes() == wave(24, 1, 333, before=before, after=after)
    assert (tmp_path / "again/job.toml").read_bytes() == b"[job]\n"
