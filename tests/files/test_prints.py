"""Finished prints, read back by programs that know nothing of us."""

from __future__ import annotations

import errno
import json
import os
import struct
import subprocess
from dataclasses import replace

import numpy as np
import pytest
import soundfile
from wavinfo import WavInfoReader

from printq.errors import StorageError
from printq.files.broadcast import BroadcastExtension, find_chunks, read_broadcast
from printq.files.quantise import Dither
from printq.files.soundfiles import PrintWriter, SoundReader, read_facts, update_broadcast
from tests.conftest import need_program

from .audio import RATE, integers

HOUR_10_AT_192_KHZ = 10 * 3600 * 192_000
"""6 912 000 000: more than 32 bits hold."""
EXTENSION = BroadcastExtension(
    description="clarinet through the opto compressor",
    originator="printq",
    originator_reference="lighthouse-0001",
    origination_date="2025-03-04",
    origination_time="10:20:30",
    time_reference=HOUR_10_AT_192_KHZ,
    loudness_value=-22.64,
    loudness_range=7.1,
    max_true_peak=-1.25,
    max_momentary=-18.5,
    max_short_term=-20.05,
    coding_history=("A=PCM,F=48000,W=24,M=stereo,T=D/A", "A=ANALOGUE,M=stereo,T=opto compressor"),
)
EXTENSION_WITHOUT_HISTORY = replace(EXTENSION, coding_history=())
HISTORY = "A=PCM,F=48000,W=24,M=stereo,T=D/A\r\nA=ANALOGUE,M=stereo,T=opto compressor\r\n"

KINDS = [(bits, channels) for bits in (16, 24, 32) for channels in (1, 2)]


def write_print(path, samples, bit_depth, extension=EXTENSION, rate=RATE, **more):
    with PrintWriter(path, rate, samples.shape[1], bit_depth, extension, frames=len(samples), **more) as writer:
        for start in range(0, len(samples), 333):
            writer.write(samples[start : start + 333])
    return path


@pytest.fixture(params=KINDS, ids=lambda kind: f"{kind[0]} bits, {kind[1]} channels")
def made(request, tmp_path):
    """A print of each kind: (path, bits, channels, samples)."""
    bits, channels = request.param
    samples = integers(min(bits, 24), channels=channels)
    return write_print(tmp_path / "clarinet.solo.v1.wav", samples, bits), bits, channels, samples


def heard(command):
    return subprocess.run(command, capture_output=True, text=True, check=True, timeout=60).stdout


def test_wavinfo_reads_all_fields_back(made):
    path, bits, channels, samples = made
    info = WavInfoReader(str(path), bext_encoding="utf-8")
    assert (info.fmt.sample_rate, info.fmt.channel_count, info.fmt.bits_per_sample) == (RATE, channels, bits)
    assert info.data.frame_count == len(samples)
    bext = info.bext
    assert bext.version == 2
    assert bext.description == EXTENSION.description
    assert bext.originator == EXTENSION.originator
    assert bext.originator_ref == EXTENSION.originator_reference
    assert (bext.originator_date, bext.originator_time) == ("2025-03-04", "10:20:30")
    assert bext.time_reference == HOUR_10_AT_192_KHZ
    assert bext.coding_history.rstrip("\0") == HISTORY
    assert bext.loudness_value == pytest.approx(-22.64)
    assert bext.loudness_range == pytest.approx(7.1)
    assert bext.max_true_peak == pytest.approx(-1.25)
    assert bext.max_momentary_loudness == pytest.approx(-18.5)
    assert bext.max_shortterm_loudness == pytest.approx(-20.05)


def test_ffprobe_reads_the_time_reference_and_the_texts_back(made):
    path, bits, channels, samples = made
    found = json.loads(
        heard([need_program("ffprobe"), "-v", "error", "-of", "json", "-show_streams", "-show_format", path])
    )
    (stream,) = found["streams"]
    assert stream["codec_name"] == {16: "pcm_s16le", 24: "pcm_s24le", 32: "pcm_f32le"}[bits]
    assert (int(stream["sample_rate"]), stream["channels"], stream["duration_ts"]) == (RATE, channels, len(samples))
    tags = found["format"]["tags"]
    assert tags["time_reference"] == str(HOUR_10_AT_192_KHZ)
    assert tags["comment"] == EXTENSION.description
    assert tags["encoded_by"] == EXTENSION.originator
    assert tags["originator_reference"] == EXTENSION.originator_reference
    assert (tags["date"], tags["creation_time"]) == ("2025-03-04", "10:20:30")
    assert tags["coding_history"].strip() == HISTORY.strip()


