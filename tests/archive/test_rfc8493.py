"""RFC 8493 rule by rule, each in a bag made by hand, and what the reference library says of the same bag.

The number before a rule is the section that it stands in. MUST and MUST NOT: a bag that breaks the rule is not whole.
SHOULD: it is whole, and where people ought to know, a warning says so.
"""

from __future__ import annotations

import hashlib
import subprocess
import sys
import unicodedata
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

import bagit
import pytest

from printq.archive.audit import audit_bag
from printq.archive.restore import restore_bag
from printq.archive.writer import write_bag
from printq.errors import FileError
from tests.archive.conftest import DAY, FACTS, items_of, tree
from tests.conftest import need_program

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="some of the names cannot exist there")

DECLARATION = b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
OLD = b"BagIt-Version: 0.97\nTag-File-Character-Encoding: UTF-8\n"
PAYLOAD = {"data/cello.txt": b"waltz", "data/harp/one.txt": b"polka"}
MANIFEST, TAGS = "manifest-sha512.txt", "tagmanifest-sha512.txt"
BOM = b"\xef\xbb\xbf"
LONG = "data/" + "a" * 200 + ("/" + "b" * 200) * 4
NFD = unicodedata.normalize("NFD", "data/é")

Files = dict[str, bytes]
"""A bag: path and content."""


def line(path: str, data: bytes, algorithm: str = "sha512", between: str = "  ") -> bytes:
    return f"{hashlib.new(algorithm, data).hexdigest()}{between}{path}\n".encode()


def manifest(payload: Mapping[str, bytes], algorithm: str = "sha512") -> bytes:
    return b"".join(line(path, data, algorithm) for path, data in payload.items())


def basic() -> Files:
    """The smallest bag with two files."""
    return {"bagit.txt": DECLARATION, MANIFEST: manifest(PAYLOAD), **PAYLOAD}


def tagged(files: Files, algorithm: str = "sha512") -> Files:
    """The same with a tag manifest of all its tag files, made last."""
    tags = {path: data for path, data in files.items() if not path.startswith(("data/", "tagmanifest-"))}
    return {**files, f"tagmanifest-{algorithm}.txt": manifest(tags, algorithm)}


def with_file(name: str, data: bytes) -> Files:
    return {**basic(), name: data}


def with_payload(path: str, encoded: str, *, declaration: bytes = DECLARATION) -> Files:
    """A bag with one more file, and how its manifest writes its path."""
    files = {**basic(), path: b"x", "bagit.txt": declaration}
    return {**files, MANIFEST: files[MANIFEST] + line(encoded, b"x")}


def with_info(text: bytes, *, declaration: bytes = DECLARATION) -> Files:
    return {**basic(), "bagit.txt": declaration, "bag-info.txt": text}


def with_line(extra: bytes, name: str = MANIFEST) -> Files:
    files = tagged(basic())
    return {**files, name: files[name] + extra}


def without(*names: str) -> Files:
    return {path: data for path, data in basic().items() if path not in names}


def fetching(text: bytes, *, absent: str | None = None) -> Files:
    return {path: data for path, data in with_file("fetch.txt", text).items() if path != absent}


def recoded(encoding: str) -> Files:
    """A bag with a name in another script, all tag files but the declaration in another encoding."""
    files = with_payload("data/é.txt", "data/é.txt")
    files["bagit.txt"] = DECLARATION.replace(b"UTF-8", encoding.encode())
    return {**files, MANIFEST: files[MANIFEST].decode().encode(encoding)}


def write(bag: Path, files: Files) -> Path:
    (bag / "data").mkdir(parents=True)
    for path, data in files.items():
        (bag / path).parent.mkdir(parents=True, exist_ok=True)
        (bag / path).write_bytes(data)
    return bag


@dataclass(frozen=True)
class Rule:
    """One rule, a bag that keeps or breaks it, and what is to be said."""

    words: str
    files: Callable[[], Files]
    finding: tuple[str, str] | None = None
    """File and kind; None where the bag is whole."""
    warning: tuple[str, str] | None = None
    library: bool | None = None
    """Whether the reference library takes it for valid, where it is of another opinion than the RFC and we."""


