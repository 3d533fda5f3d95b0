"""Names that some systems do not allow, or take for one."""

from __future__ import annotations

import hashlib
import unicodedata
from pathlib import Path

import pytest

from printq.archive import restore
from printq.archive.audit import audit_bag
from printq.archive.bagit import DECLARATION, windows_problem
from printq.archive.ledger import name_clash
from printq.archive.restore import restore_bag
from printq.archive.writer import Item, write_bag
from printq.errors import FileError, UsageError
from printq.spool.archiving import archive_session, bag_writer
from tests.archive.conftest import DAY, FACTS, tree
from tests.sessions import SmallSession

RESERVED = [
    *[
        "con",
        "CON",
        "Aux.wav",
        "nul.tar.gz",
        "prn",
        "com1",
        "COM9.txt",
        "lpt1",
        "LPT¹",
        "dry/aux/cello.wav",
        "nul .txt",
    ],
    *["cello.", "cello ", "dry./cello", "a<b", "a>b", "a:b", 'a"b', "a|b", "what?", "*", "a\tb"],
]
"""RFC 8493, 6.1.2, and Microsoft's "Naming Files, Paths, and Namespaces"; with an ending or without, in any case."""
ALLOWED = [
    "cello.wav",
    "console",
    "auxiliary.wav",
    "com",
    "com10",
    "lpt0",
    ".con",
    "null",
    "a con",
    "Straße Σ 波",
    "..a",
]
NFC, NFD = (unicodedata.normalize(form, "Bär.wav") for form in ("NFC", "NFD"))


@pytest.mark.parametrize("name", RESERVED)
def test_windows_does_not_allow(name: str) -> None:
    assert windows_problem(name)


@pytest.mark.parametrize("name", ALLOWED)
def test_windows_allows(name: str) -> None:
    assert windows_problem(name) is None


@pytest.mark.parametrize("name", ["dry/aux.wav", "cello ", "what?.txt"])
def test_a_name_that_windows_does_not_allow_comes_back_elsewhere_and_is_refused_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    write_bag(tmp_path / "bag", [Item(name, b"waltz")], FACTS, date=DAY)
    assert audit_bag(tmp_path / "bag").ok
    restore_bag(tmp_path / "bag", tmp_path / "again")
    assert tree(tmp_path / "again") == {name: b"waltz"}
    monkeypatch.setattr(restore, "IS_WINDOWS", True)
    with pytest.raises(FileError, match="which Windows does not allow"):
        restore_bag(tmp_path / "bag", tmp_path / "once-more")
    assert not (tmp_path / "once-more").exists()


@pytest.mark.parametrize(
    ("names", "clash"),
    [
        (["a/b/c", "a/b/d", "a/c"], None),
        (["a/x", "A/y"], ("a", "A")),
        (["a/b/x", "a/B/y"], ("a/b", "a/B")),
        (["a", "a"], ("a", "a")),
        (["a", "a/b"], ("a", "a")),
        (["a/b", "A"], ("A", "a")),
        (["a/b/c/d", "a/b", "e"], ("a/b", "a/b")),
        ([NFC, "x", NFD], (NFC, NFD)),
    ],
    ids=str,
)
def test_two_names_that_cannot_stand_side_by_side_are_told(names: list[str], clash: tuple[str, str] | None) -> None:
    assert name_clash(names) == clash


def test_a_session_with_such_a_name_is_archived_and_it_is_said(tmp_path: Path) -> None:
    session = SmallSession(tmp_path / "waltz", seconds=0.5)
    session.stem("viola")["file"] = "dry/aux.wav"
    (session.folder / "dry/viola.wav").rename(session.folder / "dry/aux.wav")
    session.write().run()
    job = session.load()
    report = archive_session(job, bag_writer(job, tmp_path / "bag"))
    assert any(problem.startswith("dry/aux.wav") and "Windows" in problem for problem in report.problems)
    assert not report.as_is
    assert "dry/aux.wav" in (tmp_path / "bag/data/notes/contents.txt").read_text()


@pytest.mark.parametrize(
    "names", [("Cello.wav", "cello.wav"), (NFC, NFD), ("Dry/a", "dry/b"), ("STRASSE", "straße")], ids=str
)
def test_names_that_some_disks_take_for_one_are_not_archived_nor_restored(
    tmp_path: Path, names: tuple[str, str]
) -> None:
    """A bag of another program may have them, and is whole: it is the restoring that would lose one of the two."""
    with pytest.raises(UsageError, match="one name on some disks"):
        write_bag(tmp_path / "bag", [Item(name, name.encode()) for name in names], FACTS, date=DAY)
    bag = tmp_path / "foreign"
    lines = ""
    for name in names:
        path = bag / "data" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(name.encode())
        lines += f"{hashlib.sha512(name.encode()).hexdigest()}  data/{name}\n"
    if len(list((bag / "data").rglob("*"))) < 2:
        pytest.skip("this disk takes the two for one")
    (bag / "bagit.txt").write_bytes(DECLARATION)
    (bag / "manifest-sha512.txt").write_text(lines, encoding="utf-8")
    assert audit_bag(bag).ok
    with pytest.raises(FileError, match="one name on some disks"):
        restore_bag(bag, tmp_path / "again")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["foreign"]
