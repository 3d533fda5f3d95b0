"""The dry stems of the lighthouse waltz: what a session expects of its files, and where they come from."""

from __future__ import annotations

import importlib
import sys
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

SESSION = Path(__file__).parents[2] / "sample_sessions" / "lighthouse_waltz"
CHANNELS = {"clarinet": 1, "viola": 1, "cello": 1, "harp": 2, "harmonium": 2, "narrator": 1}
RATE = 48_000

stems = pytest.mark.parametrize("stem", CHANNELS)


@pytest.fixture(scope="module")
def make_stems() -> Iterator[ModuleType]:
    """The session's own script, imported from where it lies."""
    with pytest.MonkeyPatch.context() as patch:
        patch.syspath_prepend(str(SESSION))
        yield importlib.import_module("make_stems")
        for name in [n for n in sys.modules if n == "make_stems" or n.split(".")[0] == "synthesis"]:
            del sys.modules[name]


def read(stem: str) -> NDArray[np.float64]:
    samples, _ = soundfile.read(SESSION / "dry" / f"{stem}.flac", always_2d=True)
    return samples


def playing_dbfs(samples: NDArray[np.float64]) -> float:
    """RMS over the blocks of 400 ms that lie within 12 dB of the loudest: rests do not count."""
    block = round(0.4 * RATE)
    whole = len(samples) // block * block
    power = np.mean(samples[:whole].reshape(-1, block, samples.shape[1]) ** 2, axis=(1, 2))
    return float(10.0 * np.log10(np.mean(power[power > np.max(power) / 10**1.2])))


def stored_files() -> list[Path]:
    """The stems alone: prints lie beside them once somebody has run the session in place."""
    return sorted((SESSION / "dry").glob("*.flac"))


def test_the_folder_holds_the_six_stems_and_no_others() -> None:
    assert [path.stem for path in stored_files()] == sorted(CHANNELS)


def test_all_stems_together_stay_small_enough_for_a_repository() -> None:
    assert sum(path.stat().st_size for path in stored_files()) < 14_000_000


@stems
def test_a_stem_is_24_bit_flac_at_the_rate_of_the_rig(stem: str) -> None:
    facts = soundfile.info(SESSION / "dry" / f"{stem}.flac")
    assert (facts.format, facts.subtype, facts.samplerate) == ("FLAC", "PCM_24", RATE)
    assert facts.channels == CHANNELS[stem]
    assert 20.0 <= facts.frames / RATE <= 40.0


@stems
def test_a_stem_uses_the_lowest_of_its_24_bits(stem: str) -> None:
    steps = np.round(read(stem) * 2**23).astype(np.int64)
    assert 0.4 < np.mean(steps & 1) < 0.6


@stems
def test_a_stem_leaves_6_db_of_headroom_and_plays_near_minus_18_dbfs(stem: str) -> None:
    samples = read(stem)
    assert np.max(np.abs(samples)) < 10 ** (-6.0 / 20.0)
    assert -22.0 < playing_dbfs(samples) < -16.0


@stems
def test_a_stem_has_no_clicks_and_neither_begins_nor_ends_with_one(stem: str) -> None:
    samples = read(stem)
    # What music moves by in one sample at most: a sine of 0.5, the headroom's edge, at 3.2 kHz.
    assert np.max(np.abs(np.diff(samples, axis=0))) < 0.21
    assert np.max(np.abs(samples[[0, -1]])) < 1e-5


@stems
def test_a_stem_begins_with_the_noise_of_a_quiet_room(stem: str) -> None:
    opening = read(stem)[round(0.05 * RATE) : round(0.55 * RATE)]
    assert -95.0 < 10.0 * np.log10(np.mean(opening**2)) < -80.0


@stems
def test_a_stem_carries_no_dc(stem: str) -> None:
    assert np.max(np.abs(np.mean(read(stem), axis=0))) < 10 ** (-70.0 / 20.0)


@pytest.mark.parametrize("stem", [stem for stem, channels in CHANNELS.items() if channels == 2])
def test_the_sides_of_a_stereo_stem_differ_but_sum_to_mono(stem: str) -> None:
    correlation = np.corrcoef(read(stem).T)[0, 1]
    assert 0.1 < correlation < 0.98


@pytest.mark.parametrize(
    ("stem", "seconds"),
    [("clarinet", 6.0), ("viola", 9.0), ("cello", 11.0), ("harp", 3.0), ("harmonium", 3.0), ("narrator", 4.0)],
)
def test_the_script_makes_the_stored_audio(stem: str, seconds: float, make_stems: ModuleType) -> None:
    made = make_stems.render(stem, seconds)
    stored = np.round(read(stem)[: len(made)] * 2**23)
    assert len(made) == round(seconds * RATE)
    assert playing_dbfs(made / 2.0**23) > -25.0
    # Sines and powers differ in their last bit between machines, which can tip a rounding.
    assert np.max(np.abs(made - stored)) <= 2
