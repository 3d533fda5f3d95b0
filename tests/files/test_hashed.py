"""A file that is hashed as it is read."""

from __future__ import annotations

import hashlib
import io
from pathlib import Path
from typing import Any

import hypothesis.strategies as st
import pytest
from hypothesis import HealthCheck, given, settings

from printq.files import hashed
from printq.files.hashed import HashedFile

CONTENT = bytes(number * number % 251 for number in range(1000))
STEPS = st.lists(st.tuples(st.sampled_from(["seek", "read", "read1", "readinto"]), st.integers(0, 1200)), max_size=12)


class Counted(io.FileIO):
    """Counts the bytes that are read from the disk."""

    octets = 0

    def read(self, size: int = -1, /) -> bytes:
        data = super().read(size) or b""
        self.octets += len(data)
        return data


@pytest.fixture
def path(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(hashed, "BLOCK", 64)
    (tmp_path / "file").write_bytes(CONTENT)
    return tmp_path / "file"


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(steps=STEPS)
def test_whatever_is_read_the_bytes_and_the_checksum_are_those_of_the_file(path: Path, steps: list[Any]) -> None:
    with path.open("rb") as opened:
        file, plain = HashedFile(opened, ["sha512", "md5"]), io.BytesIO(CONTENT)
        for step, value in steps:
            if step == "seek":
                assert file.seek(value) == plain.seek(value)
            elif step == "read":
                assert file.read(value) == plain.read(value)
            elif step == "readinto":
                one, other = bytearray(value), bytearray(value)
                assert file.readinto(one) == plain.readinto(other)
                assert one == other
            else:
                data = file.read1(value)
                assert data == plain.read(len(data))
                assert data or not value or plain.tell() >= len(CONTENT)
            assert file.tell() == plain.tell()
        assert file.finish() == {name: hashlib.new(name, CONTENT).hexdigest() for name in ("sha512", "md5")}
        assert file.octets == len(CONTENT)


def test_a_header_and_what_was_just_read_are_not_read_again_from_the_disk(path: Path) -> None:
    opened: Any = Counted(path)
    with opened:
        file = HashedFile(opened, ["sha512"])
        for place in (0, 60, 10, 120, 5, 128, 130, 0):
            file.seek(place)
            assert file.read(8) == CONTENT[place : place + 8]
        file.read1(10)
        assert opened.octets == 3 * 64
        assert file.finish() == {"sha512": hashlib.sha512(CONTENT).hexdigest()}
        assert opened.octets == len(CONTENT)


def test_a_look_far_ahead_costs_what_is_looked_at(path: Path) -> None:
    opened: Any = Counted(path)
    with opened:
        file = HashedFile(opened, ["sha512"])
        file.read(8)
        file.seek(900)
        assert file.read(8) == CONTENT[900:908]
        assert opened.octets == 64 + 8
        file.seek(8)
        assert file.read() == CONTENT[8:]
        assert file.finish() == {"sha512": hashlib.sha512(CONTENT).hexdigest()}
        assert opened.octets == len(CONTENT) + 8


def test_what_lies_further_back_comes_right_too(path: Path) -> None:
    with path.open("rb") as opened:
        file = HashedFile(opened, ["sha512"])
        file.seek(900)
        file.read(8)
        file.seek(100)
        assert file.read(300) == CONTENT[100:400]
        assert file.seek(-3, io.SEEK_END) == len(CONTENT) - 3
        assert file.read() == CONTENT[-3:]
        assert file.finish() == {"sha512": hashlib.sha512(CONTENT).hexdigest()}