WHOLE = [
    Rule("2 a bag has a declaration, a payload and a manifest", basic),
    Rule(
        "2.1.1 a declaration may end its lines with CRLF",
        lambda: with_file("bagit.txt", DECLARATION.replace(b"\n", b"\r\n")),
    ),
    Rule("2.1.1 and with CR", lambda: with_file("bagit.txt", DECLARATION.replace(b"\n", b"\r"))),
    Rule("2.1.1 and leave the last end out", lambda: with_file("bagit.txt", DECLARATION[:-1])),
    Rule("2.1.1 bags of earlier versions are read", lambda: with_file("bagit.txt", OLD)),
    Rule(
        "2.1.1 the example of the RFC has a small v",
        lambda: with_file("bagit.txt", DECLARATION.replace(b"V", b"v", 1)),
        library=False,
    ),
    Rule("2.1.1 other registered encodings are read: ISO-8859-1", lambda: recoded("ISO-8859-1")),
    Rule("2.1.1 UTF-16", lambda: recoded("UTF-16")),
    Rule(
        "2.1.1 Shift_JIS",
        lambda: {
            **basic(),
            "bagit.txt": DECLARATION.replace(b"UTF-8", b"Shift_JIS"),
            "data/波.txt": b"",
            MANIFEST: (manifest(PAYLOAD) + line("data/波.txt", b"")).decode().encode("shift_jis"),
        },
    ),
    Rule("2.1.2 a payload may be empty", lambda: {"bagit.txt": DECLARATION, MANIFEST: b""}),
    Rule(
        "2.1.2 an empty file is a file",
        lambda: {"bagit.txt": DECLARATION, "data/0": b"", MANIFEST: line("data/0", b"")},
    ),
    Rule("2.1.3 more than one payload manifest", lambda: with_file("manifest-sha256.txt", manifest(PAYLOAD, "sha256"))),
    Rule(
        "2.1.3 checksums in capitals",
        lambda: with_file(
            MANIFEST,
            b"".join(
                line(path, data).split()[0].upper() + b" " + path.encode() + b"\n" for path, data in PAYLOAD.items()
            ),
        ),
    ),
    Rule(
        "2.1.3 any spaces and tabs between checksum and path",
        lambda: with_file(MANIFEST, b"".join(line(path, data, between=" \t  ") for path, data in PAYLOAD.items())),
    ),
    Rule("2.1.3 LF in a name is %0A", lambda: with_payload("data/a\nb", "data/a%0Ab")),
    Rule("2.1.3 or %0a", lambda: with_payload("data/a\nb", "data/a%0ab"), library=False),
    Rule("2.1.3 CR in a name is %0D", lambda: with_payload("data/a\rb", "data/a%0Db")),
    Rule("2.1.3 CRLF in a name is %0D%0A", lambda: with_payload("data/a\r\nb", "data/a%0D%0Ab")),
    Rule("2.1.3 a percent sign is %25", lambda: with_payload("data/100%", "data/100%25"), library=False),
    Rule(
        "2.1.3 what looks encoded is encoded again", lambda: with_payload("data/a%0Ab", "data/a%250Ab"), library=False
    ),
    Rule("2.1.3 other characters are not encoded", lambda: with_payload("data/ (a) & #ü?.txt", "data/ (a) & #ü?.txt")),
    Rule(
        "2.1.3 before 1.0 a percent sign stands for itself",
        lambda: with_payload("data/100%25", "data/100%25", declaration=OLD),
    ),
    Rule("2.1.3 an asterisk in a name is part of it", lambda: with_payload("data/*x", "data/*x")),
    Rule("2.1.3 a path may have 1000 characters", lambda: with_payload(LONG, LONG)),
    Rule("2.2.1 a tag manifest lists the tag files", lambda: tagged(with_info(b"Contact-Name: Chamber group\n"))),
    Rule("2.2.1 by another algorithm than the payload's", lambda: tagged(basic(), "sha256")),
    Rule("2.2.1 files in tag folders too", lambda: tagged(with_file("notes/tide.txt", b"high at five"))),
    Rule("2.2.1 it should, but need not, list the rest", lambda: {**tagged(basic()), "notes.txt": b"not listed"}),
    Rule(
        "2.2.2 long values go on in indented lines",
        lambda: with_info(b"External-Description: A waltz\n   at a\n\tlighthouse\nBag-Count: 1 of ?\n"),
    ),
    Rule("2.2.2 labels may be repeated", lambda: with_info(b"Contact-Name: Cello\nContact-Name: Harp\n")),
    Rule("2.2.2 a tab may follow the colon", lambda: with_info(b"Contact-Name:\tCello\n")),
    Rule("2.2.2 lines may end with CR", lambda: with_info(b"Contact-Name: Cello\rPayload-Oxum: 10.2\r")),
    Rule("2.2.2 a right Payload-Oxum, in any letter case", lambda: with_info(b"payload-oxum: 10.2\n")),
    Rule(
        "2.2.2 before 1.0 white space around the colon",
        lambda: with_info(b"Contact-Name  :   Cello\n", declaration=OLD),
    ),
    Rule("2.2.3 what was to be fetched may have come", lambda: fetching(b"https://example.org/a 5 data/cello.txt\n")),
    Rule("2.2.3 its length may be left open", lambda: fetching(b"https://example.org/a - data/cello.txt\n")),
    Rule("2.2.4 other tag files may hold anything", lambda: tagged(with_file("picture.bin", bytes(range(256))))),
    Rule("2.3 the last line need not end", lambda: with_file(MANIFEST, manifest(PAYLOAD)[:-1])),
    Rule("2.3 manifests with CRLF", lambda: with_file(MANIFEST, manifest(PAYLOAD).replace(b"\n", b"\r\n"))),
    Rule("2.3 manifests with CR", lambda: with_file(MANIFEST, manifest(PAYLOAD).replace(b"\n", b"\r"))),
    *(
        Rule(
            f"2.4 {algorithm} is supported",
            lambda algorithm=algorithm: {
                **without(MANIFEST),
                f"manifest-{algorithm}.txt": manifest(PAYLOAD, algorithm),
            },
        )
        for algorithm in ("md5", "sha1", "sha256", "sha512")
    ),
    Rule(
        "3 before 1.0 a file may be in one of the manifests only",
        lambda: {
            **with_file("manifest-sha256.txt", line("data/cello.txt", b"waltz", "sha256")),
            "bagit.txt": OLD,
            MANIFEST: line("data/harp/one.txt", b"polka"),
        },
    ),
    Rule("6.1.1.2 names may differ in normal form", lambda: with_payload(NFD, "data/é")),
    Rule("6.1.1.2 the other way round too", lambda: with_payload("data/é", NFD), library=False),
]