def test_mediainfo_reads_the_format_and_the_time_reference_back(made):
    path, bits, channels, samples = made
    tracks = json.loads(heard([need_program("mediainfo"), "--Output=JSON", path]))["media"]["track"]
    audio = next(track for track in tracks if track["@type"] == "Audio")
    general = next(track for track in tracks if track["@type"] == "General")
    assert (audio["BitDepth"], audio["Channels"], audio["SamplingRate"]) == (str(bits), str(channels), str(RATE))
    assert audio["SamplingCount"] == str(len(samples))
    assert general["Description"] == EXTENSION.description
    # It shows the time of day that the time reference stands for: 40 hours here, at 48 kHz.
    assert float(audio["Delay"]) == pytest.approx(HOUR_10_AT_192_KHZ / RATE, abs=0.001)


def test_sox_reads_the_format_and_every_sample_back(made):
    path, bits, channels, samples = made
    sox = need_program("sox")
    assert heard([sox, "--info", "-c", path]).strip() == str(channels)
    assert heard([sox, "--info", "-s", path]).strip() == str(len(samples))
    assert heard([sox, "--info", "-p", path]).strip() == {16: "16", 24: "24", 32: "25"}[bits]
    raw = subprocess.run(
        [sox, path, "-t", "raw", "-e", "signed", "-b", "32", "-"], capture_output=True, check=True, timeout=60
    ).stdout
    np.testing.assert_array_equal(np.frombuffer(raw, "<i4").reshape(-1, channels) / 2.0**31, samples)


def test_every_sample_of_its_word_length_comes_back_exactly(made):
    path, _, _, samples = made
    found, _ = soundfile.read(path, dtype="float64", always_2d=True)
    np.testing.assert_array_equal(found, samples)


def test_our_own_reader_agrees(made):
    path, bits, channels, samples = made
    assert read_broadcast(path) == EXTENSION
    facts = read_facts(path)
    assert (facts.rate, facts.channels, facts.frames) == (RATE, channels, len(samples))
    assert facts.encoding == {16: "PCM_16", 24: "PCM_24", 32: "FLOAT"}[bits]
    assert facts.time_reference == HOUR_10_AT_192_KHZ


def test_the_bext_chunk_lies_ahead_of_the_audio_and_nothing_tells_the_time_of_day(made):
    """A PEAK chunk carries the time of writing: the same print would not be the same file twice."""
    with made[0].open("rb") as file:
        names = [chunk.name for chunk in find_chunks(file)]
    assert names.index(b"bext") < names.index(b"data")
    assert b"PEAK" not in names


def test_the_same_print_is_the_same_file_byte_for_byte(made):
    path, bits, _, samples = made
    again = write_print(path.with_name("again.wav"), samples, bits)
    assert again.read_bytes() == path.read_bytes()


def test_a_print_without_loudness_says_that_it_has_none(tmp_path):
    """Tech 3285, 2.4: an unused field holds 7FFFh; the fields are at 412 to 421 of the chunk."""
    path = write_print(tmp_path / "x.wav", integers(24), 24, BroadcastExtension())
    with path.open("rb") as file:
        chunk = next(chunk for chunk in find_chunks(file) if chunk.name == b"bext")
        file.seek(chunk.start + 412)
        assert file.read(10) == b"\xff\x7f" * 5


def test_loudness_can_be_filled_in_later_and_the_audio_stays(tmp_path):
    samples = integers(24)
    path = write_print(tmp_path / "x.wav", samples, 24, BroadcastExtension(coding_history=EXTENSION.coding_history))
    update_broadcast(path, EXTENSION)
    assert read_broadcast(path) == EXTENSION
    np.testing.assert_array_equal(soundfile.read(path, dtype="float64")[0], samples)


