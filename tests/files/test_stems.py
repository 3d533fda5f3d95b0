"""Stems: a file as it is, or the sum of several."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from printq.errors import FileError
from printq.files.stems import StemPart, StemReader, balance_gains

from .audio import integers, write

FRAMES = 500


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    """Mono and stereo files of 300 and 200 frames: {name: (path, samples)}."""
    folder = tmp_path_factory.mktemp("stems")
    made = {"viola": (300, 1), "cello": (200, 1), "harp": (300, 2), "harmonium": (200, 2)}
    found = {}
    for seed, (name, (frames, channels)) in enumerate(made.items()):
        samples = integers(24, frames, channels, seed)
        found[name] = write(folder / f"{name}.wav", samples), samples
    return found


def read_all(parts, channels, frames, block=10_000):
    with StemReader(parts, channels, frames) as stem:
        return np.concatenate([np.zeros((0, channels)), *stem.blocks(block)])


def padded(samples, start=0, frames=FRAMES):
    """The samples at a place in so many frames of silence, on both sides where they are mono."""
    whole = np.zeros((frames, 2))
    whole[start : start + len(samples)] = samples[: frames - start]
    return whole


def test_a_single_file_passes_bit_for_bit_and_silence_follows_it(files):
    path, samples = files["harp"]
    np.testing.assert_array_equal(read_all([StemPart(path)], 2, FRAMES), padded(samples))


def test_a_stem_ends_where_it_is_said_to(files):
    path, samples = files["harp"]
    np.testing.assert_array_equal(read_all([StemPart(path)], 2, 100), samples[:100])


def test_a_sum_places_turns_and_balances_its_parts(files):
    """6.0206 dB is a factor of 2; a balance of 0.5 to the right leaves half of the left."""
    (viola, viola_samples), (harp, harp_samples) = files["viola"], files["harp"]
    (harmonium, harmonium_samples) = files["harmonium"]
    parts = [
        StemPart(viola, offset_frames=123),
        StemPart(harp, gain_db=-20.0 * np.log10(2.0), pan=0.5),
        StemPart(harmonium, gain_db=20.0, pan=-1.0, offset_frames=400),
    ]
    expected = padded(viola_samples, 123) + 0.5 * padded(harp_samples) * [0.5, 1.0]
    expected += 10.0 * padded(harmonium_samples, 400) * [1.0, 0.0]
    np.testing.assert_allclose(read_all(parts, 2, FRAMES), expected, atol=1e-14)


def test_mono_feeds_both_sides_at_0_db(files):
    path, samples = files["viola"]
    np.testing.assert_array_equal(read_all([StemPart(path)], 2, 300), np.repeat(samples, 2, axis=1))


def test_a_mono_sum_stays_mono(files):
    (viola, viola_samples), (cello, cello_samples) = files["viola"], files["cello"]
    found = read_all([StemPart(viola), StemPart(cello, offset_frames=50)], 1, 300)
    expected = viola_samples.copy()
    expected[50:250] += cello_samples
    np.testing.assert_array_equal(found, expected)


PARTS = {
    "plain": lambda files: [StemPart(files["harp"][0])],
    "sum": lambda files: [
        StemPart(files["viola"][0], gain_db=-3.0, pan=0.3, offset_frames=77),
        StemPart(files["harmonium"][0], offset_frames=333),
        StemPart(files["harp"][0]),
    ],
}


@pytest.mark.parametrize("kind", PARTS)
@settings(max_examples=30, deadline=None)
@given(sizes=st.lists(st.integers(1, 200), min_size=1, max_size=6))
def test_odd_block_sizes_give_the_same(files, kind, sizes):
    parts = PARTS[kind](files)
    found = []
    with StemReader(parts, 2, FRAMES) as stem:
        turn = 0
        while len(block := stem.read(sizes[turn % len(sizes)])):
            found.append(block)
            turn += 1
    np.testing.assert_array_equal(np.concatenate(found), read_all(parts, 2, FRAMES))


@pytest.mark.parametrize("kind", PARTS)
@settings(max_examples=40, deadline=None)
@given(places=st.lists(st.integers(0, FRAMES), min_size=1, max_size=4), frames=st.integers(1, 200))
def test_reading_can_go_on_anywhere(files, kind, places, frames):
    parts = PARTS[kind](files)
    whole = read_all(parts, 2, FRAMES)
    with StemReader(parts, 2, FRAMES) as stem:
        for place in places:
            stem.seek(place)
            np.testing.assert_array_equal(stem.read(frames), whole[place : place + frames])


@pytest.mark.parametrize("kind", PARTS)
def test_behind_the_end_there_is_nothing(files, kind):
    with StemReader(PARTS[kind](files), 2, FRAMES) as stem:
        stem.seek(FRAMES + 10)
        assert stem.read(100).shape == (0, 2)


@pytest.mark.parametrize(
    ("pan", "left", "right"), [(0.0, 1.0, 1.0), (1.0, 0.0, 1.0), (-1.0, 1.0, 0.0), (0.25, 0.75, 1.0)]
)
def test_a_balance_turns_the_far_side_down_and_none_up(pan, left, right):
    assert balance_gains(pan) == (left, right)


def test_a_missing_part_closes_the_others(files, tmp_path):
    """An open file would end the test with a ResourceWarning."""
    with pytest.raises(FileError, match=r"gone\.wav does not exist"):
        StemReader([StemPart(files["harp"][0]), StemPart(tmp_path / "gone.wav")], 2, FRAMES)
