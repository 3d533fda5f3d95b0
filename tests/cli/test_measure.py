"""`printq measure` as typed."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from printq.cli.app import run_command_line
from printq.cli.figures import figures_lines
from printq.errors import ExitStatus
from printq.verify.measure_file import measure_file
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
def type_in(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Any:
    """Types a command line in this process: status, standard output, standard error."""

    def type_words(*words: object) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["printq", *map(str, words)])
        status = run_command_line()
        captured = capsys.readouterr()
        return status, captured.out, captured.err

    return type_words


@pytest.fixture
def tone(tmp_path: Path) -> Path:
    """Tech 3341, signal 1: a stereo sine of 1 kHz at -23 dBFS, 20 s."""
    path = tmp_path / "tone.wav"
    soundfile.write(path, stereo(steps((20.0, -23.0))), RATE, subtype="PCM_24")
    return path


def test_the_document_has_the_keys_of_the_reference_first(tone: Path, type_in: Any) -> None:
    status, out, err = type_in("measure", tone, "--json")
    document = json.loads(out)
    assert (status, err) == (ExitStatus.DONE, "")
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
    status, out, _ = type_in("measure", tmp_path / "silence.wav", "--json")
    document = json.loads(out)
    assert status == ExitStatus.DONE
    assert [document[key] for key in KEYS] == [100, RATE, 1, *[None] * 9]


def test_people_see_the_figures_and_what_to_mind(tone: Path, type_in: Any) -> None:
    status, out, err = type_in("measure", tone)
    assert (status, err) == (ExitStatus.DONE, "")
    assert "tone.wav: WAV PCM_24, 48000 Hz, stereo, 0:20.000 (960000 frames)" in out
    assert "-22.99 LUFS" in out
    assert "not stable under 60 s" in out  # Tech 3341, 2.4
    assert "a full-scale sine reads -3.01" in out
    assert "quietest second" in out
    assert all(len(line) <= 120 for line in out.splitlines()[1:])


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
        status, out, err = type_in("measure", path, *options)
        assert status == ExitStatus.FILE
        assert err.startswith(str(path))
        assert err.count("\n") == 1
        assert (json.loads(out)["error"]["exit_status"] == 3) if options else (out == "")


def test_hum_is_named_with_its_lines(tmp_path: Path, type_in: Any) -> None:
    path = tmp_path / "hum.wav"
    noise = np.random.default_rng(1).standard_normal(RATE) * 1e-6
    soundfile.write(path, noise + steps((1.0, -60.0), hz=50.0), RATE, subtype="FLOAT")
    _, out, _ = type_in("measure", path, "--mains", "50")
    assert "hum -63.01 dBFS: 50.0 Hz -63.01" in out
    status, _, err = type_in("measure", path, "--mains", "55")
    assert status == ExitStatus.USAGE
    assert "there are 50 and 60" in err


def test_the_help_shows_an_example_and_says_what_rms_is(type_in: Any) -> None:
    status, out, _ = type_in("measure", "--help")
    assert status == ExitStatus.DONE
    assert "Example: printq measure" in out
    assert "-3.01" in out
