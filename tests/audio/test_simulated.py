"""The simulated rack: what it does to a signal, and what its results do not depend on."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from printq.audio.faults import TakeFaults
from printq.audio.port import Block
from printq.audio.simulated import LAG, SimulatedRack
from printq.errors import RigError
from printq.models.rig import Fault, Rig
from tests.sessions import RIG

Signal = NDArray[np.float64]
FRAMES = 12_000


class Loopback:
    """Plays a signal on each send and keeps what comes back."""

    def __init__(self, played: Signal, returns: int) -> None:
        self.played = played.astype(np.float32)
        self.heard = np.zeros((len(played) + LAG + 70_000, returns))
        self.glitches: list[int] = []
        self.upto = 0

    def fill(self, out: Block, first_frame: int) -> None:
        part = self.played[first_frame : first_frame + len(out)]
        out[: len(part)] = part

    def capture(self, block: Block, first_frame: int, glitch: bool) -> None:
        assert first_frame == self.upto
        self.heard[first_frame : first_frame + len(block)] = block
        self.upto = first_frame + len(block)
        if glitch:
            self.glitches.append(first_frame)


def make_rig(block: int = 0, **simulation: Any) -> Rig:
    interface = {
        **RIG["interface"],
        "block": block,
        "simulation": {"restart_jitter_samples": 0, "noise_dbfs": -400.0, **simulation},
    }
    return Rig.model_validate({**RIG, "interface": interface})


def play(rig: Rig, takes: Sequence[tuple[str, str, int]], played: Signal, restarts: int = 0) -> Loopback:
    """Play on sends 1 to 4 with takes (insert, pass, first frame) announced; returns 1 to 4 are heard."""
    rack = SimulatedRack(rig, restarts)
    client = Loopback(played, 4)
    rack.open(client, [1, 2, 3, 4], [1, 2, 3, 4])
    for insert, name, first in takes:
        rack.dial(insert, {"eq": {"low": 3.0}})
        rack.announce_take(insert, name, 1, 0, first, len(played) - first)
    rack.advance((len(played) + LAG + 8192) / rig.interface.rate)
    rack.close()
    return client


def noise(frames: int, channels: int, seed: int = 0) -> Signal:
    signal = np.random.default_rng(seed).uniform(-0.3, 0.3, (frames, channels))
    return np.asarray(np.rint(signal * 2**23) / 2**23)


def test_a_wire_returns_what_was_sent_one_latency_later() -> None:
    played = noise(FRAMES, 4)
    heard = play(make_rig(latency_samples=187), [("wire", "viola/wire", 0)], played).heard
    assert np.array_equal(heard[187 : 187 + FRAMES, 1], played[:, 1])
    assert not heard[:, 0].any()  # nothing else is plugged in


@pytest.mark.parametrize("fraction", [0.1, 0.25, 0.5, 0.9])
def test_a_fraction_of_the_latency_delays_by_that_fraction(fraction: float) -> None:
    # Band-limited to a quarter of the rate, shifted by a phase ramp: the truth without any filter of ours.
    spectrum = np.fft.rfft(np.random.default_rng(1).standard_normal(FRAMES))
    spectrum[FRAMES // 4 :] = 0.0
    signal = np.fft.irfft(spectrum) * np.hanning(FRAMES)
    played = np.zeros((FRAMES, 4))
    played[:, 1] = 0.3 * signal / np.abs(signal).max()
    heard = play(make_rig(latency_samples=187 + fraction), [("wire", "viola/wire", 0)], played).heard
    ramp = np.exp(-2j * np.pi * np.arange(FRAMES + 1) * fraction / (2 * FRAMES))
    shifted = np.fft.irfft(np.fft.rfft(played[:, 1], 2 * FRAMES) * ramp)[:FRAMES]
    error = heard[187 : 187 + FRAMES, 1] - shifted
    assert np.sqrt(np.mean(error**2)) < 1e-5 * np.sqrt(np.mean(shifted**2)) + 2**-23


@given(block=st.sampled_from([64, 480, 1024, 4096, 8192]), start=st.integers(0, 5000))
@settings(max_examples=12, deadline=None)
def test_what_comes_back_does_not_depend_on_blocks_or_neighbours_or_when_it_began(block: int, start: int) -> None:
    played = np.zeros((20_000, 4))
    played[start : start + FRAMES] = noise(FRAMES, 4, seed=3)
    simulation = {"latency_samples": 187.37, "noise_dbfs": -80.0}
    alone = np.zeros((20_000, 4))
    alone[:FRAMES, 0] = played[start : start + FRAMES, 0]
    reference = play(make_rig(**simulation), [("tone", "viola/tone", 0)], alone).heard[: FRAMES + 187, 0]
    beside = play(
        make_rig(block, **simulation), [("tone", "viola/tone", start), ("bus", "harp/bus", start // 2)], played
    )
    assert np.array_equal(beside.heard[start : start + FRAMES + 187, 0], reference)


def test_noise_has_the_level_asked_for_and_is_drawn_anew_for_every_take() -> None:
    rig = make_rig(noise_dbfs=-80.0, latency_samples=100)
    quiet = np.zeros((FRAMES, 4))
    first = play(rig, [("wire", "viola/wire", 0)], quiet).heard[:FRAMES, 1]
    again = play(rig, [("wire", "viola/wire", 0)], quiet).heard[:FRAMES, 1]
    other = play(rig, [("wire", "cello/wire", 0)], quiet).heard[:FRAMES, 1]
    assert 20 * np.log10(np.std(first)) == pytest.approx(-80.0, abs=0.1)
    assert np.array_equal(first, again)
    assert abs(float(np.corrcoef(first, other)[0, 1])) < 0.05


def test_a_restart_changes_the_latency_by_whole_samples_only() -> None:
    rig = make_rig(latency_samples=187.37, restart_jitter_samples=64)
    latencies = {SimulatedRack(rig, restarts).latency_samples for restarts in range(20)}
    assert len(latencies) > 5
    assert {round(latency % 1.0, 6) for latency in latencies} == {0.37}
    assert SimulatedRack(rig, 3).latency_samples == SimulatedRack(rig, 3).latency_samples


def test_crosstalk_is_off_by_default_and_has_its_level() -> None:
    played = np.zeros((FRAMES, 4))
    played[:, 1] = noise(FRAMES, 1)[:, 0]
    takes = [("wire", "viola/wire", 0), ("tone", "clarinet/tone", 0)]
    assert not play(make_rig(latency_samples=0), takes, played).heard[:FRAMES, 0].any()
    heard = play(make_rig(latency_samples=0, crosstalk_db=-60.0), takes, played).heard
    ratio = np.std(heard[:FRAMES, 0]) / np.std(heard[:FRAMES, 1])
    assert 20 * np.log10(ratio) == pytest.approx(-60.0, abs=0.1)


def test_the_converter_limits_at_full_scale() -> None:
    played = np.full((FRAMES, 4), 1.5)
    heard = play(make_rig(latency_samples=0), [("wire", "viola/wire", 0)], played).heard
    assert heard[:FRAMES, 1].max() == 1.0 - 2.0**-23


def test_reserved_sends_are_refused_at_the_moment_of_opening() -> None:
    rack = SimulatedRack(make_rig())
    with pytest.raises(RigError, match="reserved for monitors"):
        rack.open(Loopback(np.zeros((1, 1)), 1), [8], [1])
    with pytest.raises(RigError, match="no send 99"):
        rack.open(Loopback(np.zeros((1, 1)), 1), [99], [1])


def test_turning_a_knob_changes_the_sound() -> None:
    played = noise(FRAMES, 4)

    def level(low: float) -> float:
        rack = SimulatedRack(make_rig(latency_samples=0))
        client = Loopback(played, 4)
        rack.open(client, [1, 2, 3, 4], [1, 2, 3, 4])
        rack.dial("tone", {"eq": {"low": low}})
        rack.announce_take("tone", "clarinet/tone", 1, 0, 0, FRAMES)
        rack.advance((FRAMES + LAG + 8192) / 48_000)
        spectrum = np.abs(np.fft.rfft(client.heard[:FRAMES, 0]))
        reference = np.abs(np.fft.rfft(played[:, 0]))
        low_bins = slice(4, 12)  # 16 to 48 Hz: well below the shelf's 100 Hz
        return float(20 * np.log10(np.linalg.norm(spectrum[low_bins]) / np.linalg.norm(reference[low_bins])))

    assert level(0.0) == pytest.approx(0.0, abs=1e-3)
    assert level(6.0) == pytest.approx(6.0, abs=0.5)
    assert level(-6.0) == pytest.approx(-6.0, abs=0.5)


@given(
    cuts=st.lists(st.integers(1, 400), min_size=1, max_size=12),
    kind=st.sampled_from(["slip", "repeat"]),
    amount=st.integers(1, 100),
    at=st.integers(150, 900),
)
def test_lost_and_repeated_samples_are_placed_right_however_the_take_is_cut(
    cuts: list[int], kind: str, amount: int, at: int
) -> None:
    rate = 1000
    fault = Fault.model_validate({"kind": kind, "pass": "p/i", "at_s": at / rate, "amount": amount})
    source = np.arange(1.0, sum(cuts) + 1.0)[:, np.newaxis]
    out = np.zeros(len(source) + 200)
    faults = TakeFaults([fault], "p/i", 1, rate, [0])
    first = 0
    for cut in cuts:
        for place, piece in faults.pieces(source[first : first + cut], first):
            out[place : place + len(piece)] += piece[:, 0]
        first += cut
    # Sample by sample, as the module says it: lost ones vanish, repeated ones are heard again `amount` later.
    expected = np.zeros_like(out)
    for frame, sample in enumerate(source[:, 0]):
        if kind == "slip":
            places = [frame] if frame < at else [frame - amount] if frame >= at + amount else []
        else:
            places = [frame] if frame < at else [frame + amount]
            places += [frame + amount] if at - amount <= frame < at else []
        for place in places:
            expected[place] += sample
    assert np.array_equal(out, expected)
