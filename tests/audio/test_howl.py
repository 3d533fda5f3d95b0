"""The howl guard: what is a howl, what is music that has just ended, and how long it takes."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from printq.audio.howl import HowlGuard
from printq.run import PassEngine

RATE = 48_000
ONE = [([0], [0])]


def watch(
    sent: np.ndarray, heard: np.ndarray, block: int = 1024, paths: list | None = None
) -> tuple[int | None, HowlGuard]:
    """Frame by which a howl is known, as a port calls: what was heard, then what is played next."""
    guard = HowlGuard(RATE, paths or ONE)
    sent, heard = np.atleast_2d(sent.T).T.astype(np.float32), np.atleast_2d(heard.T).T.astype(np.float32)
    for first in range(0, len(heard), block):
        guard.heard(heard[first : first + block], first)
        if guard.howling:
            return first + len(heard[first : first + block]), guard
        guard.sent(sent[first : first + block], first)
    return None, guard


def tone(seconds: float, peak: float, hz: float = 997.0) -> np.ndarray:
    return peak * np.sin(2 * np.pi * hz * np.arange(round(seconds * RATE)) / RATE)


def silence(seconds: float) -> np.ndarray:
    return np.zeros(round(seconds * RATE))


@pytest.mark.parametrize("hz", [20.0, 50.0, 997.0, 12_000.0])
@pytest.mark.parametrize("block", [64, 1024, 4096])
def test_a_full_scale_tone_behind_a_silent_send_is_a_howl_within_a_tenth_of_a_second_and_a_block(
    hz: float, block: int
) -> None:
    heard = np.concatenate((silence(1.0), tone(1.0, 1.0, hz)))
    known, _ = watch(np.zeros(len(heard)), heard, block)
    assert known is not None
    # -6 dBFS RMS in both halves of the 100 ms: over half of the second half, in steps of 10 ms, and then a whole block.
    assert RATE + 0.05 * RATE < known <= RATE + 0.11 * RATE + block


@pytest.mark.parametrize(("rms_dbfs", "howls"), [(-5.9, True), (-6.1, False)])
def test_the_limit_is_6_db_below_full_scale_rms(rms_dbfs: float, howls: bool) -> None:
    # A sine's RMS is its peak less 3.01 dB.
    heard = np.concatenate((silence(1.0), tone(2.0, 10 ** ((rms_dbfs + 3.0103) / 20))))
    assert (watch(np.zeros(len(heard)), heard)[0] is not None) is howls


@pytest.mark.parametrize(("send_dbfs", "howls"), [(-40.5, True), (-39.5, False)])
def test_a_send_under_minus_40_counts_as_silent(send_dbfs: float, howls: bool) -> None:
    heard = np.concatenate((silence(1.0), tone(2.0, 1.0)))
    sent = tone(3.0, 10 ** (send_dbfs / 20))
    assert (watch(sent, heard)[0] is not None) is howls


@pytest.mark.parametrize("latency_s", [0.01, 0.2, 0.5])
def test_music_is_no_howl_however_loud_nor_while_it_is_still_on_its_way(latency_s: float) -> None:
    music = np.clip(tone(3.0, 4.0, 80.0), -1.0, 1.0)  # a square wave, nearly: 0 dBFS RMS
    sent = np.concatenate((silence(1.0), music, silence(2.0)))
    heard = np.concatenate((silence(1.0 + latency_s), music, silence(2.0 - latency_s)))
    assert watch(sent, heard)[0] is None


def test_a_loud_echo_and_a_long_tail_are_no_howl() -> None:
    # Each echo of a tape machine at 0.4 s is 30 ms at full scale, long after the send has fallen silent; a reverb at
    # full scale dies by 60 dB in 2 s, and is under -6 dBFS RMS before 0.5 s have passed.
    hit = tone(0.03, 1.0, 200.0)
    echoes = np.zeros(5 * RATE)
    for number in range(1, 10):
        start = RATE + round(0.4 * number * RATE)
        echoes[start : start + len(hit)] += hit
    sent = np.zeros(5 * RATE)
    sent[RATE : RATE + len(hit)] = hit
    assert watch(sent, echoes)[0] is None
    rng = np.random.default_rng(5)
    times = np.arange(4 * RATE) / RATE
    tail = np.clip(0.7 * rng.standard_normal(len(times)), -1, 1) * 10 ** (-30 * times / 20)
    sent = np.concatenate((tone(1.0, 1.0), silence(4.0)))
    assert watch(sent, np.concatenate((tone(1.0, 0.9), tail)))[0] is None


def test_noise_hum_and_a_constant_offset_are_no_howl() -> None:
    rng = np.random.default_rng(3)
    heard = 0.1 * rng.standard_normal(3 * RATE) + tone(3.0, 0.2, 50.0)
    assert watch(np.zeros(len(heard)), heard)[0] is None
    assert watch(np.zeros(3 * RATE), np.full(3 * RATE, 0.9))[0] is None


@pytest.mark.parametrize("value", [np.nan, np.inf])
def test_samples_that_are_no_numbers_are_no_howl_and_do_not_blind_it(value: float) -> None:
    heard = np.concatenate((silence(1.0), tone(2.0, 1.0)))
    broken = np.zeros(len(heard))
    broken[:1000] = value
    assert watch(np.zeros(len(heard)), broken)[0] is None
    assert watch(np.zeros(len(heard)), heard + np.where(np.isnan(broken) | np.isinf(broken), value, 0.0))[0] is not None


def test_only_the_path_that_howls_is_named_and_each_of_its_returns_counts() -> None:
    heard = np.zeros((2 * RATE, 3))
    heard[RATE:, 2] = tone(1.0, 1.0)
    known, guard = watch(np.zeros((2 * RATE, 3)), heard, paths=[([0], [0]), ([1, 2], [1, 2])])
    assert known is not None
    assert guard.howling == (1,)


def test_one_loud_send_of_a_pair_is_enough_to_explain_its_returns() -> None:
    sent = np.zeros((3 * RATE, 2))
    sent[:, 1] = tone(3.0, 0.5)
    heard = np.stack([tone(3.0, 1.0)] * 2, axis=1)
    assert watch(sent, heard, paths=[([0, 1], [0, 1])])[0] is None


@settings(deadline=None, max_examples=30)
@given(cuts=st.lists(st.integers(20, 3000), min_size=1, max_size=12))
def test_the_blocks_decide_only_when_it_is_seen(cuts: list[int]) -> None:
    # Known at the end of the block in which it is certain; in single frames that is the end of a hop of 10 ms.
    rng = np.random.default_rng(1)
    heard = np.concatenate((silence(0.8), np.clip(rng.standard_normal(RATE // 2), -1, 1)))[:, np.newaxis]
    exact, _ = watch(np.zeros(len(heard)), heard, 480)
    assert exact is not None
    guard = HowlGuard(RATE, ONE)
    first = 0
    while not guard.howling:
        for cut in cuts:
            block = heard[first : first + cut].astype(np.float32)
            before = first
            guard.heard(block, first)
            guard.sent(np.zeros_like(block), first)
            first += len(block)
            if guard.howling:
                break
    assert before < exact <= first


def play(engine: PassEngine, heard: np.ndarray, block: int, level: float) -> np.ndarray:
    """What leaves the engine's sends, with something on all of them at this level."""
    played = []
    for first in range(0, len(heard), block):
        part = heard[first : first + block]
        engine.capture(part, first, False)
        out = np.full((len(part), len(engine.sends)), level, dtype=np.float32)
        engine.fill(out, first)
        played.append(out)
    return np.concatenate(played)


