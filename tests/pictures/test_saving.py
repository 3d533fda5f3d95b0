"""A picture takes the place of an earlier picture, and of nothing else."""

from __future__ import annotations

from pathlib import Path

import pytest

from printq.errors import StorageError, UsageError
from printq.pictures import draw_plan, save_picture
from tests.pictures.plans import make_job, make_timetable


@pytest.fixture
def picture() -> str:
    job = make_job(3)
    return draw_plan(job, make_timetable(job, (30.0, 40.0)))


def test_an_earlier_picture_is_replaced(tmp_path: Path, picture: str) -> None:
    path = tmp_path / "plan.svg"
    save_picture(path, picture)
    save_picture(path, picture.replace("clarinet", "harp"))
    assert path.read_text(encoding="utf-8") == picture.replace("clarinet", "harp")
    assert list(tmp_path.iterdir()) == [path]


@pytest.mark.parametrize("content", [b"", b"<svg xmlns='http://www.w3.org/2000/svg'/>", b"RIFF" * 1000, b"\xff" * 10])
def test_what_is_not_ours_is_left_alone(tmp_path: Path, picture: str, content: bytes) -> None:
    path = tmp_path / "plan.svg"
    path.write_bytes(content)
    with pytest.raises(StorageError, match=r"plan\.svg exists and is no picture of printq's"):
        save_picture(path, picture)
    assert path.read_bytes() == content


def test_a_link_is_not_followed_and_not_replaced(tmp_path: Path, picture: str) -> None:
    kept = tmp_path / "kept.svg"
    save_picture(kept, picture)
    link = tmp_path / "plan.svg"
    link.symlink_to(kept)
    with pytest.raises(StorageError, match="exists"):
        save_picture(link, "<svg/>")
    assert kept.read_text(encoding="utf-8") == picture


def test_a_folder_of_that_name_is_said_to_be_one(tmp_path: Path, picture: str) -> None:
    (tmp_path / "plan.svg").mkdir()
    with pytest.raises(StorageError, match="is a folder"):
        save_picture(tmp_path / "plan.svg", picture)


@pytest.mark.parametrize("name", ["plan.png", "plan", "clarinet.wav"])
def test_only_svg_is_drawn(tmp_path: Path, picture: str, name: str) -> None:
    with pytest.raises(UsageError, match=r"ends in \.svg"):
        save_picture(tmp_path / name, picture)
    assert list(tmp_path.iterdir()) == []


def test_where_nothing_can_be_written_it_says_so(tmp_path: Path, picture: str) -> None:
    (tmp_path / "notes").write_text("no folder")
    with pytest.raises(StorageError, match="cannot be written"):
        save_picture(tmp_path / "notes" / "plan.svg", picture)
