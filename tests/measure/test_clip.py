"""Runs at full scale, and flat tops below it."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.signal import butter, resample_poly, sawtooth, sosfilt, square

from printq.audio.processors import make_processor
from printq.audio.processors.base import QUANTUM
from printq.audio.processors.kinds import KINDS
from printq.errors import UnmeasurableError
from printq.measure.clip import Ceiling, ClipFinder, ClipRun, FlatTopFinder
from tests.measure.signals import cut

NEARLY = 1.0 - 2.0**-23
RATE = 48_000
Signal = NDArray[np.float64]


def find(*sides: list[float], block: int = 1000) -> tuple[int, list[ClipRun]]:
    signal = np.array(sides).T
    finder = ClipFinder(len(sides))
    for start in range(0, len(signal), block):
        finder.add(signal[start : start + block])
    found = finder.result()
    return found.count, list(found.runs)


def test_three_samples_at_full_scale_are_a_run_and_two_are_not() -> None:
    assert find([0.0, 1.0, 1.0, 0.0, 1.0, 1.0, 1.0, 0.0]) == (1, [ClipRun(0, 4, 3)])


@pytest.mark.parametrize("top", [1.0, -1.0, NEARLY, -NEARLY, 1.5], ids=str)
def test_the_last_step_of_24_bits_is_full_scale_at_either_end(top: float) -> None:
    assert find([top] * 5) == (1, [ClipRun(0, 0, 5)])


def test_one_step_less_is_not_full_scale() -> None:
    assert find([1.0 - 2.0**-22] * 5) == (0, [])


def test_a_swing_from_end_to_end_is_no_run() -> None:
    assert find([1.0, 1.0, -1.0, -1.0, 1.0, 1.0]) == (0, [])
    assert find([1.0, 1.0, 1.0, -1.0, -1.0, -1.0]) == (2, [ClipRun(0, 0, 3), ClipRun(0, 3, 3)])


def test_channels_are_looked_at_apart() -> None:
    assert find([1.0, 1.0, 0.0, 0.0], [0.0, 1.0, 1.0, 1.0]) == (1, [ClipRun(1, 1, 3)])


def test_a_run_goes_on_over_the_border_of_blocks() -> None:
    assert find([0.0, 1.0, 1.0, 1.0, 1.0, 0.0], block=2) == (1, [ClipRun(0, 1, 4)])


def test_all_runs_are_counted_and_the_first_are_kept() -> None:
    count, runs = find([1.0, 1.0, 1.0, 0.0] * 10_005, block=777)
    assert count == 10_005
    assert len(runs) == 10_000
    assert runs[-1] == ClipRun(0, 4 * 9_999, 3)


def test_nothing_and_a_sample_have_no_runs() -> None:
    assert ClipFinder(2).result().count == 0
    assert find([1.0]) == (0, [])


def test_what_is_not_a_number_is_refused() -> None:
    with pytest.raises(UnmeasurableError, match="not finite"):
        ClipFinder(1).add(np.array([[math.nan]]))


@given(
    samples=st.lists(st.sampled_from([-1.0, -0.5, 0.5, 1.0]), max_size=60),
    block=st.integers(1, 9),
)
def test_runs_are_those_that_reading_sample_by_sample_finds(samples: list[float], block: int) -> None:
    expected, start = [], 0
    for frame in range(1, len(samples) + 1):
        if frame == len(samples) or samples[frame] != samples[start]:
            if abs(samples[start]) == 1.0 and frame - start >= 3:
                expected.append(ClipRun(0, start, frame - start))
            start = frame
    assert find(samples, block=block) == (len(expected), expected)


# ---- Flat tops below full scale ----


def look(sent: Signal, returned: Signal, noise: float = 1e-5, rate: int = RATE) -> tuple[Ceiling, ...]:
    finder = FlatTopFinder(rate, 1)
    finder.add(sent[:, np.newaxis], returned[:, np.newaxis])
    return finder.result((noise,))


def seconds(length: float, rate: int = RATE) -> Signal:
    return np.arange(round(length * rate)) / rate


def notes(wave: str = "sine", length: float = 8.0, rate: int = RATE, seed: int = 1) -> Signal:
    """Three notes a second that decay, of many pitches and sizes, peaks at half of full scale or below."""
    rng = np.random.default_rng(seed)
    time = seconds(length, rate)
    envelope, hz = np.zeros(len(time)), np.zeros(len(time))
    for start in np.arange(0.0, length, 0.33):
        since = np.maximum(time - start, 0.0)
        size = 0.3 + 0.7 * rng.random()
        envelope = np.where(time >= start, size * np.exp(-4.0 * since) * np.minimum(1.0, since / 0.004), envelope)
        hz = np.where(time >= start, 55.0 * 2.0 ** (rng.integers(0, 36) / 12.0), hz)
    turn = 2.0 * np.pi * np.cumsum(hz) / rate
    shapes = {
        "sine": np.sin(turn),
        "rich": (np.sin(turn) + 0.4 * np.sin(2.0 * turn + 1.0) + 0.2 * np.sin(3.0 * turn + 2.0)) / 1.6,
        "saw": sawtooth(turn),
        "square": square(turn),
    }
    return np.asarray(0.5 * envelope * shapes[wave])


def hard_limit(signal: Signal, over_db: float, sides: str = "both", gain: float = 1.0) -> Signal:
    """Cut off `over_db` below the peak of either side at eight times the rate, filter, and come back at any level."""
    fine = resample_poly(signal, 8, 1)
    share = 10.0 ** (-over_db / 20.0)
    top = signal.max() * share if sides in ("both", "tops") else np.inf
    bottom = signal.min() * share if sides in ("both", "bottoms") else -np.inf
    return np.asarray(gain * resample_poly(np.clip(fine, bottom, top), 1, 8)[: len(signal)])


def noisy(signal: Signal, level_dbfs: float, seed: int = 9) -> Signal:
    noise = np.random.default_rng(seed).standard_normal(len(signal))
    return np.asarray(signal + 10.0 ** (level_dbfs / 20.0) * noise)


def through(kind: str, signal: Signal, rate: int = RATE, settings: Mapping[str, float] | None = None) -> Signal:
    parameters = {each.name: each.default for each in KINDS[kind].parameters} | dict(settings or {})
    unit = make_processor(kind, rate, 1, parameters)
    padded = np.zeros(-(-len(signal) // QUANTUM) * QUANTUM)
    padded[: len(signal)] = signal
    pieces = [unit.process(piece[:, np.newaxis])[:, 0] for piece in padded.reshape(-1, QUANTUM)]
    return np.concatenate(pieces)[: len(signal)]


@pytest.mark.parametrize(
    ("gain", "noise_dbfs"), [(1.0, -100.0), (0.25, -100.0), (1.7, -100.0), (1.0, -70.0), (1.7, -70.0)]
)
@pytest.mark.parametrize("wave", ["sine", "rich"])
def test_a_hard_limit_is_found_at_any_level_with_its_ceiling(wave: str, gain: float, noise_dbfs: float) -> None:
    stem = notes(wave)
    returned = noisy(hard_limit(stem, 4.0, gain=gain), noise_dbfs)
    found = look(stem, returned, 10.0 ** (noise_dbfs / 20.0))
    assert [ceiling.level > 0.0 for ceiling in found] == [True, False]
    limits = stem.max(), stem.min()
    for ceiling, extreme in zip(found, limits, strict=True):
        # The bins are a tenth of a per cent wide, the topmost step is at most 1 %.
        assert ceiling.level == pytest.approx(gain * extreme * 10.0 ** (-4.0 / 20.0), rel=0.015)


@pytest.mark.parametrize("unit", ["parametric-equaliser", "vca-compressor", "opto-compressor", "transient-shaper"])
def test_a_hard_limit_is_found_behind_a_unit(unit: str) -> None:
    strong = {
        "parametric-equaliser": {"bell1_db": 9.0, "bell1_hz": 300.0, "bell2_db": -8.0, "low_db": 6.0},
        "vca-compressor": {"threshold_db": -24.0, "ratio": 3.0},
        "opto-compressor": {},
        "transient-shaper": {"attack_db": 6.0},
    }
    stem = notes("rich")
    assert look(stem, noisy(hard_limit(through(unit, stem, settings=strong[unit]), 4.0), -90.0), 3e-5)


@pytest.mark.parametrize(("sides", "sign"), [("tops", 1.0), ("bottoms", -1.0)])
def test_a_stage_that_cuts_one_side_is_found_on_that_side(sides: str, sign: float) -> None:
    stem = notes("rich")
    found = look(stem, noisy(hard_limit(stem, 4.0, sides), -90.0))
    assert [math.copysign(1.0, ceiling.level) for ceiling in found] == [sign]


@pytest.mark.parametrize("over_db", [0.5, 2.0, 6.0])
@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000, 192_000])
def test_a_steady_tone_that_is_cut_off_is_found(rate: int, over_db: float) -> None:
    stem = 0.5 * np.sin(2.0 * np.pi * 220.0 * seconds(3.0, rate))
    assert len(look(stem, noisy(hard_limit(stem, over_db), -90.0), 3e-5, rate)) == 2


def test_times_and_count_of_what_is_cut_off_are_told() -> None:
    quiet, loud = notes("rich", 4.0), 2.0 * notes("rich", 4.0, seed=2)
    stem = np.concatenate((0.3 * quiet, loud))
    limit = 0.5 * np.abs(loud).max()
    found = look(stem, noisy(np.clip(stem, -limit, limit), -100.0))
    first = int(np.flatnonzero(np.abs(stem) > limit)[0])
    assert min(ceiling.first_frame for ceiling in found) == pytest.approx(first, abs=RATE * 0.01)
    # Spans of 5 ms in which the stem goes beyond the limit on either side.
    spans = stem[: len(stem) // 240 * 240].reshape(-1, 240)
    reached = np.count_nonzero(spans.max(axis=1) > limit) + np.count_nonzero(spans.min(axis=1) < -limit)
    assert sum(ceiling.spans for ceiling in found) == pytest.approx(reached, rel=0.25)


ROUND = {
    "a 40 Hz sine at 192 kHz": (0.5 * np.sin(2.0 * np.pi * 40.0 * seconds(4.0, 192_000)), 192_000),
    "a 20 Hz sine": (0.5 * np.sin(2.0 * np.pi * 20.0 * seconds(4.0)), RATE),
    "a steady 1 kHz sine": (0.9 * np.sin(2.0 * np.pi * 1000.0 * seconds(3.0)), RATE),
    "a flattest crest": (0.4 * (np.sin(691.0 * seconds(3.0)) + np.sin(3.0 * 691.0 * seconds(3.0)) / 9.0), RATE),
    "decaying sines": (notes("sine"), RATE),
    "decaying saws": (notes("saw"), RATE),
    "decaying squares": (notes("square"), RATE),
    "noise": (0.1 * np.random.default_rng(1).standard_normal(4 * RATE), RATE),
    "DC": (np.full(2 * RATE, 0.3), RATE),
    "silence": (np.zeros(2 * RATE), RATE),
    "less than a span": (np.full(100, 0.3), RATE),
    "nothing": (np.zeros(0), RATE),
}


@pytest.mark.parametrize("noise_dbfs", [-100.0, -70.0])
@pytest.mark.parametrize("name", ROUND)
def test_what_is_not_cut_off_has_no_ceiling(name: str, noise_dbfs: float) -> None:
    stem, rate = ROUND[name]
    assert look(stem, noisy(0.7 * stem, noise_dbfs), 10.0 ** (noise_dbfs / 20.0), rate) == ()


@pytest.mark.parametrize("name", ROUND)
def test_a_path_without_noise_has_no_ceiling_either(name: str) -> None:
    stem, rate = ROUND[name]
    assert look(stem, 0.7 * stem, 0.0, rate) == ()


STRONG = {
    "parametric-equaliser": {"high_pass_hz": 500.0, "low_db": 12.0, "bell1_db": 12.0, "bell2_db": -12.0},
    "vca-compressor": {"threshold_db": -40.0, "ratio": 20.0, "attack_ms": 0.1, "release_ms": 5.0, "knee_db": 0.0},
    "opto-compressor": {"threshold_db": -40.0, "ratio": 20.0, "attack_ms": 1.0},
    "transient-shaper": {"attack_db": 12.0, "sustain_db": -12.0},
    "gate": {"threshold_db": -20.0, "range_db": 90.0, "attack_ms": 0.1},
    "valve-saturation": {"drive_db": 12.0, "bias": 0.4},
    "tape-saturation": {"drive_db": 12.0, "speed_cm_s": 19.05},
    "spring-reverb": {"mix": 1.0},
    "echo": {"mix": 0.6, "feedback": 0.8},
}


@pytest.mark.parametrize("strong", [False, True], ids=["default", "strong"])
@pytest.mark.parametrize("kind", KINDS)
def test_no_unit_is_taken_for_a_hard_limit(kind: str, strong: bool) -> None:
    settings = STRONG.get(kind, {}) if strong else {}
    for wave in ("sine", "rich", "saw"):
        stem = notes(wave, 6.0)
        assert look(stem, noisy(through(kind, stem, settings=settings), -95.0), 2e-5) == (), wave


@pytest.mark.parametrize("drive", [1.0, 2.0, 3.0])
def test_soft_saturation_has_no_ceiling(drive: float) -> None:
    # 3 at the peak of half of full scale: tanh 1.5 is 0.905, 4.4 dB less than a straight line makes of it.
    for wave in ("sine", "rich"):
        stem = notes(wave)
        assert look(stem, noisy(np.tanh(drive * stem) / drive, -95.0), 2e-5) == ()


def test_a_limiter_that_brings_every_crest_to_one_level_has_no_ceiling() -> None:
    # The gain of each half wave is such that its crest ends at 0.2: many sizes on one level, and all of them round.
    stem = notes("sine")
    crossings = np.flatnonzero(np.diff(np.signbit(stem))) + 1
    limited = np.concatenate([h * min(1.0, 0.2 / max(np.abs(h).max(), 1e-9)) for h in np.split(stem, crossings)])
    assert look(stem, noisy(limited, -95.0), 2e-5) == ()


TILTS = {"none": None, "low shelf": ("low", 0.5), "high shelf": ("high", 0.7), "coupling": ("highpass", 0.0)}


@pytest.mark.parametrize("tilt", TILTS)
@pytest.mark.parametrize("steady", [False, True], ids=["of many sizes", "steady"])
def test_the_stem_s_own_flat_tops_explain_the_return_s(steady: bool, tilt: str) -> None:
    time = seconds(6.0)
    sizes = np.full(12, 0.4) if steady else np.random.default_rng(3).uniform(0.1, 0.4, 12)
    stem = np.repeat(sizes, RATE // 2) * square(2.0 * np.pi * 110.0 * time)
    stem = sosfilt(butter(6, 18_000, fs=RATE, output="sos"), stem)
    returned = stem
    if (given_tilt := TILTS[tilt]) is not None:
        kind, amount = given_tilt
        order, hz = (1, 5.0) if kind == "highpass" else (1, 800.0)
        filtered = sosfilt(butter(order, hz, "low" if kind == "low" else "high", fs=RATE, output="sos"), stem)
        returned = filtered if kind == "highpass" else stem + amount * filtered
    assert look(stem, noisy(returned, -95.0), 2e-5) == ()


def test_a_clipped_stem_is_not_held_against_the_take() -> None:
    stem = hard_limit(notes("rich"), 4.0)
    assert look(stem, noisy(0.8 * stem, -95.0), 2e-5) == ()


def test_a_squared_stem_behind_a_limiter_is_not_held_against_the_take() -> None:
    sizes = np.random.default_rng(3).uniform(0.2, 0.5, 12)
    stem = np.repeat(sizes, RATE // 2) * square(2.0 * np.pi * 110.0 * seconds(6.0))
    assert look(stem, noisy(0.2 * np.sign(stem), -95.0), 2e-5) == ()


@pytest.mark.parametrize("hz", [100.0, 300.0, 1000.0])
@pytest.mark.parametrize("shape", [0.5, 1.0], ids=["triangle", "saw"])
def test_a_filter_that_makes_tops_flat_makes_no_ceiling(shape: float, hz: float) -> None:
    # A high-pass turns a triangle into something square, and leaves a saw's ramp level.
    stem = 0.5 * sawtooth(2.0 * np.pi * 110.0 * seconds(5.0), shape)
    returned = sosfilt(butter(1, hz, "high", fs=RATE, output="sos"), stem)
    assert look(stem, noisy(returned, -95.0), 2e-5) == ()


@pytest.mark.parametrize("offset", [0.03, 0.3, -0.3])
@pytest.mark.parametrize("size", [0.003, 0.05, 1.0])
def test_an_offset_is_no_ceiling(size: float, offset: float) -> None:
    stem = size * np.concatenate((notes("rich", 4.0), np.zeros(2 * RATE), notes("sine", 2.0, seed=5)))
    assert look(stem, noisy(stem + offset, -95.0), 2e-5) == ()


def test_under_noise_that_is_larger_than_a_step_nothing_is_said() -> None:
    stem = 0.01 * notes("sine")
    returned = noisy(hard_limit(stem, 6.0), -60.0)
    assert look(stem, returned, 1e-3) == ()


def test_channels_are_judged_apart() -> None:
    stem = notes("rich")
    pair = np.stack((stem, stem), axis=1)
    returned = np.stack((stem, hard_limit(stem, 6.0)), axis=1)
    finder = FlatTopFinder(RATE, 2)
    finder.add(pair, returned)
    assert {ceiling.channel for ceiling in finder.result()} == {1}


CLIPPED_STEM = notes("rich", 3.0)
CLIPPED = hard_limit(CLIPPED_STEM, 6.0)


@settings(max_examples=15, deadline=None)
@given(lengths=st.lists(st.integers(0, 70_000), min_size=1, max_size=4).filter(lambda each: max(each) > 500))
def test_ceilings_do_not_depend_on_how_the_signals_are_cut(lengths: list[int]) -> None:
    at_once = look(CLIPPED_STEM, CLIPPED)
    finder = FlatTopFinder(RATE, 1)
    for sent, back in zip(cut(CLIPPED_STEM[:, None], lengths), cut(CLIPPED[:, None], lengths), strict=True):
        finder.add(sent, back)
    assert finder.result((1e-5,)) == at_once
    assert finder.result((1e-5,)) == at_once  # asking changes nothing
    assert len(at_once) == 2


def test_signals_that_cannot_be_compared_are_refused() -> None:
    finder = FlatTopFinder(RATE, 2)
    with pytest.raises(ValueError, match=r"shape \(frames, 2\)"):
        finder.add(np.zeros((10, 1)), np.zeros((10, 2)))
    with pytest.raises(ValueError, match=r"shape \(frames, 2\)"):
        finder.add(np.zeros((10, 2)), np.zeros(10))
    with pytest.raises(ValueError, match="no pair"):
        finder.add(np.zeros((10, 2)), np.zeros((11, 2)))
    for bad in (math.nan, math.inf):
        with pytest.raises(UnmeasurableError, match="not finite"):
            finder.add(np.zeros((10, 2)), np.full((10, 2), bad))
        with pytest.raises(UnmeasurableError, match="not finite"):
            finder.add(np.full((10, 2), bad), np.zeros((10, 2)))
        with pytest.raises(UnmeasurableError, match="not a number"):
            finder.result((bad, 0.0))
    with pytest.raises(ValueError, match="2 noise levels"):
        finder.result((0.0,))
    assert finder.result() == ()
