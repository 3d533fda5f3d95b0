"""Checksums of files and of the audio in them."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from printq.errors import FileError
from printq.files.checksums import AudioHasher, file_sha256
from printq.files.soundfiles import SoundReader

from .audio import RATE, integers, write


@pytest.mark.parametrize(
    ("content", "digest"),
    [
        (b"abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"),
        (b"", "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"),
    ],
)
def test_the_checksum_of_a_file_is_that_of_the_standard(tmp_path, content, digest):
    """FIPS 180-4, its example for "abc"."""
    (tmp_path / "x").write_bytes(content)
    assert file_sha256(tmp_path / "x") == digest


def test_a_missing_file_is_told(tmp_path):
    with pytest.raises(FileError, match="x cannot be read"):
        file_sha256(tmp_path / "x")


def audio_hash(path, block=1000):
    with SoundReader(path) as reader:
        hasher = AudioHasher(reader.facts.rate, reader.facts.channels)
        for samples in reader.blocks(block):
            hasher.add(samples)
    return hasher.hexdigest()


def test_the_same_audio_has_the_same_checksum_in_whatever_it_is_packed(tmp_path):
    samples = integers(24, frames=5000)
    packed = [
        write(tmp_path / "a.wav", samples),
        write(tmp_path / "a.flac", samples),
        write(tmp_path / "a.aiff", samples),
        write(tmp_path / "float.wav", samples, "FLOAT"),
        write(tmp_path / "double.wav", samples, "DOUBLE"),
    ]
    assert len({audio_hash(path, block) for path, block in zip(packed, (1, 77, 333, 5000, 9999), strict=True)}) == 1


def test_one_step_of_one_sample_makes_another_checksum(tmp_path):
    samples = integers(24)
    changed = samples.copy()
    changed[500, 1] += 2.0**-23 if changed[500, 1] < 0.5 else -(2.0**-23)
    assert audio_hash(write(tmp_path / "a.wav", samples)) != audio_hash(write(tmp_path / "b.wav", changed))


def digest(rate, channels, *blocks):
    hasher = AudioHasher(rate, channels)
    for block in blocks:
        hasher.add(np.asarray(block, dtype=np.float64))
    return hasher.hexdigest()


def test_minus_zero_is_zero():
    assert digest(RATE, 1, [[0.0], [1.0]]) == digest(RATE, 1, [[-0.0], [1.0]])


def test_rate_and_channels_count():
    assert digest(RATE, 2, np.zeros((2, 2))) != digest(RATE, 1, np.zeros((4, 1)))
    assert digest(RATE, 2, np.zeros((2, 2))) != digest(44_100, 2, np.zeros((2, 2)))


@given(st.lists(st.integers(0, 100), max_size=6).map(sorted))
def test_the_cut_into_blocks_does_not_count(places):
    samples = integers(24, frames=100)
    assert digest(RATE, 2, *np.split(samples, places)) == digest(RATE, 2, samples)