WARNED = [
    Rule(
        "2.2.2 Bag-Size should not be repeated",
        lambda: with_info(b"Bag-Size: 10 B\nBag-Size: 10 B\n"),
        warning=("bag-info.txt", "tags"),
    ),
    Rule(
        "2.2.2 Bagging-Date should not",
        lambda: with_info(b"Bagging-Date: 2026-03-01\nBagging-Date: 2026-03-01\n"),
        warning=("bag-info.txt", "tags"),
    ),
    Rule(
        "6.1.3 an asterisk of md5sum is read with a warning",
        lambda: with_file(MANIFEST, b"".join(line(path, data, between=" *") for path, data in PAYLOAD.items())),
        warning=(MANIFEST, "manifest"),
    ),
    Rule(
        "6.1.3 './' before a path too",
        lambda: with_file(MANIFEST, b"".join(line(f"./{path}", data) for path, data in PAYLOAD.items())),
        warning=(MANIFEST, "manifest"),
    ),
    Rule(
        "2.1.3 a percent sign that was forgotten too",
        lambda: with_payload("data/100% done", "data/100% done"),
        warning=(MANIFEST, "manifest"),
    ),
]

BROKEN = [
    Rule(
        "2 a bag has a folder data/",
        lambda: {"bagit.txt": DECLARATION, MANIFEST: b"", "data": b""},
        ("data", "missing"),
    ),
    Rule("2 a bag has a declaration", lambda: without("bagit.txt"), ("bagit.txt", "missing")),
    Rule(
        "2.1.1 a declaration has no byte-order mark",
        lambda: with_file("bagit.txt", BOM + DECLARATION),
        ("bagit.txt", "tags"),
    ),
    Rule(
        "2.1.1 its lines stand in this order",
        lambda: with_file("bagit.txt", b"\n".join(reversed(DECLARATION.split(b"\n")[:2])) + b"\n"),
        ("bagit.txt", "tags"),
        library=True,
    ),
    Rule(
        "2.1.1 there are two",
        lambda: with_file("bagit.txt", DECLARATION + b"Contact-Name: Cello\n"),
        ("bagit.txt", "tags"),
        library=True,
    ),
    Rule("2.1.1 not one", lambda: with_file("bagit.txt", DECLARATION.split(b"\n")[0] + b"\n"), ("bagit.txt", "tags")),
    Rule("2.1.1 not none", lambda: with_file("bagit.txt", b""), ("bagit.txt", "tags")),
    Rule(
        "2.1.1 the version has two numbers",
        lambda: with_file("bagit.txt", DECLARATION.replace(b"1.0", b"1")),
        ("bagit.txt", "tags"),
        library=True,
    ),
    Rule(
        "2.1.1 a version that is not known is not judged by 1.0",
        lambda: with_file("bagit.txt", DECLARATION.replace(b"1.0", b"1.1")),
        ("bagit.txt", "version"),
        library=True,
    ),
    Rule(
        "2.1.1 the encoding is one that exists",
        lambda: with_file("bagit.txt", DECLARATION.replace(b"UTF-8", b"WALTZ-8")),
        ("bagit.txt", "tags"),
    ),
    Rule(
        "2.1.1 and one of text",
        lambda: with_file("bagit.txt", DECLARATION.replace(b"UTF-8", b"undefined")),
        ("bagit.txt", "tags"),
    ),
    Rule(
        "2.1.1 tag files are in that encoding",
        lambda: with_file(MANIFEST, manifest(PAYLOAD) + line("data/x", b"").replace(b"x", b"\xff")),
        (MANIFEST, "manifest"),
    ),
    Rule("2.1.3 there is a payload manifest", lambda: without(MANIFEST), ("manifest-sha512.txt", "missing")),
    Rule("2.1.3 it lists every file", lambda: with_file("data/new.txt", b""), ("data/new.txt", "extra")),
    Rule(
        "2.1.3 once",
        lambda: with_file(MANIFEST, manifest(PAYLOAD) + line("data/cello.txt", b"waltz")),
        (MANIFEST, "manifest"),
    ),
    Rule(
        "2.1.3 once, also with two checksums",
        lambda: with_file(MANIFEST, line("data/cello.txt", b"polka") + manifest(PAYLOAD)),
        (MANIFEST, "manifest"),
    ),
    Rule(
        "2.1.3 in each of the manifests",
        lambda: with_file("manifest-sha256.txt", line("data/cello.txt", b"waltz", "sha256")),
        ("manifest-sha256.txt", "manifest"),
        library=True,
    ),
    Rule(
        "2.1.3 the name of a manifest has the algorithm normalised",
        lambda: {**without(MANIFEST), "manifest-sha-512.txt": manifest(PAYLOAD)},
        ("manifest-sha512.txt", "missing"),
    ),
    Rule("2.1.3 a line has a checksum", lambda: with_line(b"data/cello.txt\n"), (MANIFEST, "manifest")),
    Rule("2.1.3 in hexadecimal", lambda: with_line(b"x" * 128 + b"  data/cello.txt\n"), (MANIFEST, "manifest")),
    Rule(
        "2.1.3 of the algorithm's length", lambda: with_line(b"0" * 64 + b"  data/cello.txt\n"), (MANIFEST, "manifest")
    ),
    Rule("2.1.3 and a path", lambda: with_line(b"0" * 128 + b"\n"), (MANIFEST, "manifest")),
    Rule("2.1.3 with white space between", lambda: with_line(b"0" * 128 + b"data/cello.txt\n"), (MANIFEST, "manifest")),
    Rule(
        "2.1.3 folders are parted by '/'",
        lambda: with_file(MANIFEST, manifest(PAYLOAD).replace(b"harp/", b"harp\\")),
        (MANIFEST, "unsafe"),
    ),
    Rule(
        "2.1.3 nothing outside data/ is listed",
        lambda: with_file(MANIFEST, manifest(PAYLOAD) + line("bagit.txt", DECLARATION)),
        (MANIFEST, "manifest"),
        library=True,
    ),
    Rule("2.1.3 no folders are listed", lambda: with_line(line("data/harp", b"")), ("data/harp", "missing")),
    Rule(
        "2.1.3 a line feed in a name is encoded", lambda: with_payload("data/a\nb", "data/a\nb"), (MANIFEST, "manifest")
    ),
    Rule(
        "2.2.1 a tag manifest lists every payload manifest",
        lambda: {**tagged(basic()), TAGS: line("bagit.txt", DECLARATION)},
        (TAGS, "manifest"),
        library=True,
    ),
    Rule(
        "2.2.1 each tag manifest does",
        lambda: {**tagged(tagged(basic()), "sha256"), TAGS: line("bagit.txt", DECLARATION)},
        (TAGS, "manifest"),
        library=True,
    ),
    Rule(
        "2.2.1 and lists no tag manifest",
        lambda: with_line(line("tagmanifest-sha256.txt", b""), TAGS),
        (TAGS, "manifest"),
    ),
    Rule("2.2.1 and no payload file", lambda: with_line(line("data/cello.txt", b"waltz"), TAGS), (TAGS, "manifest")),
    Rule("2.2.2 a label has a colon", lambda: with_info(b"Contact-Name Cello\n"), ("bag-info.txt", "tags")),
    Rule("2.2.2 and is not empty", lambda: with_info(b": Cello\n"), ("bag-info.txt", "tags"), library=True),
    Rule(
        "2.2.2 it does not end with white space",
        lambda: with_info(b"Contact-Name : Cello\n"),
        ("bag-info.txt", "tags"),
        library=True,
    ),
    Rule(
        "2.2.2 white space follows the colon",
        lambda: with_info(b"Contact-Name:Cello\n"),
        ("bag-info.txt", "tags"),
        library=True,
    ),
    Rule(
        "2.2.2 Payload-Oxum has the right bytes",
        lambda: with_info(b"Payload-Oxum: 11.2\n"),
        ("bag-info.txt", "incomplete"),
    ),
    Rule("2.2.2 and the right count", lambda: with_info(b"Payload-Oxum: 10.3\n"), ("bag-info.txt", "incomplete")),
    Rule("2.2.2 in its form", lambda: with_info(b"Payload-Oxum: ten\n"), ("bag-info.txt", "incomplete")),
    Rule(
        "2.2.2 not twice",
        lambda: with_info(b"Payload-Oxum: 10.2\nPayload-Oxum: 10.2\n"),
        ("bag-info.txt", "tags"),
        library=True,
    ),
    Rule(
        "2.2.2 a right Payload-Oxum proves nothing",
        lambda: {**with_info(b"Payload-Oxum: 10.2\n"), "data/cello.txt": b"tango"},
        ("data/cello.txt", "changed"),
    ),
    Rule(
        "2.2.3 what is to be fetched is not there yet",
        lambda: fetching(b"https://example.org/a 5 data/cello.txt\n", absent="data/cello.txt"),
        ("fetch.txt", "incomplete"),
    ),
    Rule(
        "2.2.3 it is in every manifest",
        lambda: fetching(b"https://example.org/a 5 data/viola.txt\n"),
        ("fetch.txt", "tags"),
        library=True,
    ),
    Rule(
        "2.2.3 it is no tag file",
        lambda: fetching(b"https://example.org/a 5 bagit.txt\n"),
        ("fetch.txt", "tags"),
        library=True,
    ),
    Rule("2.2.3 a line has address, length and path", lambda: fetching(b"data/cello.txt\n"), ("fetch.txt", "tags")),
    Rule("2.2.3 the address is absolute", lambda: fetching(b"a/b 5 data/cello.txt\n"), ("fetch.txt", "tags")),
    Rule(
        "2.2.3 the length is a number",
        lambda: fetching(b"https://example.org/a five data/cello.txt\n"),
        ("fetch.txt", "tags"),
        library=True,
    ),
    Rule(
        "2.2.4 other tag files that are listed are as they were",
        lambda: {**tagged(with_file("notes.txt", b"one")), "notes.txt": b"two"},
        ("notes.txt", "changed"),
    ),
    Rule(
        "2.3 no byte-order mark in a manifest of UTF-8",
        lambda: with_file(MANIFEST, BOM + manifest(PAYLOAD)),
        (MANIFEST, "tags"),
        library=True,
    ),
    Rule(
        "2.3 nor in bag-info.txt",
        lambda: with_info(BOM + b"Contact-Name: Cello\n"),
        ("bag-info.txt", "tags"),
        library=True,
    ),
    Rule(
        "2.4 an algorithm that is not known is said to be",
        lambda: with_file("manifest-sha3512.txt", manifest(PAYLOAD)),
        ("manifest-sha3512.txt", "manifest"),
        library=True,
    ),
    Rule(
        "3 every file of a tag manifest is there",
        lambda: with_line(line("notes.txt", b"one"), TAGS),
        ("notes.txt", "missing"),
    ),
    Rule(
        "3 every file of a payload manifest is there", lambda: without("data/cello.txt"), ("data/cello.txt", "missing")
    ),
    Rule(
        "3 every checksum of the payload is right",
        lambda: with_file("data/cello.txt", b"tango"),
        ("data/cello.txt", "changed"),
    ),
    Rule(
        "3 in every manifest",
        lambda: with_file("manifest-sha256.txt", manifest({**PAYLOAD, "data/cello.txt": b"tango"}, "sha256")),
        ("manifest-sha256.txt", "manifest"),
    ),
    Rule(
        "3 every checksum of a tag file is right",
        lambda: {
            **tagged(basic()),
            MANIFEST: manifest(PAYLOAD)
            .upper()
            .replace(b"DATA/CELLO.TXT", b"data/cello.txt")
            .replace(b"DATA/HARP/ONE.TXT", b"data/harp/one.txt"),
        },
        (MANIFEST, "changed"),
    ),
    *(
        Rule(
            f"5.1 nothing outside is touched: {path} in {name}",
            lambda path=path, name=name: with_line(line(path, b""), name),
            (name, "unsafe"),
        )
        for name in (MANIFEST, TAGS)
        for path in (
            "data/../../out.txt",
            "../out.txt",
            "/etc/hostname",
            "~/out.txt",
            "~root/out.txt",
            "C:/out.txt",
            "\\\\?\\C:\\out.txt",
            "data/./../../out.txt",
        )
    ),
    Rule(
        "5.1 nor by fetch.txt",
        lambda: fetching(b"https://example.org/a 5 data/../../out.txt\n"),
        ("fetch.txt", "unsafe"),
    ),
    Rule(
        "6.1.1.1 manifests that differ in letter case are two",
        lambda: with_file("MANIFEST-SHA512.TXT", manifest(PAYLOAD)),
        ("MANIFEST-SHA512.TXT", "manifest"),
        library=True,
    ),
    Rule(
        "6.1.1.2 names that differ in normal form alone are two",
        lambda: {**with_payload("data/é", "data/é"), NFD: b"x"},
        (NFD, "extra"),
        library=True,
    ),
]


