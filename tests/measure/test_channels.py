"""Which side carries what, with which sign, and whether a path does anything: against paths that are known."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import butter, lfilter, sosfilt

from printq.audio.processors import make_processor
from printq.audio.processors.base import QUANTUM
from printq.audio.processors.kinds import KINDS
from printq.errors import UnmeasurableError
from printq.measure.channels import (
    PathNullMeter,
    Sides,
    SignByBand,
    can_be_nulled,
    compare_sides,
    find_lag,
    may_be_wire,
    signs_by_band,
)
from printq.measure.spectra import CrossSpectra, SpectralMatrix
from tests.measure.signals import RATE, band_limited_noise, cut, delayed

Signal = NDArray[np.float64]
Path = Callable[[Signal], Signal]
REACH = 10.0


def notes(length: float = 8.0, seed: int = 1) -> Signal:
    """Something with pitches, attacks and breath, up to 18 kHz, shape (frames,)."""
    rng = np.random.default_rng(seed)
    time = np.arange(round(length * RATE)) / RATE
    signal = np.zeros(len(time))
    for start in np.arange(0.0, length, 0.25):
        since = np.maximum(time - start, 0.0)
        envelope = (time >= start) * np.exp(-5.0 * since) * np.minimum(1.0, since / 0.003) * (0.3 + 0.7 * rng.random())
        turn = 2.0 * np.pi * 82.4 * 2.0 ** (rng.integers(0, 30) / 12.0) * since
        tone = np.sin(turn) + 0.4 * np.sin(2.0 * turn) + 0.2 * np.sin(3.0 * turn)
        signal += envelope * (tone + 0.2 * rng.standard_normal(len(time)))
    signal = sosfilt(butter(6, 18_000, fs=RATE, output="sos"), signal)
    return np.asarray(0.3 * signal / np.abs(signal).max())


LEFT, RIGHT = notes(seed=1), notes(seed=2)
PAIR = np.stack((LEFT + 0.5 * RIGHT, RIGHT + 0.5 * LEFT), axis=1)


def noisy(signal: Signal, level_dbfs: float = -95.0, seed: int = 3) -> Signal:
    return np.asarray(signal + 10.0 ** (level_dbfs / 20.0) * np.random.default_rng(seed).standard_normal(signal.shape))


def average(sent: Signal, returned: Signal) -> SpectralMatrix:
    if sent.ndim == 1:
        sent, returned = sent[:, np.newaxis], returned[:, np.newaxis]
    spectra = CrossSpectra(RATE, sent.shape[1], len(sent))
    spectra.add(sent, returned)
    return spectra.result()


def through(kind: str, signal: Signal, settings: Mapping[str, float] | None = None) -> Signal:
    parameters = {each.name: each.default for each in KINDS[kind].parameters} | dict(settings or {})
    unit = make_processor(kind, RATE, 1, parameters)
    padded = np.zeros(-(-len(signal) // QUANTUM) * QUANTUM)
    padded[: len(signal)] = signal
    pieces = [unit.process(piece[:, np.newaxis])[:, 0] for piece in padded.reshape(-1, QUANTUM)]
    return np.concatenate(pieces)[: len(signal)]


def filtered(order: int, hz: float, kind: str) -> Path:
    sections = butter(order, hz, kind, fs=RATE, output="sos")
    return lambda signal: np.asarray(sosfilt(sections, signal))


def all_pass(order: int, hz: float, count: int) -> Path:
    """All-pass filters in series: first order by the bilinear transform, second order with a quality of 0.7."""
    if order == 1:
        corner = (math.tan(math.pi * hz / RATE) - 1.0) / (math.tan(math.pi * hz / RATE) + 1.0)
        above, below = [corner, 1.0], [1.0, corner]
    else:
        turn = 2.0 * math.pi * hz / RATE
        alpha = math.sin(turn) / 1.4
        above = [1.0 - alpha, -2.0 * math.cos(turn), 1.0 + alpha]
        below = above[::-1]

    def path(signal: Signal) -> Signal:
        for _ in range(count):
            signal = lfilter(above, below, signal)
        return signal

    return path


# ---- Sides ----


def compare(sent: Signal, returned: Signal, noise_dbfs: float = -95.0) -> Sides:
    power = 10.0 ** (noise_dbfs / 10.0)
    return compare_sides(average(sent, noisy(returned, noise_dbfs)), (power, power))


def unequal(pair: Signal) -> Signal:
    """Two different equalisers on the sides."""
    left = through("parametric-equaliser", pair[:, 0], {"bell1_db": 9.0, "bell2_db": -8.0})
    right = through("parametric-equaliser", pair[:, 1], {"low_db": 8.0, "high_db": 4.0})
    return np.stack((left, right), axis=1)


@pytest.mark.parametrize("noise_dbfs", [-100.0, -60.0])
@pytest.mark.parametrize("path", [lambda pair: pair, unequal, np.negative], ids=["wire", "equalisers", "inverted"])
def test_crossed_sides_are_told_from_straight_ones(path: Path, noise_dbfs: float) -> None:
    straight = compare(PAIR, path(PAIR), noise_dbfs)
    assert (straight.crossed, straight.same) == (False, False)
    crossed = compare(PAIR, path(PAIR)[:, ::-1], noise_dbfs)
    assert (crossed.crossed, crossed.same) == (True, False)
    assert min(level for level in crossed.over_db if level is not None) > 20.0


@pytest.mark.parametrize("mixed", [0.1, 0.3, 0.45])
def test_a_unit_that_makes_the_image_narrower_is_not_crossed(mixed: float) -> None:
    found = compare(PAIR, PAIR @ np.array([[1.0 - mixed, mixed], [mixed, 1.0 - mixed]]))
    assert (found.crossed, found.same) == (False, False)
    # By the formula of the mixture.
    assert found.over_db[0] == pytest.approx(20.0 * math.log10(mixed / (1.0 - mixed)), abs=1.5)


DOUBLED = {
    "a Y cable from the left": lambda pair: pair[:, [0, 0]],
    "both inputs from the right": lambda pair: pair[:, [1, 1]],
    "a mono switch": lambda pair: 0.5 * pair.sum(axis=1, keepdims=True) * np.ones((1, 2)),
    "a Y cable into two gains": lambda pair: pair[:, [0, 0]] * np.array([1.0, 0.7]),
}


@pytest.mark.parametrize("noise_dbfs", [-100.0, -60.0])
@pytest.mark.parametrize("name", DOUBLED)
def test_both_the_same_is_found(name: str, noise_dbfs: float) -> None:
    found = compare(PAIR, DOUBLED[name](PAIR), noise_dbfs)
    assert (found.same, found.crossed) == (True, False)
    assert found.return_correlation == pytest.approx(1.0, abs=0.01)


def test_sides_that_nearly_share_everything_still_show_that_they_were_doubled() -> None:
    # The sides differ by -30 dB; a path that keeps the difference keeps it.
    narrow = np.stack((LEFT + 0.03 * RIGHT, LEFT - 0.03 * RIGHT), axis=1)
    assert compare(narrow, narrow).same is False
    assert compare(narrow, narrow[:, [0, 0]]).same is True


@pytest.mark.parametrize(
    "stem",
    [
        pytest.param(np.stack((LEFT, LEFT), axis=1), id="equal sides"),
        pytest.param(np.stack((LEFT, -0.5 * LEFT), axis=1), id="sides that differ by gain and sign"),
        pytest.param(np.stack((LEFT, np.zeros_like(LEFT)), axis=1), id="a silent side"),
        pytest.param(np.zeros((4 * RATE, 2)), id="silence"),
        pytest.param(PAIR[:9000], id="two frames"),
    ],
)
def test_a_stem_that_cannot_tell_decides_nothing(stem: Signal) -> None:
    for returned in (stem, stem[:, ::-1], stem[:, [0, 0]], np.zeros_like(stem)):
        found = compare(stem, returned)
        assert not found.crossed
        assert not found.same


def test_a_difference_under_the_noise_decides_nothing() -> None:
    narrow = np.stack((LEFT + 0.001 * RIGHT, LEFT - 0.001 * RIGHT), axis=1)
    assert compare(narrow, narrow[:, [0, 0]], -60.0).same is None


def test_a_return_that_has_nothing_to_do_with_the_stem_decides_nothing() -> None:
    other = np.stack((notes(seed=7), notes(seed=8)), axis=1)
    assert compare(PAIR, other).crossed in (None, False)
    assert compare(PAIR, other).same is False


def test_correlation_of_the_sides_is_that_of_their_samples() -> None:
    found = compare(PAIR, PAIR * np.array([1.0, -1.0]))
    # Of the frames and from 20 Hz to 0.4 of the rate, where all of this stem lies.
    expected = np.corrcoef(PAIR.T)[0, 1]
    assert found.stem_correlation == pytest.approx(expected, abs=0.02)
    assert found.return_correlation == pytest.approx(-expected, abs=0.02)


def test_sides_are_compared_of_two_channels_only() -> None:
    with pytest.raises(ValueError, match="not of 1"):
        compare_sides(average(LEFT, LEFT), (0.0, 0.0))


# ---- Signs ----


def signs(path: Path, stem: Signal = LEFT) -> SignByBand:
    found = signs_by_band(average(stem, noisy(path(stem), -90.0)), 0, REACH)
    assert found is not None
    return found


STRAIGHT: dict[str, Path] = {
    "a wire": lambda signal: signal,
    "an equaliser": lambda signal: through("parametric-equaliser", signal, {"bell1_db": 12.0, "bell2_db": -12.0}),
    "shelves": lambda signal: through("parametric-equaliser", signal, {"low_db": 12.0, "high_db": -12.0}),
    "a high-pass": filtered(2, 500.0, "high"),
    "a steep high-pass": filtered(4, 200.0, "high"),
    "a dull low-pass": filtered(2, 300.0, "low"),
    "a fast compressor": lambda signal: through(
        "vca-compressor", signal, {"threshold_db": -40.0, "ratio": 20.0, "attack_ms": 0.1, "release_ms": 5.0}
    ),
    "a valve": lambda signal: through("valve-saturation", signal, {"drive_db": 12.0}),
    "a tape": lambda signal: through("tape-saturation", signal, {"drive_db": 12.0}),
    "a little reverb": lambda signal: through("spring-reverb", signal, {"mix": 0.3}),
    "two samples of delay": lambda signal: np.roll(signal, 2),
}


@pytest.mark.parametrize("name", STRAIGHT)
def test_all_bands_of_a_path_that_turns_no_phase_of_its_own_have_its_sign(name: str) -> None:
    path = STRAIGHT[name]
    upright, inverted = signs(path), signs(lambda signal: -path(signal))
    assert upright.upright > 0.95
    assert upright.inverted < 0.02
    assert inverted.inverted > 0.95
    assert inverted.upright < 0.02
    assert len(upright.bands) >= 12


TURNING: dict[str, Path] = {
    "one all-pass at 200 Hz": all_pass(1, 200.0, 1),
    "a phase rotator: four at 200 Hz": all_pass(1, 200.0, 4),
    "four of second order at 200 Hz": all_pass(2, 200.0, 4),
    "four of second order at 1 kHz": all_pass(2, 1000.0, 4),
    "eight at 1 kHz": all_pass(1, 1000.0, 8),
    "a very steep high-pass": filtered(8, 1000.0, "high"),
}


@pytest.mark.parametrize("name", TURNING)
def test_a_filter_that_turns_the_phase_is_never_nearly_all_inverted(name: str) -> None:
    found = signs(TURNING[name])
    assert found.inverted < 0.7
    assert found.upright + found.inverted <= 1.0


def test_one_all_pass_inverts_what_lies_well_above_it_and_leaves_what_lies_below() -> None:
    # Its phase is -2 atan(f / 200 Hz): beyond 120 degrees from 346 Hz on, within 60 degrees up to 115 Hz.
    found = dict(signs(all_pass(1, 200.0, 1)).bands)
    assert {found[hz] for hz in (500.0, 1000.0, 2000.0, 4000.0)} == {-1}
    assert {found[hz] for hz in (63.0, 80.0)} == {1}
    assert found[200.0] == 0


def test_without_anything_in_common_there_are_no_signs() -> None:
    assert signs_by_band(average(LEFT, np.zeros_like(LEFT)), 0, REACH) is None
    assert signs_by_band(average(np.zeros_like(LEFT), noisy(np.zeros_like(LEFT))), 0, REACH) is None
    assert signs_by_band(average(LEFT[:9000], LEFT[:9000]), 0, REACH) is None
    assert signs_by_band(average(np.zeros((0, 1)), np.zeros((0, 1))), 0, REACH) is None
    stranger = signs_by_band(average(LEFT, 0.1 * np.random.default_rng(5).standard_normal(len(LEFT))), 0, REACH)
    assert stranger is None or len(stranger.bands) < 4


@pytest.mark.parametrize("delay", [-7.0, -0.5, 0.0, 0.25, 6.0])
def test_a_lag_is_found_to_a_sixteenth_of_a_sample(delay: float) -> None:
    noise = band_limited_noise(1, 1 << 17, 0.3)
    shifted = np.fft.irfft(np.fft.rfft(noise) * np.exp(-2j * np.pi * np.fft.rfftfreq(len(noise)) * delay), len(noise))
    assert find_lag(average(0.1 * noise, -0.1 * shifted), 0, REACH) == pytest.approx(delay, abs=1.0 / 16.0)


# ---- A path that does nothing ----


def null(sent: Signal, returned: Signal, noise_dbfs: float, lag: float | None = None) -> tuple[float, float] | None:
    """Depth and what noise allows, as a take is measured; None where the spectra say that something happens."""
    power = 10.0 ** (noise_dbfs / 10.0)
    if lag is None:
        lag = may_be_wire(average(sent, returned), 0, power, REACH)
        if lag is None:
            return None
    meter = PathNullMeter(RATE, lag)
    meter.add(sent[:, np.newaxis], returned[:, np.newaxis])
    found = meter.result(power)
    return found.depth_db, found.noise_allows_db


@pytest.mark.parametrize("noise_dbfs", [-100.0, -80.0, -60.0])
@pytest.mark.parametrize("delay", [0.0, 0.3, 2.5])
@pytest.mark.parametrize("gain", [1.0, -0.4])
def test_a_wire_nulls_as_deep_as_its_noise(gain: float, delay: float, noise_dbfs: float) -> None:
    sent = 0.1 * band_limited_noise(2, 6 * RATE, 0.35)
    returned = noisy(delayed(sent, delay, len(sent), gain), noise_dbfs)
    found = null(sent, returned, noise_dbfs)
    assert found is not None
    depth, allowed = found
    # Noise against 0.1 RMS times the gain; of white noise 0.8 lies below 0.4 of the rate.
    expected = noise_dbfs - 20.0 * math.log10(0.1 * abs(gain))
    assert depth == pytest.approx(expected + 10.0 * math.log10(0.8), abs=0.5)
    # Interpolation counts as -95 dB beside it.
    assert allowed == pytest.approx(10.0 * math.log10(10.0 ** (expected / 10.0) + 10.0**-9.5), abs=0.3)


def test_a_perfect_wire_nulls_to_rounding_and_more_is_not_asked() -> None:
    sent = np.rint(LEFT * 2.0**23) / 2.0**23
    found = null(sent, sent, -400.0)
    assert found is not None
    assert found[0] < -140.0
    assert found[1] == pytest.approx(-95.0, abs=0.1)


@pytest.mark.parametrize("change_db", [0.1, 0.5, 3.0])
def test_the_least_setting_of_an_equaliser_is_told_from_a_wire(change_db: float) -> None:
    returned = noisy(through("parametric-equaliser", LEFT, {"bell1_db": change_db}), -100.0)
    found = null(LEFT, returned, -100.0)
    assert found is None or found[0] - found[1] > 20.0


@pytest.mark.parametrize("kind", [kind for kind in KINDS if kind not in ("wire", "parametric-equaliser")])
def test_no_unit_at_work_is_taken_for_a_wire(kind: str) -> None:
    at_work = {
        "transient-shaper": {"attack_db": 2.0},
        "valve-saturation": {"drive_db": 3.0},
        "gate": {"threshold_db": -18.0, "release_ms": 20.0, "hold_ms": 10.0},
        "vca-compressor": {"threshold_db": -24.0},
        "opto-compressor": {"threshold_db": -30.0},
    }
    found = null(LEFT, noisy(through(kind, LEFT, at_work.get(kind)), -90.0), -90.0)
    assert found is None or found[0] - found[1] > 6.0


@pytest.mark.parametrize(
    "pair",
    [
        pytest.param((np.zeros_like(LEFT), np.zeros_like(LEFT)), id="silence"),
        pytest.param((LEFT, np.zeros_like(LEFT)), id="a silent return"),
        pytest.param((np.zeros_like(LEFT), LEFT), id="a silent stem"),
        pytest.param((LEFT[:9000], LEFT[:9000]), id="too short"),
        pytest.param((0.001 * LEFT, noisy(0.001 * LEFT, -90.0)), id="noise nearly as loud"),
    ],
)
def test_where_nothing_can_be_nulled_nothing_is_said(pair: tuple[Signal, Signal]) -> None:
    matrix = average(*pair)
    assert not can_be_nulled(matrix, 0, 1e-9)
    assert may_be_wire(matrix, 0, 1e-9, REACH) is None


def test_a_null_without_sound_is_an_error_and_no_number() -> None:
    for sent, returned in ((np.zeros(20_000), LEFT[:20_000]), (LEFT[:20_000], np.zeros(20_000)), (LEFT[:9], LEFT[:9])):
        with pytest.raises(UnmeasurableError):
            null(sent, returned, -90.0, 0.0)


def test_a_null_does_not_depend_on_how_the_signals_are_cut() -> None:
    sent, returned = LEFT[:, np.newaxis], noisy(delayed(LEFT, 0.3, len(LEFT)))[:, np.newaxis]
    found = []
    for lengths in ([len(sent)], [1, 777, 0, 40_000], [4096]):
        meter = PathNullMeter(RATE, 0.3)
        for one, other in zip(cut(sent, lengths), cut(returned, lengths), strict=True):
            meter.add(one, other)
        found.append(meter.result(1e-9))
    assert found[0] == found[1] == found[2]


def test_signals_that_cannot_be_nulled_are_refused() -> None:
    meter = PathNullMeter(RATE, 0.0)
    with pytest.raises(ValueError, match="no pair"):
        meter.add(np.zeros((10, 1)), np.zeros((11, 1)))
    with pytest.raises(ValueError, match=r"shape \(frames, 1\)"):
        meter.add(np.zeros((10, 2)), np.zeros((10, 1)))
    with pytest.raises(UnmeasurableError, match="not finite"):
        meter.add(np.zeros((10, 1)), np.full((10, 1), math.nan))