def test_a_history_that_does_not_fit_is_refused_and_the_file_stays(tmp_path):
    path = write_print(tmp_path / "x.wav", integers(24), 24, BroadcastExtension())
    before = path.read_bytes()
    with pytest.raises(ValueError, match="room"):
        update_broadcast(path, BroadcastExtension(coding_history=("A=ANALOGUE,M=mono,T=" + "x" * 2000,)))
    assert path.read_bytes() == before


def test_samples_are_rounded_and_not_cut_off(tmp_path):
    """libsndfile by itself rounds floats down: half a step off on average."""
    samples = np.random.default_rng(2).uniform(-0.9, 0.9, (20_000, 1))
    path = write_print(tmp_path / "x.wav", samples, 24)
    error = (soundfile.read(path, dtype="float64", always_2d=True)[0] - samples) * 2**23
    assert np.abs(error).max() <= 0.5
    # The mean of n rounding errors is known to 0.289 / sqrt(n) steps: 0.002 here.
    assert abs(error.mean()) < 0.01


def test_what_is_beyond_full_scale_is_limited_and_counted(tmp_path):
    samples = np.array([[1.0], [-1.0], [1.5], [-1.5], [0.5]])
    with PrintWriter(tmp_path / "x.wav", RATE, 1, 24, EXTENSION, frames=5) as writer:
        writer.write(samples)
    # 1.0 itself is one step too high for an integer.
    assert writer.clipped_samples == 3
    found = soundfile.read(tmp_path / "x.wav", dtype="float64")[0]
    assert found.tolist() == [1 - 2**-23, -1.0, 1 - 2**-23, -1.0, 0.5]


def test_a_float_print_keeps_what_is_beyond_full_scale(tmp_path):
    path = write_print(tmp_path / "x.wav", np.array([[1.5], [-2.0]]), 32)
    assert soundfile.read(path)[0].tolist() == [1.5, -2.0]


def test_dither_moves_a_sample_by_at_most_a_step_and_a_half(tmp_path):
    samples = np.random.default_rng(2).uniform(-0.9, 0.9, (5000, 2))
    path = write_print(tmp_path / "x.wav", samples, 16, dither=Dither(b"take", 2))
    error = (soundfile.read(path, dtype="float64")[0] - samples) * 2**15
    assert 0.9 < np.abs(error).max() <= 1.5