@pytest.mark.parametrize("block", [64, 1024, 4096])
def test_the_engine_ramps_the_sends_of_that_path_to_zero_within_5_ms_and_keeps_them_there(block: int) -> None:
    engine = PassEngine(RATE, [1, 2, 5], [3, 4, 8], {"opto": ([1], [3]), "bus": ([2, 5], [4, 8])})
    heard = np.zeros((2 * RATE, 3), dtype=np.float32)
    heard[RATE:, 2] = tone(1.0, 1.0)
    heard[RATE + RATE // 2 :] = 0.0  # it ends; the sends stay silent
    played = play(engine, heard, block, 0.005)
    assert engine.howling == "bus"
    assert (played[:, 0] == np.float32(0.005)).all()
    for send in (1, 2):
        silent = int(np.flatnonzero(played[:, send])[-1]) + 1
        assert not played[silent:, send].any()
        assert silent - RATE <= 0.11 * RATE + block + 0.005 * RATE
        # A ramp over 240 frames, and no step.
        assert np.abs(np.diff(played[:, send])).max() <= 1.01 * 0.005 / 239


def test_an_engine_without_paths_mutes_nothing() -> None:
    engine = PassEngine(RATE, [1], [1])
    heard = np.ones((RATE, 1), dtype=np.float32) * tone(1.0, 1.0)[:, np.newaxis].astype(np.float32)
    assert (play(engine, heard, 1024, 0.005) == np.float32(0.005)).all()
    assert engine.howling is None