def library_accepts(bag: Path) -> bool:
    """Whether the reference library (bagit 1.9) takes the bag for valid."""
    try:
        bagit.Bag(str(bag)).validate()
    except (bagit.BagError, ValueError, LookupError, OSError):
        return False
    return True


def by_words(rule: Rule) -> str:
    return rule.words


@pytest.mark.parametrize("rule", WHOLE + WARNED, ids=by_words)
def test_a_bag_that_keeps_the_rules_is_whole_and_comes_back(tmp_path: Path, rule: Rule) -> None:
    files = rule.files()
    bag = write(tmp_path / "bag", files)
    audit = audit_bag(bag)
    assert audit.ok, audit.findings
    assert [(one.file, one.what) for one in audit.warnings] == ([rule.warning] if rule.warning else [])
    restore_bag(bag, tmp_path / "again")
    payload = {path.removeprefix("data/"): data for path, data in files.items() if path.startswith("data/")}
    assert {unicodedata.normalize("NFC", path): data for path, data in tree(tmp_path / "again").items()} == {
        unicodedata.normalize("NFC", path): data for path, data in payload.items()
    }
    assert library_accepts(bag) is (rule.library is not False)


@pytest.mark.parametrize("rule", BROKEN, ids=by_words)
def test_a_bag_that_breaks_a_rule_is_not_whole_and_does_not_come_back(tmp_path: Path, rule: Rule) -> None:
    files = rule.files()
    if "data" in files:
        (tmp_path / "bag").mkdir()
        for path, data in files.items():
            (tmp_path / "bag" / path).write_bytes(data)
    else:
        write(tmp_path / "bag", files)
    audit = audit_bag(tmp_path / "bag")
    assert rule.finding in {(one.file, one.what) for one in audit.findings}, audit.findings
    assert not audit.ok
    with pytest.raises(FileError, match="not whole"):
        restore_bag(tmp_path / "bag", tmp_path / "again")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["bag"]
    assert library_accepts(tmp_path / "bag") is (rule.library is True)


