"""Reading audio files, and saying what is wrong with those that cannot be read."""

from __future__ import annotations

import errno
import io
import os
from pathlib import Path

import numpy as np
import pytest
import soundfile

from printq.errors import FileError
from printq.files import hashed
from printq.files.broadcast import BroadcastExtension
from printq.files.checksums import file_sha256
from printq.files.soundfiles import FileFacts, SoundReader, read_facts

from .audio import RATE, integers, write

KINDS = [
    ("WAV", "PCM_16"),
    ("WAV", "PCM_24"),
    ("WAV", "FLOAT"),
    ("AIFF", "PCM_24"),
    ("FLAC", "PCM_24"),
    ("RF64", "PCM_24"),
]


@pytest.mark.parametrize(("kind", "subtype"), KINDS)
def test_the_facts_of_a_file_are_those_of_its_header(tmp_path, kind, subtype):
    path = write(tmp_path / "stem", integers(16), subtype, 44_100, format=kind)
    assert read_facts(path) == FileFacts(44_100, 2, 1000, kind, subtype, None)


@pytest.mark.parametrize(("kind", "subtype"), KINDS)
def test_blocks_and_jumps_give_the_samples_of_the_file(tmp_path, kind, subtype):
    samples = integers(16)
    with SoundReader(write(tmp_path / "stem", samples, subtype, format=kind)) as reader:
        np.testing.assert_array_equal(np.concatenate(list(reader.blocks(77))), samples)
        reader.seek(500)
        np.testing.assert_array_equal(reader.read(10), samples[500:510])
        assert reader.read(1000).shape == (490, 2)
        assert reader.read(1000).shape == (0, 2)


@pytest.mark.parametrize("subtype", ["PCM_U8", "PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE"])
@pytest.mark.parametrize(
    ("kind", "channels", "endian"),
    [("WAV", 1, "LITTLE"), ("WAV", 2, "LITTLE"), ("WAV", 2, "BIG"), ("WAVEX", 3, "LITTLE"), ("RF64", 2, "LITTLE")],
)
def test_samples_are_those_that_libsndfile_decodes(tmp_path, kind, channels, subtype, endian):
    samples = np.random.default_rng(3).integers(-(2**31), 2**31, (500, channels), dtype=np.int32)
    samples[:4] = np.array([-(2**31), 2**31 - 1, 0, -(2**8)])[:, np.newaxis]
    path = tmp_path / "stem.wav"
    soundfile.write(path, samples / 2.0**31, RATE, subtype=subtype, format=kind, endian=endian)
    assert (path.read_bytes()[:4] == b"RIFX") == (endian == "BIG")
    wanted, single = (soundfile.read(path, dtype=name, always_2d=True)[0] for name in ("float64", "float32"))
    with SoundReader(path) as reader:
        np.testing.assert_array_equal(np.concatenate(list(reader.blocks(77))), wanted)
        reader.seek(490)
        read = reader.read_float32(1000)
        assert read.dtype == np.float32
        np.testing.assert_array_equal(read, single[490:])
        reader.seek(3)
        np.testing.assert_array_equal(reader.read(100), wanted[3:103])


@pytest.mark.parametrize(("kind", "subtype"), KINDS)
def test_a_file_that_is_open_already_reads_the_same(tmp_path, kind, subtype, monkeypatch):
    """Also through blocks that are smaller than the file, where readers of headers have moved its position."""
    monkeypatch.setattr(hashed, "BLOCK", 256)
    samples = integers(16)
    path = write(tmp_path / "stem", samples, subtype, format=kind)
    with path.open("rb") as opened, SoundReader(path, opened) as reader:
        assert reader.facts == read_facts(path)
        np.testing.assert_array_equal(np.concatenate(list(reader.blocks(77))), samples)
    with path.open("rb") as opened:
        file = hashed.HashedFile(opened, ["sha256"])
        with SoundReader(path, file) as reader:
            np.testing.assert_array_equal(np.concatenate(list(reader.blocks(77))), samples)
        assert file.finish()["sha256"] == file_sha256(path)


@pytest.mark.parametrize("after", [0, 3])
def test_a_disk_that_fails_under_an_open_file_is_said_so(tmp_path, after):
    path = write(tmp_path / "stem", integers(24), "PCM_24", format="FLAC")

    class Failing(io.FileIO):
        left = after

        def read(self, size=-1, /):
            self.left -= 1
            if self.left < 0:
                raise OSError(errno.EIO, os.strerror(errno.EIO))
            return super().read(min(size, 600))

    with Failing(path) as opened, pytest.raises(FileError, match="Input/output error"):  # noqa: SIM117
        with SoundReader(path, opened) as reader:
            reader.read(1000)


def test_mono_stays_two_dimensional(tmp_path):
    with SoundReader(write(tmp_path / "mono.wav", integers(24, channels=1))) as reader:
        assert reader.read(10).shape == (10, 1)


def test_the_file_is_not_touched(tmp_path):
    path = write(tmp_path / "dry.wav", integers(24))
    before = (path.read_bytes(), path.stat().st_mtime_ns)
    path.chmod(0o444)
    with SoundReader(path) as reader:
        list(reader.blocks(100))
    assert (path.read_bytes(), path.stat().st_mtime_ns) == before


def empty(folder):
    (folder / "x.wav").touch()


def text(folder):
    (folder / "x.wav").write_text("Dear all, the narrator is late again.\n" * 100)


def directory(folder):
    (folder / "x.wav").mkdir()


def stump(folder):
    (folder / "x.wav").write_bytes(write(folder / "whole.wav", integers(24)).read_bytes()[:20])


