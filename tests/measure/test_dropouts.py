"""Gaps, jumps, repeats and ticks, with the stem as witness.

A fault is to be found if its energy stands 10 dB over the noise: the energy of (faulty - clean) over that of what
unit and converter add, both in the millisecond around its start, or over its own length if it is longer
(`material.stands_out_db`).
"""

from __future__ import annotations

import math
import os

import numpy as np
import pytest

from printq.errors import UnmeasurableError
from printq.measure.dropouts import DropoutFinder, DropoutResult, Fault
from tests.measure import material
from tests.measure.material import MATERIAL, MadeFault, Signal, Unit
from tests.measure.signals import cut

RATE = 48_000
FAULTS = int(os.environ.get("PRINTQ_FAULTS", "72"))
"""Random faults; a thousand take about five minutes: PRINTQ_FAULTS=1000."""
CLEAN_HOURS = float(os.environ.get("PRINTQ_CLEAN_HOURS", "0.2"))
"""Clean takes; ten hours take about ten minutes: PRINTQ_CLEAN_HOURS=10."""
NEAR_S = 0.010
STANDS_OUT_DB = 10.0
KINDS = ("gap", "repeat", "slip", "tick")
STEADY_UNITS = (
    "wire",
    "parametric-equaliser",
    "vca-compressor",
    "opto-compressor",
    "transient-shaper",
    "gate",
    "valve-saturation",
    "tape-saturation",
)
"""Units whose return follows from the stem; echoes and springs are looked at apart."""


def find(sent: Signal, returned: Signal, rate: int = RATE, block: int = 65_536) -> DropoutResult:
    """What is found in a take, given as (frames,) or (frames, channels)."""
    sent, returned = (each.reshape(len(each), -1) for each in (sent, returned))
    finder = DropoutFinder(rate, sent.shape[1])
    for start in range(0, len(sent), block):
        finder.add(sent[start : start + block], returned[start : start + block])
    return finder.result()


def take(
    kind: str, seed: int, seconds: float, units: list[Unit] | None = None, noise_dbfs: float = -90.0
) -> tuple[Signal, Signal, Signal]:
    """A stem, its clean return without noise, and the noise, shape (frames,)."""
    rng = np.random.default_rng([11, seed])
    frames = round(seconds * RATE)
    stem = material.make_stem(kind, rng, frames, RATE, -6.0)
    clean = material.through(units or [], stem[:, np.newaxis], RATE)[:, 0]
    return stem, clean, 10.0 ** (noise_dbfs / 20.0) * rng.standard_normal(frames)


def is_at(fault: Fault, made: MadeFault) -> bool:
    """Whether what was found is what was made."""
    near = NEAR_S * RATE
    end = made.start + (made.length if made.kind in ("gap", "repeat") else 0)
    return fault.start_frame <= end + near and fault.start_frame + fault.length >= made.start - near


