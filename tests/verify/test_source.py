"""The dry file is sacred: what was measured before a pass is looked for after it."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest
import soundfile

from printq.errors import FileError
from printq.files.stems import StemPart, StemReader
from printq.intake import load_job
from printq.models.passes import Pass
from printq.models.verdict import SourceFacts
from printq.verify.source import SourceCheck, measure_source
from tests.sessions import RATE, SmallSession


def source_is_unchanged(each: Pass, parts: list[StemPart], facts: SourceFacts) -> bool:
    with SourceCheck(each, parts, facts) as check:
        check.go_on()
        return check.is_unchanged()


@pytest.fixture
def measured(tmp_path: Path) -> tuple[Pass, list[StemPart], SourceFacts]:
    session = SmallSession(tmp_path)
    session.keep_stems("clarinet")
    session.write()
    each = load_job(tmp_path).passes[0]
    parts = [StemPart(tmp_path / "dry/clarinet.wav")]
    return each, parts, measure_source(each, "mono", parts)


def test_the_same_bytes_are_the_same_source(measured: tuple[Pass, list[StemPart], SourceFacts]) -> None:
    assert source_is_unchanged(*measured)


def test_another_file_with_the_same_samples_is_the_same_source(
    measured: tuple[Pass, list[StemPart], SourceFacts], tmp_path: Path
) -> None:
    each, parts, facts = measured
    samples, _ = soundfile.read(parts[0].path, dtype="int32", always_2d=True)
    before = parts[0].path.read_bytes()
    with soundfile.SoundFile(parts[0].path, "w", RATE, samples.shape[1], "PCM_24") as file:
        file.comment = "the lighthouse keeper's favourite"
        file.write(samples)
    assert parts[0].path.read_bytes() != before
    assert source_is_unchanged(each, parts, facts)


def test_one_changed_bit_is_another_source(measured: tuple[Pass, list[StemPart], SourceFacts]) -> None:
    each, parts, facts = measured
    data = bytearray(parts[0].path.read_bytes())
    data[-7] ^= 1
    parts[0].path.write_bytes(data)
    assert not source_is_unchanged(each, parts, facts)


def test_a_source_that_is_gone_is_said_to_be(measured: tuple[Pass, list[StemPart], SourceFacts]) -> None:
    each, parts, facts = measured
    shutil.move(parts[0].path, parts[0].path.with_suffix(".elsewhere"))
    with pytest.raises(FileError, match=r"clarinet\.wav"):
        source_is_unchanged(each, parts, facts)


@pytest.mark.parametrize("kind", ["PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE"])
def test_what_is_read_exactly_has_every_digit(kind: str, tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", np.random.default_rng(2).uniform(-1.0, 1.0, (5000, 2)), RATE, kind)
    with (
        StemReader([StemPart(tmp_path / "a.wav")], 2, 6000) as one,
        StemReader([StemPart(tmp_path / "a.wav")], 2, 6000) as other,
    ):
        for frames in (100, 4000, 5000):
            assert np.array_equal(one.read_exact(frames).astype(np.float64), other.read(frames))


@pytest.mark.parametrize("replaced", [False, True])
def test_a_source_that_changes_while_it_is_looked_at_is_another(
    measured: tuple[Pass, list[StemPart], SourceFacts], replaced: bool, tmp_path: Path
) -> None:
    each, parts, facts = measured
    path, data = parts[0].path, bytearray(parts[0].path.read_bytes())
    data[len(data) // 2] ^= 1
    with SourceCheck(each, parts, facts) as check:
        for _ in range(1 + len(data) // (1 << 20)):
            check.go_on()
        if replaced:
            (tmp_path / "another.wav").write_bytes(data)
            (tmp_path / "another.wav").replace(path)
        else:
            path.write_bytes(data)
        assert not check.is_unchanged()
