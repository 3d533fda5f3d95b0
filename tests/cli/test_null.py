"""`printq null` at the command line: its document, its words, its exit statuses."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from tests.sessions import RATE, make_music


@pytest.fixture
def pair(tmp_path: Path) -> tuple[Path, Path]:
    """A stem, and the same 6.02 dB lower, turned over and 100 samples late, 48 samples lost after 4 s."""
    dry = make_music(8.0, 1)[:, 0]
    back = -0.5 * np.concatenate((np.zeros(100), dry[: 4 * RATE], dry[4 * RATE + 48 :]))
    paths = tmp_path / "dry.wav", tmp_path / "back.wav"
    soundfile.write(paths[0], dry, RATE, subtype="PCM_24")
    soundfile.write(paths[1], back, RATE, subtype="FLOAT")
    return paths


def test_json_is_as_the_reference_says(pair: tuple[Path, Path], type_in: Any) -> None:
    answer = type_in("null", *pair, "--json")
    assert answer.status == 0
    found = answer.json
    assert list(found)[:6] == ["delay_samples", "gain_db", "polarity", "depth_db", "bands", "over_time"]
    assert set(found["bands"][0]) >= {"hz", "depth_db", "gain_db"}
    assert set(found["over_time"][0]) == {"start_s", "depth_db", "gain_db", "delay_samples", "residual_dbfs"}
    assert found["polarity"] == -1
    assert found["over_time"][1]["gain_db"] == pytest.approx(-6.02, abs=0.01)
    first, last = found["over_time"][1]["delay_samples"], found["over_time"][-2]["delay_samples"]
    assert (first, last) == (pytest.approx(100.0, abs=0.01), pytest.approx(52.0, abs=0.01))
    (jump,) = found["jumps"]
    assert jump["samples"] == -48
    assert jump["at_s"] == pytest.approx(4.0, abs=1.0)


def test_the_text_says_what_was_lost_and_where(pair: tuple[Path, Path], type_in: Any) -> None:
    answer = type_in("null", *pair)
    assert answer.status == 0
    assert "48 samples are lost in B" in answer.out
    assert "turned over" in answer.out
    assert "1000 Hz" in answer.out


def test_a_perfect_null_says_so(pair: tuple[Path, Path], type_in: Any) -> None:
    assert "nothing at all is left" in type_in("null", pair[0], pair[0]).out


@pytest.mark.parametrize(
    ("what", "says"),
    [("missing", "does not exist"), ("silent", "silen"), ("text", "cannot be read"), ("unlike", "hardly anything")],
)
def test_what_cannot_be_compared_ends_with_3_and_a_sentence(
    pair: tuple[Path, Path], tmp_path: Path, what: str, says: str, type_in: Any
) -> None:
    other = tmp_path / "other.wav"
    if what == "silent":
        soundfile.write(other, np.zeros(RATE), RATE)
    elif what == "text":
        other.write_text("a waltz")
    elif what == "unlike":
        soundfile.write(other, 0.1 * np.random.default_rng(1).standard_normal(8 * RATE), RATE, subtype="FLOAT")
    answer = type_in("null", pair[0], other)
    assert answer.status == 3
    assert says in answer.err
    assert "Traceback" not in answer.err
