"""`printq measure` as typed."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from printq.cli.figures import figures_lines
from printq.errors import ExitStatus
from printq.recordings.figures import measure_file
from tests.measure.signals import RATE, steps, stereo

KEYS = [
    "frames",
    "rate",
    "channels",
    "sample_peak_dbfs",
    "true_peak_dbtp",
    "integrated_lufs",
    "loudness_range_lu",
    "momentary_max_lufs",
    "short_term_max_lufs",
    "rms_dbfs",
    "dc_dbfs",
    "crest_db",
]


@pytest.fixture
def tone(tmp_path: Path) -> Path:
    """Tech 3341, signal 1: a stereo sine of 1 kHz at -23 dBFS, 20 s."""
    path = tmp_path / "tone.wav"
    soundfile.write(path, stereo(steps((20.0, -23.0))), RATE, subtype="PCM_24")
    return path


def test_the_document_has_the_keys_of_the_reference_first(tone: Path, type_in: Any) -> None:
    answer = type_in("measure", tone, "--json")
    document = answer.json
    assert (answer.status, answer.err) == (ExitStatus.DONE, "")
    assert list(document)[: len(KEYS)] == KEYS
    assert [document[key] for key in KEYS[:3]] == [20 * RATE, RATE, 2]
    assert document["integrated_lufs"] == pytest.approx(-23.0, abs=0.1)
    assert document["momentary_max_lufs"] == pytest.approx(-23.0, abs=0.1)
    assert document["short_term_max_lufs"] == pytest.approx(-23.0, abs=0.1)
    assert document["loudness_range_lu"] == pytest.approx(0.0, abs=0.01)
    assert document["sample_peak_dbfs"] == pytest.approx(-23.0, abs=0.01)
    assert document["true_peak_dbtp"] == pytest.approx(-23.0, abs=0.02)
    assert document["rms_dbfs"] == pytest.approx(-26.01, abs=0.01)
    assert document["crest_db"] == pytest.approx(3.01, abs=0.01)
    assert len(document["per_channel"]) == 2


def test_what_cannot_be_had_is_null(tmp_path: Path, type_in: Any) -> None:
    soundfile.write(tmp_path / "silence.wav", np.zeros(100), RATE)
    answer = type_in("measure", tmp_path / "silence.wav", "--json")
    document = answer.json
    assert answer.status == ExitStatus.DONE
    assert [document[key] for key in KEYS] == [100, RATE, 1, *[None] * 9]


def test_people_see_the_figures_and_what_to_mind(tone: Path, type_in: Any) -> None:
    answer = type_in("measure", tone)
    out = answer.out
    assert (answer.status, answer.err) == (ExitStatus.DONE, "")
    assert "tone.wav: WAV PCM_24, 48000 Hz, stereo, 0:20.000 (960000 frames)" in out
    assert "-22.99 LUFS" in out
    assert "not stable under 60 s" in out  # Tech 3341, 2.4
    assert "a full-scale sine reads -3.01" in out
    assert "quietest second" in out
    assert all(len(line) <= 120 for line in out.splitlines()[1:])


def test_the_places_of_the_peaks_are_shown(tmp_path: Path, type_in: Any) -> None:
    signal = np.zeros((3 * RATE, 1))
    signal[RATE * 5 // 2] = 0.5
    soundfile.write(tmp_path / "click.wav", signal, RATE, subtype="PCM_16")
    out = type_in("measure", tmp_path / "click.wav").out
    assert "sample peak             -6.02 dBFS  at 0:02.500" in out
    assert "true peak               -6.02 dBTP  at 0:02.500" in out
    assert "digital silence" in out


def test_a_loudness_range_of_a_minute_is_called_stable(tmp_path: Path) -> None:
    path = tmp_path / "minute.wav"
    soundfile.write(path, steps((60.0, -23.0)), RATE)
    assert "not stable" not in "\n".join(figures_lines("minute.wav", measure_file(path)))


@pytest.mark.parametrize(
    ("rate", "signal", "note"),
    [
        (RATE, np.zeros((RATE, 1)), "nothing is louder than -70 LUFS"),
        (RATE, np.ones((1000, 1)), "shorter than 0.4 s"),
        (4_000, np.ones((8_000, 1)), "from 8000 Hz on"),
        (RATE, np.ones((RATE, 3)), "no layout is known for 3 channels, so that all weigh the same"),
    ],
)
def test_why_there_is_no_loudness_or_another_is_said(
    tmp_path: Path, rate: int, signal: np.ndarray[Any, Any], note: str
) -> None:
    soundfile.write(tmp_path / "a.wav", 0.1 * signal, rate)
    assert note in "\n".join(figures_lines("a.wav", measure_file(tmp_path / "a.wav")))


@pytest.mark.parametrize("options", [(), ("--json",)], ids=["text", "json"])
def test_a_file_that_is_wrong_is_one_sentence_and_status_3(tmp_path: Path, type_in: Any, options: Any) -> None:
    spoilt = tmp_path / "spoilt.wav"
    soundfile.write(spoilt, np.array([0.0, np.nan]), RATE, subtype="FLOAT")
    (tmp_path / "text.wav").write_text("no audio")
    for path in (spoilt, tmp_path / "text.wav", tmp_path / "none.wav", tmp_path):
        answer = type_in("measure", path, *options)
        assert answer.status == ExitStatus.FILE
        assert answer.err.startswith(str(path))
        assert answer.err.count("\n") == 1
        assert (answer.json["error"]["exit_status"] == 3) if options else (answer.out == "")


def test_hum_is_named_with_its_lines(tmp_path: Path, type_in: Any) -> None:
    path = tmp_path / "hum.wav"
    noise = np.random.default_rng(1).standard_normal(RATE) * 1e-6
    soundfile.write(path, noise + steps((1.0, -60.0), hz=50.0), RATE, subtype="FLOAT")
    assert "hum -63.01 dBFS: 50.0 Hz -63.01" in type_in("measure", path, "--mains", "50").out
    assert "no hum of 60 Hz stands out" in type_in("measure", path, "--mains", "60").out
    plain = type_in("measure", path).out
    assert "hum -" not in plain
    assert "no hum" not in plain
    answer = type_in("measure", path, "--mains", "55")
    assert answer.status == ExitStatus.USAGE
    assert "there are 50 and 60" in answer.err


def test_the_help_shows_an_example_and_says_what_rms_is(type_in: Any) -> None:
    answer = type_in("measure", "--help")
    assert answer.status == ExitStatus.DONE
    assert "Example: printq measure" in answer.out
    assert "-3.01" in answer.out