def random_fault(seed: int, root: int = 77, seconds: int = 12) -> tuple[MadeFault, Signal, Signal] | None:
    """A fault that counts, in a random take: the fault, the stem, the return with it."""
    rng = np.random.default_rng([root, seed])
    music, kind = list(MATERIAL)[seed % 6], KINDS[seed // 6 % 4]
    peak = float(rng.uniform(-24.0, -1.0))
    stem = material.make_stem(music, rng, seconds * RATE, RATE, peak)
    chains = ([material.equaliser], [material.compressor], [material.equaliser, material.compressor])
    chain = chains[rng.integers(0, 3)]
    units = [make(rng, peak) if make is material.compressor else make(rng) for make in chain]  # type: ignore[operator]
    clean = material.through(units, stem[:, np.newaxis], RATE)[:, 0]
    noise = 10.0 ** (rng.uniform(-105.0, -75.0) / 20.0) * rng.standard_normal(len(stem))
    for _ in range(50):
        made, faulty = material.any_fault(kind, rng, clean, RATE, 4 * RATE)
        if material.stands_out_db(clean, faulty, noise, made, RATE) >= STANDS_OUT_DB:
            # Half of the dropouts are exact zeros, half have the converter's noise in them.
            if kind == "gap" and rng.random() < 0.5:
                noise = noise.copy()
                noise[made.start : made.start + made.length] = 0.0
            return made, stem, faulty + noise
    return None


def clean_take(seed: int, root: int = 101) -> tuple[list[Unit], Signal, Signal]:
    """Two minutes without a fault through any unit at any setting, or through an equaliser and a compressor that works:
    the units, the stem, the return."""
    rng = np.random.default_rng([root, seed])
    peak = float(rng.uniform(-50.0, 0.0))
    stem = material.make_stem(list(MATERIAL)[seed % 6], rng, 120 * RATE, RATE, peak)
    if seed % 2:
        units = [material.any_setting(str(rng.choice(STEADY_UNITS)), rng)]
    else:
        units = [material.equaliser(rng), material.compressor(rng, peak)]
    returned = material.through(units, stem[:, np.newaxis], RATE)[:, 0]
    returned *= 10.0 ** (rng.uniform(-20.0, 20.0) / 20.0) * rng.choice([-1.0, 1.0])
    return units, stem, returned + 10.0 ** (rng.uniform(-110.0, -60.0) / 20.0) * rng.standard_normal(len(stem))


@pytest.mark.slow
@pytest.mark.timeout(7200)
def test_random_faults_are_found_in_six_kinds_of_music_through_equalisers_and_compressors() -> None:
    tried, missed, extra = 0, [], 0
    for seed in range(math.ceil(FAULTS * 1.02)):
        # Much that a finder does begins when a unit is known well: after 24 s, or 40 s.
        made = random_fault(seed, seconds=60 if seed % 25 == 0 else 12)
        if made is None or tried == FAULTS:
            continue
        fault, stem, returned = made
        found = find(stem, returned)
        tried += 1
        hits = [each for each in found.faults if is_at(each, fault)]
        extra += found.count > len(hits)
        if not hits:
            missed.append((seed, fault))
    print(f"{tried} faults, {len(missed)} missed, {extra} takes with others: {missed}")
    # 99 % are wanted; two more where only a few tens are tried.
    assert len(missed) <= max(2, 0.01 * tried)
    assert extra <= 0.02 * tried


@pytest.mark.slow
@pytest.mark.timeout(7200)
def test_nothing_is_found_in_clean_takes_through_any_unit_at_any_setting() -> None:
    alarms = []
    minutes = round(CLEAN_HOURS * 60)
    for seed in range(minutes // 2):
        units, stem, returned = clean_take(seed)
        found = find(stem, returned)
        if found.count:
            alarms.append((seed, units, found.faults[:3]))
            print(alarms[-1])
    print(f"{minutes} minutes, {len(alarms)} takes with alarms")
    assert not alarms


@pytest.mark.parametrize("music", MATERIAL)
def test_a_gap_is_one_gap_and_has_its_place_and_length(music: str) -> None:
    stem, clean, noise = take(music, 3, 8.0)
    at = 5 * RATE + int(np.argmax(np.abs(clean[5 * RATE : 6 * RATE])))
    made = MadeFault("gap", at - 200, 960)
    found = find(stem, material.insert_fault(clean, made) + noise)
    assert found.count == 1
    assert abs(found.faults[0].start_frame - made.start) <= NEAR_S * RATE
    assert found.faults[0].channel == 0


@pytest.mark.parametrize("music", MATERIAL)
@pytest.mark.parametrize(("kind", "ms"), [("gap", 150), ("gap", 400), ("repeat", 150)])
def test_a_long_gap_or_repeat_is_one_fault_of_its_length(music: str, kind: str, ms: int) -> None:
    """Longer than any buffer; an echo of one word in another is the exception that is only found."""
    stem, clean, noise = take(music, 3, 9.0)
    at = 5 * RATE + int(np.argmax(np.abs(clean[5 * RATE : 6 * RATE])))
    made = MadeFault(kind, at - 200, ms * RATE // 1000)
    found = find(stem, material.insert_fault(clean, made) + noise)
    assert found.count == 1
    (fault,) = found.faults
    assert is_at(fault, made)
    if (music, kind) != ("speech", "repeat"):
        assert fault.kind == kind
        assert abs(fault.start_frame - made.start) <= NEAR_S * RATE
        assert fault.length == pytest.approx(made.length, abs=NEAR_S * RATE)


# A tape that bends the first peak of a burst, twice; valves with much bias in quiet words, twice. Gates: that open with
# a click under a low string, twice, and in a word; two that close and open again at once; and noise before one opens.
# A tape that bends the phases of a word for half a second. The first hiss of a take, of whose treble nothing is known.
@pytest.mark.parametrize(
    ("root", "seed"),
    [
        (5101, 33),
        (5101, 39),
        (5101, 75),
        (5103, 75),
        (5102, 71),
        (5107, 17),
        (5107, 41),
        (5108, 41),
        (5110, 193),
        (5111, 63),
        (5107, 45),
        (5110, 141),
    ],
)
def test_what_a_unit_does_now_and_then_is_no_fault(root: int, seed: int) -> None:
    _, stem, returned = clean_take(seed, root)
    assert find(stem, returned).count == 0


@pytest.mark.parametrize("music", ["speech", "harp"])
def test_a_gate_that_closes_leaves_no_gap(music: str) -> None:
    stem, clean, noise = take(music, 9, 20.0, [Unit("gate", {"threshold_db": -15.0, "range_db": 80.0})])
    audible = np.abs(stem) > 0.003
    assert np.mean(np.abs(clean[audible]) < 0.1 * np.abs(stem[audible])) > 0.1
    assert find(stem, clean + noise).count == 0


# Wrong samples may be as faint as -20 dB beside the music: not each one is found, but most are.
@pytest.mark.parametrize(("kind", "length"), [("gap", 256), ("repeat", 256), ("tick", 1)])
def test_a_take_full_of_dropouts_is_not_taken_for_how_the_unit_is(kind: str, length: int) -> None:
    units = [Unit("vca-compressor", {"threshold_db": -20.0, "ratio": 4.0})]
    stem, clean, noise = take("reed", 3, 240.0, units)
    rng = np.random.default_rng(18)
    faulty = clean
    places = range(5 * RATE, 235 * RATE, RATE // 2)
    for place in places:
        peak = float(np.abs(clean[place - RATE // 100 : place + RATE // 100]).max())
        level = peak * 10.0 ** (rng.uniform(-20.0, 0.0) / 20.0)
        faulty = material.insert_fault(faulty, MadeFault(kind, place, length), level)
    found = find(stem, faulty + noise)
    assert sum(fault.kind == kind for fault in found.faults) > 0.5 * len(places)
    assert all(min(abs(fault.start_frame - place) for place in places) <= NEAR_S * RATE for fault in found.faults)


def test_a_tick_is_found_to_the_millisecond_with_its_level() -> None:
    stem, clean, noise = take("drone", 4, 8.0)
    faulty = material.insert_fault(clean, MadeFault("tick", 200_003, 1), 0.1)
    found = find(stem, faulty + noise)
    assert found.count == 1
    assert found.faults[0].kind == "tick"
    assert abs(found.faults[0].start_frame - 200_003) <= 48
    # A single sample of 0.1 is -20 dBFS.
    assert found.faults[0].level_dbfs == pytest.approx(-20.0, abs=3.0)


def test_a_tick_over_noise_alone_is_found() -> None:
    stem, clean, noise = take("reed", 5, 12.0, noise_dbfs=-80.0)
    stem[6 * RATE :] = clean[6 * RATE :] = 0.0
    # 30 dB over the noise.
    noise[10 * RATE] += 10.0 ** (-50.0 / 20.0)
    found = find(stem, clean + noise)
    assert [fault.kind for fault in found.faults] == ["tick"]
    assert abs(found.faults[0].start_frame - 10 * RATE) <= 48


def test_a_tick_is_known_by_its_shape_where_the_music_is_ten_times_as_loud() -> None:
    stem, clean, noise = take("speech", 5, 12.0)
    at = 6 * RATE + int(np.argmax(np.abs(clean[6 * RATE : 7 * RATE])))
    # 20 dB below the peak that is there.
    faulty = material.insert_fault(clean, MadeFault("tick", at, 1), 0.1 * abs(float(clean[at])))
    found = find(stem, faulty + noise)
    assert [fault.kind for fault in found.faults] == ["tick"]
    assert abs(found.faults[0].start_frame - at) <= 48


# Under vowels, where a phrase begins, and in a harp behind a compressor that is not well followed; and not quite like
# an impulse, but like nothing else: in a chord, and under a vowel.
@pytest.mark.parametrize(
    ("root", "seed"),
    [(4001, 861), (4001, 957), (4001, 1893), (4001, 3571), (4001, 5253), (4001, 7197), (5008, 810), (5009, 933)],
)
def test_one_wrong_sample_is_known_however_small_a_share_of_the_music_it_is(root: int, seed: int) -> None:
    made = random_fault(seed, root)
    assert made is not None
    fault, stem, returned = made
    assert fault.kind == "tick"
    found = find(stem, returned)
    assert [each.kind for each in found.faults] == ["tick"]
    assert abs(found.faults[0].start_frame - fault.start) <= 48


@pytest.mark.parametrize("length", [6, 40])
def test_exact_zeros_where_the_noise_never_stops_are_a_gap(length: int) -> None:
    stem, clean, noise = take("bowed", 16, 10.0, noise_dbfs=-70.0)
    at = 6 * RATE + int(np.argmax(np.abs(clean[6 * RATE : 7 * RATE])))
    returned = clean + noise
    returned[at : at + length] = 0.0
    found = find(stem, returned)
    assert found.count == 1
    assert abs(found.faults[0].start_frame - at) <= NEAR_S * RATE / 2


def test_exact_zeros_in_a_note_near_the_noise_are_a_gap() -> None:
    made = random_fault(264, root=3104)
    assert made is not None
    fault, stem, returned = made
    assert not returned[fault.start : fault.start + fault.length].any()
    found = find(stem, returned)
    assert [each.kind for each in found.faults] == ["gap"]
    assert is_at(found.faults[0], fault)


# Gaps: three samples under a harp, 15 ms at an onset of speech, 10 ms through a long tail, 13 ms of applause.
# Repeats: speech that repeats itself for 13 ms, a harp's low string, 1 ms of a phrase that begins.
@pytest.mark.parametrize(
    ("root", "seed"), [(3103, 25), (4100, 195), (3104, 147), (4100, 4), (4100, 249), (77, 439), (78, 393)]
)
def test_a_lost_buffer_is_known_by_its_edges(root: int, seed: int) -> None:
    made = random_fault(seed, root)
    assert made is not None
    fault, stem, returned = made
    found = find(stem, returned)
    (lost,) = found.faults
    assert lost.kind == fault.kind
    # At an edge the music may be near nought, or like what was heard before, by itself.
    assert abs(lost.start_frame - fault.start) <= 4
    assert abs(lost.length - fault.length) <= 4


# Sound ends in a gap of speech, and begins in one of a drone.
@pytest.mark.parametrize(("root", "seed"), [(5008, 843), (5009, 605)])
def test_a_lost_buffer_in_which_a_note_begins_or_ends_is_known_by_its_other_edge(root: int, seed: int) -> None:
    made = random_fault(seed, root)
    assert made is not None
    fault, stem, returned = made
    (lost,) = find(stem, returned).faults
    assert lost.kind == "gap"
    edges = (lost.start_frame - fault.start, lost.start_frame + lost.length - fault.start - fault.length)
    assert min(abs(edge) for edge in edges) <= 4
    assert is_at(lost, fault)


# Beside silence; in a drone, whose phase tells that there is a step, but hardly where; and right before a rest.
@pytest.mark.parametrize(("root", "seed"), [(78, 113), (78, 1001), (5009, 713), (77, 639)])
def test_a_slip_that_nothing_else_places_is_placed_by_its_click(root: int, seed: int) -> None:
    made = random_fault(seed, root)
    assert made is not None
    fault, stem, returned = made
    found = find(stem, returned)
    assert [(each.kind, each.length, each.rest) for each in found.faults] == [
        ("jump" if fault.length < 0 else "repeat", 1, None)
    ]
    assert abs(found.faults[0].start_frame - fault.start) <= 48


# Words and a harp that tell of it long behind the place, and steady chords in which thousands of samples would fit too;
# a drone with other clicks; and a word behind a rest.
@pytest.mark.parametrize(
    ("root", "seed"),
    [(5007, 87), (5008, 589), (77, 732), (6001, 300), (6001, 396), (5010, 473), (5010, 567)],
)
def test_one_sample_is_no_more_and_lies_where_it_is_however_late_it_is_noticed(root: int, seed: int) -> None:
    made = random_fault(seed, root)
    assert made is not None
    fault, stem, returned = made
    found = find(stem, returned)
    assert [slip.samples for slip in found.track.slips] == [fault.length]
    assert found.count == 1
    assert is_at(found.faults[0], fault)


def test_exact_zeros_after_a_gate_has_closed_are_no_gap() -> None:
    stem, clean, noise = take("reed", 12, 8.0, noise_dbfs=-70.0)
    at = 5 * RATE + int(np.argmax(np.abs(clean[5 * RATE : 6 * RATE])))
    gain = np.ones(len(clean))
    gain[at - 4800 : at] = np.exp(-np.arange(4800) / 700.0)
    gain[at : at + 1100] = 0.0
    gain[at + 1100 : at + 5900] = np.exp(-np.arange(4800)[::-1] / 700.0)
    level = 10.0 ** (-45.0 / 20.0) / np.abs(clean).max()
    assert find(level * stem, gain * (level * clean + noise)).count == 0


@pytest.mark.parametrize("samples", [-1, 1])
def test_one_sample_is_missed_even_in_a_drone_whose_change_is_near_the_noise(samples: int) -> None:
    stem, clean, noise = take("drone", 17, 12.0, noise_dbfs=-80.0)
    found = find(stem, material.insert_fault(clean, MadeFault("slip", 300_000, samples)) + noise)
    assert [slip.samples for slip in found.track.slips] == [samples]
    assert abs(found.track.slips[0].frame - 300_000) <= NEAR_S * RATE


def test_what_the_stem_has_itself_is_no_fault() -> None:
    stem, _, noise = take("bowed", 6, 20.0)
    stem[4 * RATE] += 0.5
    stem[6 * RATE : 6 * RATE + 700] = 0.0
    stem[8 * RATE : 8 * RATE + 300] = stem[8 * RATE - 300 : 8 * RATE]
    stem[9 * RATE : 11 * RATE] = np.clip(stem[9 * RATE : 11 * RATE], -0.05, 0.05)
    stem[12 * RATE : 13 * RATE] = 0.2 * np.sign(np.sin(np.arange(RATE) * 0.03))
    units = [Unit("parametric-equaliser", {"bell1_db": 6.0, "high_db": -4.0})]
    returned = material.through(units, stem[:, np.newaxis], RATE)[:, 0]
    assert find(stem, returned + noise).count == 0


def test_a_stereo_fault_is_one_fault() -> None:
    stem, clean, noise = take("reed", 7, 8.0)
    left = material.insert_fault(clean, MadeFault("tick", 240_000, 1), 0.2)
    right = material.insert_fault(clean, MadeFault("tick", 240_000, 1), 0.4)
    found = find(np.stack([stem, stem], axis=1), np.stack([left + noise, right + noise[::-1]], axis=1))
    assert found.count == 1
    assert found.faults[0].channel == 1


@pytest.mark.parametrize(
    ("samples", "kind"), [(-1, "jump"), (1, "repeat"), (-64, "jump"), (256, "repeat"), (-512, "jump")]
)
def test_a_slip_is_one_jump_or_repeat_and_the_rest_of_the_take_is_none(samples: int, kind: str) -> None:
    stem, clean, noise = take("speech", 8, 15.0, [Unit("vca-compressor", {"threshold_db": -20.0, "ratio": 4.0})])
    at = 6 * RATE + int(np.argmax(np.abs(clean[6 * RATE : 7 * RATE])))
    found = find(stem, material.insert_fault(clean, MadeFault("slip", at, samples)) + noise)
    assert [(fault.kind, fault.length) for fault in found.faults] == [(kind, abs(samples))]
    assert abs(found.faults[0].start_frame - at) <= NEAR_S * RATE
    assert [(slip.samples, slip.rest) for slip in found.track.slips] == [(samples, None)]


def with_a_pause(stops: int, goes_on: int, made: MadeFault, noise: float = 1e-5) -> tuple[Signal, Signal]:
    """Noise that pauses, and its return with a fault."""
    rng = np.random.default_rng(29)
    stem = 0.1 * rng.standard_normal(12 * RATE + goes_on)
    stem[stops:goes_on] = 0.0
    returned = np.convolve(stem, [0.1, 0.8, 0.3])[: len(stem)]
    return stem, material.insert_fault(returned, made) + noise * rng.standard_normal(len(stem))


# Times in blocks of 0.15 s. What follows the slip at once is silence, or too short to tell.
@pytest.mark.parametrize(
    ("samples", "at", "stops", "goes_on"),
    [(73, 55.02, 55.93, 66.29), (-92, 21.08, 21.99, 34.19), (-36, 55.04, 55.38, 66.82), (-65, 51.02, 51.43, 69.38)],
)
def test_a_slip_right_before_a_pause_is_found(samples: int, at: float, stops: float, goes_on: float) -> None:
    place = round(at * 7168)
    found = find(*with_a_pause(round(stops * 7168), round(goes_on * 7168), MadeFault("slip", place, samples)))
    assert [slip.samples for slip in found.track.slips] == [samples]
    assert abs(found.track.slips[0].frame - place) <= NEAR_S * RATE
    assert found.track.slips[0].rest is None
    assert found.count == 1


@pytest.mark.parametrize("share", [0.02, 0.5, 0.98])
@pytest.mark.parametrize("seconds", [0.5, 2.0, 5.0, 20.0])
@pytest.mark.parametrize("samples", [-210, 64, 2048])
def test_a_slip_in_a_pause_is_found_and_no_more_is_said_of_its_place_than_is_known(
    samples: int, seconds: float, share: float
) -> None:
    stops = 6 * RATE
    goes_on = stops + round(seconds * RATE)
    place = round(stops + share * (goes_on - stops))
    found = find(*with_a_pause(stops, goes_on, MadeFault("slip", place, samples)))
    assert [slip.samples for slip in found.track.slips] == [samples]
    # Where in the silence, nothing tells. Of long ones the ends are known to a block and a half, 0.22 s.
    assert found.track.slips[0].rest is not None
    low, high = found.track.slips[0].rest
    assert stops - 0.23 * RATE < low <= min(place, found.track.slips[0].frame)
    assert max(place, found.track.slips[0].frame) <= high < goes_on + 0.23 * RATE + max(0, samples)
    assert found.faults[0].rest == (low, high)
    assert found.count == 1


def test_a_slip_in_a_pause_has_no_place_either_where_one_channel_is_silent_throughout() -> None:
    stem, returned = with_a_pause(6 * RATE, 8 * RATE, MadeFault("slip", 7 * RATE, 64))
    silence = np.zeros(len(stem))
    noise = 1e-5 * np.random.default_rng(3).standard_normal(len(stem))
    found = find(np.stack([stem, silence], axis=1), np.stack([returned, noise], axis=1))
    (slip,) = found.track.slips
    assert slip.rest is not None
    assert slip.rest[0] <= 7 * RATE <= slip.rest[1]


def test_a_slip_in_a_pause_has_no_place_right_at_the_beginning() -> None:
    found = find(*with_a_pause(round(0.6 * RATE), round(1.1 * RATE), MadeFault("slip", round(0.9 * RATE), -210)))
    (slip,) = found.track.slips
    assert slip.rest is not None
    assert slip.rest[0] <= 0.9 * RATE <= slip.rest[1]


@pytest.mark.parametrize("seconds", [0.5, 5.0, 20.0])
def test_a_slip_in_a_pause_without_any_noise_is_found_too(seconds: float) -> None:
    stops, goes_on = 6 * RATE, round((6 + seconds) * RATE)
    found = find(*with_a_pause(stops, goes_on, MadeFault("slip", (stops + goes_on) // 2, 64), 0.0))
    assert [(slip.samples, slip.rest is None) for slip in found.track.slips] == [(64, False)]
    assert found.count == 1


def test_silence_has_no_faults() -> None:
    silence = np.zeros(3 * RATE)
    assert find(silence, silence).count == 0


def test_noise_without_a_stem_has_no_faults() -> None:
    noise = 1e-4 * np.random.default_rng(1).standard_normal(5 * RATE)
    assert find(np.zeros(5 * RATE), noise).count == 0


def test_hum_and_dc_are_no_faults() -> None:
    stem, clean, noise = take("harp", 9, 15.0)
    turn = 2.0 * np.pi * 50.0 / RATE * np.arange(len(stem))
    hum = 0.01 * np.sin(turn) + 0.005 * np.sin(3.0 * turn)
    assert find(stem, clean + noise + hum + 0.03).count == 0


def test_a_fraction_of_a_sample_and_turned_polarity_are_no_faults() -> None:
    stem, clean, noise = take("applause", 10, 10.0)
    spectrum = np.fft.rfft(clean)
    turn = np.exp(-2j * np.pi * np.arange(len(spectrum)) / len(clean) * 0.4)
    assert find(stem, -np.fft.irfft(spectrum * turn, len(clean)) + noise).count == 0


@pytest.mark.parametrize("frames", [0, 1, 2, 1000])
def test_hardly_anything_has_no_faults(frames: int) -> None:
    some = np.full((frames, 2), 0.1)
    finder = DropoutFinder(RATE, 2)
    finder.add(some, some)
    assert finder.result().count == 0


def test_the_result_does_not_depend_on_how_the_signal_is_cut() -> None:
    stem, clean, noise = take("harp", 12, 6.0)
    faulty = material.insert_fault(clean, MadeFault("gap", 200_000, 300))
    faulty = material.insert_fault(faulty, MadeFault("slip", 120_000, -64)) + noise
    whole = find(stem, faulty, block=len(stem))
    assert whole.count > 0
    for lengths in ([1, 777, 0, 65_536], [114_688], [13]):
        finder = DropoutFinder(RATE, 1)
        pairs = zip(cut(stem[:, np.newaxis], lengths), cut(faulty[:, np.newaxis], lengths), strict=True)
        for sent, returned in pairs:
            finder.add(sent, returned)
        assert finder.result() == whole


def test_a_result_may_be_asked_for_at_any_time() -> None:
    stem, clean, noise = take("reed", 13, 8.0)
    returned = clean + noise
    finder = DropoutFinder(RATE, 1)
    for start in range(0, len(stem), RATE):
        finder.add(stem[start : start + RATE, np.newaxis], returned[start : start + RATE, np.newaxis])
        finder.result()
    assert finder.result() == find(stem, returned)


def test_what_is_not_a_number_is_refused_and_leaves_nothing() -> None:
    finder = DropoutFinder(RATE, 1)
    good, bad = np.zeros((10, 1)), np.full((10, 1), math.nan)
    for sent, returned in ((good, bad), (bad, good), (good, np.full((10, 1), math.inf))):
        with pytest.raises(UnmeasurableError, match="not finite"):
            finder.add(sent, returned)
    assert finder.result().count == 0


def test_stem_and_return_must_match() -> None:
    finder = DropoutFinder(RATE, 2)
    with pytest.raises(ValueError, match="one length"):
        finder.add(np.zeros((10, 2)), np.zeros((11, 2)))
    with pytest.raises(ValueError, match="shape"):
        finder.add(np.zeros((10, 1)), np.zeros((10, 1)))


@pytest.mark.parametrize("rate", [44_100, 96_000, 192_000])
def test_every_rate_finds_a_tick_and_nothing_else(rate: int) -> None:
    rng = np.random.default_rng(14)
    stem = material.make_stem("bowed", rng, 6 * rate, rate, -6.0)
    returned = stem + 1e-5 * rng.standard_normal(len(stem))
    assert find(stem, returned, rate).count == 0
    returned[4 * rate] += 0.3
    found = find(stem, returned, rate)
    assert [fault.kind for fault in found.faults] == ["tick"]
    assert abs(found.faults[0].start_frame - 4 * rate) <= rate // 1000