def test_a_bag_without_files_is_written_and_accepted(tmp_path: Path) -> None:
    write_bag(tmp_path / "bag", [], FACTS, date=DAY)
    assert audit_bag(tmp_path / "bag").ok
    bagit.Bag(str(tmp_path / "bag")).validate()
    restore_bag(tmp_path / "bag", tmp_path / "again")
    assert tree(tmp_path / "again") == {}


def test_order_and_repeats_of_the_label_are_kept(tmp_path: Path) -> None:
    """2.2.2: the ordering of metadata elements MUST be preserved."""
    write_bag(tmp_path / "bag", [], {"Contact-Name": "Harp", "External-Description": "A  waltz\nat sea"}, date=DAY)
    labels = [text.split(": ")[0] for text in (tmp_path / "bag/bag-info.txt").read_text().splitlines()]
    assert labels[:3] == ["Contact-Name", "External-Description", "Bagging-Date"]
    assert bagit.Bag(str(tmp_path / "bag")).info["External-Description"] == "A waltz at sea"


NAMES = ["cello.txt", "a b", "*star", "#1 & (two).txt", "Straße Σ 波", "tab\tin", " first", "last "]


def test_sha512sum_reads_every_name_that_is_not_encoded(tmp_path: Path) -> None:
    """2.1.3: all but LF, CR and the percent sign stand as they are."""
    sha512sum = need_program("sha512sum")
    session = tmp_path / "session"
    session.mkdir()
    for name in NAMES:
        (session / name).write_bytes(name.encode())
    write_bag(tmp_path / "bag", items_of(session), FACTS, date=DAY)
    for name in (MANIFEST, TAGS):
        subprocess.run([sha512sum, "--strict", "--quiet", "-c", name], cwd=tmp_path / "bag", check=True)