def endless(folder):
    """As programs write that cannot go back to the header: a size of FFFFFFFFh."""
    data = write(folder / "whole.wav", integers(24)).read_bytes()
    place = data.index(b"data") + 4
    (folder / "x.wav").write_bytes(data[:place] + b"\xff" * 4 + data[place + 4 :])


def pipe(folder):
    if os.name == "nt":
        pytest.skip("Windows has no pipes with names of files")
    os.mkfifo(folder / "x.wav")


def no_frames(folder):
    soundfile.write(folder / "x.wav", np.zeros((0, 2)), RATE, format="WAV")


def cut_off(subtype, kind="WAV", by=100):
    def make(folder):
        path = write(folder / "x.wav", integers(16), subtype, format=kind)
        path.write_bytes(path.read_bytes()[:-by])

    return make


@pytest.mark.parametrize(
    ("make", "says"),
    [
        pytest.param(lambda folder: None, "does not exist; put the file there or correct its path", id="missing"),
        pytest.param(empty, "cannot be read as audio .*; export it again", id="empty"),
        pytest.param(text, "cannot be read as audio .*; export it again", id="text"),
        pytest.param(stump, "cannot be read as audio .*; export it again", id="end in the header"),
        pytest.param(endless, "does not say how long it is, as if its writing never ended; export", id="endless"),
        pytest.param(pipe, "is no ordinary file", id="pipe"),
        pytest.param(directory, "is a folder, not an audio file", id="folder"),
        pytest.param(no_frames, "holds no audio at all; export it again", id="no frames"),
        pytest.param(cut_off("PCM_24"), "is cut off: 100 bytes of its audio are missing; copy it again", id="cut"),
        pytest.param(cut_off("FLOAT"), "is cut off: 100 bytes", id="cut float"),
        pytest.param(cut_off("PCM_24", by=1), "is cut off: 1 bytes", id="cut by one byte"),
        pytest.param(cut_off("PCM_24", "RF64"), "is cut off: 100 bytes", id="cut RF64"),
        pytest.param(cut_off("PCM_24", "AIFF"), "is cut off: 100 bytes", id="cut AIFF"),
        pytest.param(cut_off("PCM_24", by=5990), "is cut off|cannot be read as audio", id="cut in the header"),
    ],
)
def test_a_file_that_cannot_be_used_is_refused_in_a_sentence(tmp_path, make, says):
    make(tmp_path)
    with pytest.raises(FileError, match=rf"x\.wav {says}"):
        read_facts(tmp_path / "x.wav")


def test_samples_without_a_header_are_refused(tmp_path):
    """soundfile goes by this extension and raises a TypeError."""
    (tmp_path / "x.raw").write_bytes(bytes(1000))
    with pytest.raises(FileError, match=r"x\.raw has no header that says what is in it; export it as WAV or FLAC"):
        read_facts(tmp_path / "x.raw")


@pytest.mark.parametrize(
    "name", ["nul\0.wav", "x" * 5000 + ".wav", "dry.wav/x.wav"], ids=["nul", "long", "under a file"]
)
def test_a_name_that_no_file_can_have_is_told(tmp_path, name):
    write(tmp_path / "dry.wav", integers(24))
    with pytest.raises(FileError, match=r"does not exist|cannot be read"):
        read_facts(tmp_path / name)


def test_a_file_that_may_not_be_read_is_told(tmp_path, monkeypatch):
    path = write(tmp_path / "x.wav", integers(24))

    def forbid(*_):
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(Path, "open", forbid)
    with pytest.raises(FileError, match=r"x\.wav cannot be read \(Permission denied\); look at its permissions"):
        read_facts(path)


def test_a_place_behind_the_end_is_an_error_that_names_the_file(tmp_path):
    with SoundReader(write(tmp_path / "x.wav", integers(24))) as reader, pytest.raises(FileError, match=r"x\.wav"):
        reader.seek(1001)


def test_single_precision_holds_every_sample_of_24_bits(tmp_path):
    """A float has a significand of 24 bits."""
    samples = integers(24)
    with SoundReader(write(tmp_path / "x.wav", samples)) as reader:
        found = reader.read_float32(2000)
    assert found.dtype == np.float32
    np.testing.assert_array_equal(found, samples)


def test_the_time_reference_of_a_file_is_among_its_facts(tmp_path):
    path = write(tmp_path / "x.wav", integers(24))
    data = path.read_bytes()
    bext = BroadcastExtension(time_reference=2**32 + 5).encode()
    path.write_bytes(data[:12] + b"bext" + len(bext).to_bytes(4, "little") + bext + data[12:])
    assert read_facts(path).time_reference == 2**32 + 5


def test_a_flac_file_that_is_cut_off_is_refused_at_the_latest_when_its_end_is_read(tmp_path):
    path = write(tmp_path / "x.flac", integers(24, frames=50_000))
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    with pytest.raises(FileError, match=r"x\.flac cannot be read"), SoundReader(path) as reader:
        list(reader.blocks(4096))


def test_a_chunk_of_an_odd_size_is_stepped_over(tmp_path):
    """RIFF pads to even sizes; the pad byte is not counted."""
    path = write(tmp_path / "x.wav", integers(24))
    data = path.read_bytes()
    odd = data[:12] + b"odd \x03\x00\x00\x00abc\x00" + data[12:]
    path.write_bytes(odd[:4] + (len(odd) - 8).to_bytes(4, "little") + odd[8:])
    assert read_facts(path).frames == 1000


def test_a_reader_can_be_closed_twice(tmp_path):
    reader = SoundReader(write(tmp_path / "x.wav", integers(24)))
    reader.close()
    reader.close()
