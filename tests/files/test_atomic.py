"""Files appear whole or not at all, and none is ever overwritten."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

from printq.errors import StorageError
from printq.files.atomic import free_bytes, publish, storage_errors, write_atomically

CODES = [errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.EACCES, errno.EIO]


def names(folder):
    return sorted(path.name for path in folder.iterdir())


def test_a_small_file_replaces_the_one_before(tmp_path):
    path = tmp_path / "folder" / "plan.json"
    write_atomically(path, b"old")
    write_atomically(path, b"new")
    assert path.read_bytes() == b"new"
    assert names(path.parent) == ["plan.json"]


@pytest.mark.parametrize("code", CODES, ids=errno.errorcode.get)
@pytest.mark.parametrize("call", ["fsync", "replace"])
def test_a_failed_write_leaves_the_old_content_and_nothing_else(tmp_path, monkeypatch, call, code):
    path = tmp_path / "plan.json"
    path.write_bytes(b"old")

    def fail(*_):
        raise OSError(code, os.strerror(code))

    if call == "fsync":
        monkeypatch.setattr("os.fsync", fail)
    else:
        monkeypatch.setattr(Path, "replace", fail)
    with pytest.raises(StorageError, match=r"plan\.json cannot be written: .+; .+ then run again"):
        write_atomically(path, b"new")
    assert path.read_bytes() == b"old"
    assert names(tmp_path) == ["plan.json"]


def test_an_interrupted_write_leaves_nothing_either(tmp_path, monkeypatch):
    def interrupt(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr("os.fsync", interrupt)
    with pytest.raises(KeyboardInterrupt):
        write_atomically(tmp_path / "plan.json", b"new")
    assert names(tmp_path) == []


def no_links(*_):
    raise OSError(errno.EPERM, "no links here")


@pytest.fixture(params=["links", "no links"])
def either_disk(request, monkeypatch):
    """A file system with hard links, and one without, as memory sticks have."""
    if request.param == "no links":
        monkeypatch.setattr(Path, "hardlink_to", no_links)


@pytest.mark.usefixtures("either_disk")
def test_a_finished_file_gets_its_name(tmp_path):
    staged, target = tmp_path / "staged.wav", tmp_path / "prints" / "clarinet.solo.v1.wav"
    staged.write_bytes(b"audio")
    publish(staged, target)
    assert target.read_bytes() == b"audio"
    assert names(tmp_path) == ["prints"]
    assert names(target.parent) == [target.name]


@pytest.mark.usefixtures("either_disk")
def test_a_name_that_is_taken_is_never_overwritten(tmp_path):
    staged, target = tmp_path / "staged.wav", tmp_path / "clarinet.solo.v1.wav"
    staged.write_bytes(b"new")
    target.write_bytes(b"old")
    with pytest.raises(StorageError, match=r"clarinet\.solo\.v1\.wav exists already and is never overwritten"):
        publish(staged, target)
    assert (staged.read_bytes(), target.read_bytes()) == (b"new", b"old")


@pytest.mark.usefixtures("either_disk")
def test_a_failed_publication_leaves_no_empty_file_under_the_name(tmp_path):
    with pytest.raises(StorageError, match="cannot be written"):
        publish(tmp_path / "never-written.wav", tmp_path / "clarinet.solo.v1.wav")
    assert names(tmp_path) == []


@pytest.mark.parametrize("code", CODES, ids=errno.errorcode.get)
def test_every_system_error_becomes_a_sentence_with_the_path_and_its_cause(code):
    path = Path("prints") / "x.wav"
    with pytest.raises(StorageError, match=r"x\.wav cannot be written: .+; .+") as caught, storage_errors(path):
        raise OSError(code, os.strerror(code))
    assert caught.value.__cause__.errno == code


def test_the_room_for_a_folder_to_come_is_that_of_its_disk(tmp_path):
    assert 0 < free_bytes(tmp_path / "not" / "yet" / "there") == pytest.approx(free_bytes(tmp_path), rel=0.05)
