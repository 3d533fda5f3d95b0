"""Raw takes: they must survive whatever happens to the program and to the disk."""

from __future__ import annotations

import errno
import os
import subprocess
import sys

import numpy as np
import pytest
import soundfile

from printq.errors import StorageError
from printq.files.soundfiles import SoundReader, TakeWriter, read_facts

from .audio import RATE

POSIX = pytest.mark.skipif(
    os.name == "nt", reason="Windows knows no limit on the size of a file and fills holes with zeros"
)

RECORDER = """
import sys, time
from pathlib import Path
import numpy as np
from printq.files.soundfiles import TakeWriter

writer = TakeWriter(Path(sys.argv[1]), 48000, 2)
for number in range(20):
    writer.write(np.full((1000, 2), number / 32, dtype=np.float32))
print("written", flush=True)
time.sleep(60)
"""


def test_every_written_frame_is_there_after_a_kill(tmp_path):
    path = tmp_path / "take.wav"
    with subprocess.Popen([sys.executable, "-c", RECORDER, path], stdout=subprocess.PIPE, text=True) as recorder:
        assert recorder.stdout.readline() == "written\n"
        recorder.kill()
    with SoundReader(path) as reader:
        assert (reader.facts.rate, reader.facts.channels, reader.facts.frames) == (RATE, 2, 20_000)
        found = reader.read(20_000)
    np.testing.assert_array_equal(found, np.repeat(np.arange(20) / 32, 1000)[:, np.newaxis] * [1, 1])


LIMITED = """
import resource, sys
from pathlib import Path
import numpy as np
from printq.errors import StorageError
from printq.files.soundfiles import TakeWriter

resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, 100_000))
try:
    with TakeWriter(Path(sys.argv[1]), 48000, 2) as writer:
        for _ in range(100):
            writer.write(np.zeros((1000, 2), dtype=np.float32))
except StorageError as error:
    print(error)
"""


@POSIX
def test_a_file_that_may_not_grow_is_told_and_nothing_is_lost_silently(tmp_path):
    """A limit on the size of files makes the system refuse a write, as a full disk does."""
    run = subprocess.run(
        [sys.executable, "-c", LIMITED, tmp_path / "take.wav"], capture_output=True, text=True, check=True, timeout=60
    )
    assert "take.wav cannot be written: File too large; look at the disk, then run again" in run.stdout
    assert read_facts(tmp_path / "take.wav").frames > 10_000


def test_a_take_holds_its_float_samples_bit_for_bit(tmp_path):
    """Float keeps what a converter gave, and every sample of 24 bits."""
    path = tmp_path / "folder" / "take.wav"
    samples = np.random.default_rng(3).standard_normal((5000, 3)).astype(np.float32)
    samples[:3] = [[1.0, -1.0, 1.0 - 2.0**-23], [2.0**-23, 0.0, -(2.0**-23)], [3.5, -7.0, 1e-20]]
    with TakeWriter(path, RATE, 3) as writer:
        for start in range(0, 5000, 777):
            writer.write(samples[start : start + 777])
        writer.write(samples[:0])
        assert writer.frames == 5000
    np.testing.assert_array_equal(soundfile.read(path, dtype="float32")[0], samples)
    assert read_facts(path).encoding == "FLOAT"


def test_a_take_under_4_gib_becomes_a_plain_wav_when_closed(tmp_path):
    with TakeWriter(tmp_path / "take.wav", RATE, 1) as writer:
        writer.write(np.zeros((10, 1), dtype=np.float32))
    assert (tmp_path / "take.wav").read_bytes()[:4] == b"RIFF"


@POSIX
def test_a_take_over_4_gib_stays_rf64_and_whole(tmp_path):
    """The file has a hole where most of its audio would be: 8 bytes a frame make 2^32 bytes of 2^29 frames."""
    path = tmp_path / "take.wav"
    with TakeWriter(path, RATE, 2) as writer:
        writer.write(np.full((1, 2), 0.5, dtype=np.float32))
        writer._file.seek(2**29)
        writer.write(np.full((10, 2), 0.25, dtype=np.float32))
    with path.open("rb") as file:
        assert file.read(4) == b"RF64"
    with SoundReader(path) as reader:
        assert reader.facts.frames == 2**29 + 10
        assert reader.read_float32(1).tolist() == [[0.5, 0.5]]
        reader.seek(2**29)
        assert reader.read_float32(100).tolist() == [[0.25, 0.25]] * 10


def test_the_first_error_is_the_one_that_is_told(tmp_path, monkeypatch):
    """On a full disk closing fails as well."""

    def fail(*_):
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    def record():
        with TakeWriter(tmp_path / "take.wav", RATE, 1):
            monkeypatch.setattr("os.fsync", fail)
            raise KeyError("what went wrong first")

    with pytest.raises(KeyError, match="what went wrong first"):
        record()


def test_a_take_can_be_closed_twice(tmp_path):
    writer = TakeWriter(tmp_path / "take.wav", RATE, 1)
    writer.write(np.zeros((10, 1), dtype=np.float32))
    writer.close()
    writer.close()
    assert read_facts(tmp_path / "take.wav").frames == 10


def test_a_failing_write_names_the_file(tmp_path, monkeypatch):
    def fail(*_):
        raise soundfile.LibsndfileError(1)  # an error of its own, not of the system's

    with TakeWriter(tmp_path / "take.wav", RATE, 1) as writer:
        monkeypatch.setattr(soundfile.SoundFile, "write", fail)
        with pytest.raises(StorageError, match=r"take\.wav cannot be written .*is the disk full"):
            writer.write(np.zeros((10, 1), dtype=np.float32))
