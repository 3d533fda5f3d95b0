"""What a print's header says, read back by readers that nobody here wrote."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path

import pytest

from printq.files.broadcast import read_broadcast
from tests.conftest import need_program
from tests.sessions import SmallSession
from tests.spool.test_stale import write_broadcast

TIME_REFERENCE = (1 << 32) + 172_800_000
"""Above 2^32 samples: the upper word of the field counts."""


@pytest.fixture(scope="module")
def printed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A 24-bit print of a dry file with a time reference, through two passes."""
    folder = tmp_path_factory.mktemp("metadata")
    session = SmallSession(folder)
    write_broadcast(folder / "dry/viola.wav", TIME_REFERENCE)
    session.keep_stems("viola")
    session.run()
    return folder / "dry/viola.wire.v1.wav"


def test_the_time_reference_is_carried_over_through_every_pass(printed: Path) -> None:
    found = read_broadcast(printed)
    assert found is not None
    assert found.time_reference == TIME_REFERENCE


def test_the_coding_history_has_a_line_for_every_pass_and_says_simulated(printed: Path) -> None:
    found = read_broadcast(printed)
    assert found is not None
    assert len(found.coding_history) == 2
    for line in found.coding_history:
        keys = dict(part.split("=", 1) for part in line.split(",", 4))
        assert keys["A"] == "PCM"  # nothing analog happened
        assert (keys["F"], keys["W"], keys["M"]) == ("48000", "24", "mono")
        assert "simulated rack" in keys["T"]
    assert "SIMULATED" in found.description


def test_loudness_fields_are_what_the_sidecar_says(printed: Path) -> None:
    found = read_broadcast(printed)
    sidecar = json.loads(printed.with_suffix(".json").read_text())
    assert found is not None
    assert found.loudness_value == pytest.approx(sidecar["loudness"]["integrated_lufs"], abs=0.00501)
    assert found.max_true_peak is not None
    assert found.max_momentary == pytest.approx(sidecar["loudness"]["momentary_max_lufs"], abs=0.00501)
    assert found.loudness_range is None  # a second is too short for a range


def test_wavinfo_reads_the_fields_back(printed: Path) -> None:
    from wavinfo import WavInfoReader

    info = WavInfoReader(str(printed), bext_encoding="utf-8")
    assert info.bext.time_reference == TIME_REFERENCE
    assert info.bext.originator.startswith("printq ")
    assert info.bext.version == 2
    assert (info.fmt.bits_per_sample, info.fmt.sample_rate, info.fmt.channel_count) == (24, 48_000, 1)


def test_ffprobe_reads_the_fields_back(printed: Path) -> None:
    words = [need_program("ffprobe"), "-v", "error", "-show_format", "-show_streams", "-of", "json", str(printed)]
    found = json.loads(subprocess.run(words, capture_output=True, check=True, text=True).stdout)
    assert found["format"]["tags"]["time_reference"] == str(TIME_REFERENCE)
    assert found["streams"][0]["codec_name"] == "pcm_s24le"


def test_mediainfo_opens_it(printed: Path) -> None:
    words = [need_program("mediainfo"), "--Output=JSON", str(printed)]
    tracks = json.loads(subprocess.run(words, capture_output=True, check=True, text=True).stdout)["media"]["track"]
    audio = next(track for track in tracks if track["@type"] == "Audio")
    assert (audio["BitDepth"], audio["SamplingRate"]) == ("24", "48000")


def test_sox_opens_it(printed: Path) -> None:
    words = [need_program("sox"), "--i", "-b", str(printed)]
    assert subprocess.run(words, capture_output=True, check=True, text=True).stdout.strip() == "24"