@pytest.mark.parametrize(
    ("frames", "outer"),
    [
        pytest.param(2**32 // 6 - 20_000, b"RIFF", id="just under 4 GiB"),
        pytest.param(2**32 // 6 + 1, b"RF64", id="just over 4 GiB"),
    ],
)
def test_what_plain_wav_cannot_hold_is_announced_as_rf64(tmp_path, frames, outer):
    """Two channels of 24 bits take 6 bytes a frame. EBU Tech 3306: sizes of 64 bits in `ds64`, FFFFFFFFh for them."""
    samples = integers(24)
    path = tmp_path / "long.wav"
    with PrintWriter(path, RATE, 2, 24, EXTENSION, frames=frames) as writer:
        writer.write(samples)
    assert path.read_bytes()[:4] == outer
    if outer == b"RF64":
        head = path.read_bytes()[:20]
        assert (head[4:8], head[12:16]) == (b"\xff" * 4, b"ds64")
    assert read_facts(path).frames == len(samples)
    assert read_broadcast(path) == EXTENSION
    assert WavInfoReader(str(path), bext_encoding="utf-8").bext.time_reference == HOUR_10_AT_192_KHZ
    np.testing.assert_array_equal(soundfile.read(path, dtype="float64")[0], samples)


@pytest.mark.skipif(os.name == "nt", reason="Windows fills the hole with zeros")
@pytest.mark.slow
def test_a_print_over_4_gib_is_read_in_full_by_us_and_by_others(tmp_path):
    """The file has a hole where most of its audio would be; 6 bytes a frame.

    sox agrees as well, but reads all of it to say so, which takes it most of a minute.
    """
    path, frames = tmp_path / "long.wav", 2**32 // 6 + 10
    with PrintWriter(path, RATE, 2, 24, BroadcastExtension(), frames=frames) as writer:
        writer._file.seek(frames - 10)
        writer.write(np.full((10, 2), 0.25))
    update_broadcast(path, EXTENSION_WITHOUT_HISTORY)
    with path.open("rb") as file:
        head = file.read(48)
    # EBU Tech 3306: sizes of RIFF and of the audio in 64 bits; the 32-bit ones refer to them.
    assert head[:20] == b"RF64" + b"\xff" * 4 + b"WAVEds64" + (28).to_bytes(4, "little")
    assert struct.unpack("<QQ", head[20:36]) == (path.stat().st_size - 8, frames * 6)
    assert read_broadcast(path) == EXTENSION_WITHOUT_HISTORY
    with SoundReader(path) as reader:
        assert reader.facts.frames == frames
        reader.seek(frames - 11)
        assert reader.read(100)[:, 0].tolist() == [0.0] + [0.25] * 10
    info = WavInfoReader(str(path), bext_encoding="utf-8")
    assert (info.data.frame_count, info.bext.time_reference) == (frames, HOUR_10_AT_192_KHZ)
    ffprobe = [need_program("ffprobe"), "-v", "error", "-of", "json", "-show_streams", "-show_format", path]
    found = json.loads(heard(ffprobe))
    assert found["streams"][0]["duration_ts"] == frames
    assert found["format"]["tags"]["time_reference"] == str(HOUR_10_AT_192_KHZ)
    tracks = json.loads(heard([need_program("mediainfo"), "--Output=JSON", path]))["media"]["track"]
    assert [track["SamplingCount"] for track in tracks if track["@type"] == "Audio"] == [str(frames)]


def test_more_frames_than_announced_are_refused(tmp_path):
    """A plain WAV would be cut off at 4 GiB without an error."""
    with PrintWriter(tmp_path / "x.wav", RATE, 2, 24, EXTENSION, frames=999) as writer:
        with pytest.raises(ValueError, match="announced with 999 frames"):
            writer.write(integers(24))
        writer.write(integers(24)[:999])


@pytest.mark.parametrize("lines", [1, 300, 1000])
def test_a_history_of_many_generations_can_be_written(tmp_path, lines):
    """libsndfile has no room for more than 16 383 bytes."""
    extension = BroadcastExtension(coding_history=("A=PCM,F=48000,W=24,M=mono,T=x",) * lines)
    found = read_broadcast(write_print(tmp_path / "x.wav", integers(24), 24, extension))
    assert set(found.coding_history) == set(extension.coding_history)
    assert len(found.coding_history) >= min(lines, 500)


def test_a_print_of_an_odd_number_of_bytes_is_padded(tmp_path):
    """RIFF: chunks begin at even places, and the outer size counts the pad byte."""
    path = write_print(tmp_path / "x.wav", integers(24, frames=101, channels=1), 24)
    size = path.stat().st_size
    assert size % 2 == 0
    assert int.from_bytes(path.read_bytes()[4:8], "little") == size - 8


class _Full:
    """Stands for a disk with no room left."""

    def __call__(self, *_):
        raise OSError(errno.ENOSPC, "No space left on device")


def test_a_full_disk_is_told_in_one_sentence_when_writing(tmp_path, monkeypatch):
    with PrintWriter(tmp_path / "x.wav", RATE, 2, 24, EXTENSION, frames=1000) as writer:
        monkeypatch.setattr(soundfile.SoundFile, "write", _Full())
        with pytest.raises(StorageError, match=r"x\.wav cannot be written: the disk is full; make room"):
            writer.write(integers(24))


def test_a_full_disk_is_told_in_one_sentence_when_finishing(tmp_path, monkeypatch):
    writer = PrintWriter(tmp_path / "x.wav", RATE, 2, 24, EXTENSION, frames=1000)
    writer.write(integers(24))
    monkeypatch.setattr("os.fsync", _Full())
    with pytest.raises(StorageError, match="the disk is full; make room"):
        writer.close()


def test_a_folder_that_is_a_file_cannot_be_written_to(tmp_path):
    (tmp_path / "prints").write_text("in the way")
    with pytest.raises(StorageError, match="cannot be written"):
        PrintWriter(tmp_path / "prints" / "x.wav", RATE, 2, 24, EXTENSION, frames=1)
