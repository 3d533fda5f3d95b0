"""A take from the simulated rack, measured and judged as a run does it: each fault trips its check, and no other."""

from __future__ import annotations

import tracemalloc
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from printq.audio import simulated
from printq.models.verdict import Check
from printq.spool.session import list_standings
from printq.verify.measure_take import _Activity
from tests.sessions import RATE, SmallSession, make_music, write_wav

Signal = NDArray[np.float64]
SECONDS = 3.0


def make_wide(seconds: float = SECONDS) -> Signal:
    """A stem whose sides differ."""
    return np.concatenate((make_music(seconds, 1, seed=3), make_music(seconds, 1, seed=4)), axis=1)


def print_stem(session: SmallSession, stem: str) -> dict[str, Check]:
    """Print one stem; the checks of its last pass."""
    session.keep_stems(stem)
    session.run()
    return {check.check: check for check in list_standings(session.load())[-1].checks}


def failed(checks: dict[str, Check]) -> list[str]:
    return [name for name, check in checks.items() if check.verdict == "fail" and check.because_of is None]


@pytest.fixture
def rack(tmp_path: Path) -> SmallSession:
    """A session with converter noise and a wide stereo stem, `harp`, through an equaliser with two sides."""
    session = SmallSession(tmp_path, SECONDS)
    session.simulation.update(noise_dbfs=-95.0, latency_samples=187.37)
    write_wav(tmp_path / "dry/harp.wav", make_wide())
    model = {"kind": "parametric-equaliser", "parameters": {"low_db": 4.0, "bell1_db": -3.0}}
    next(unit for unit in session.rig["unit"] if unit["id"] == "pair")["model"] = model
    return session.write()


def test_a_good_take_of_every_insert_passes_all_that_is_judged_here(rack: SmallSession) -> None:
    rack.run()
    for standing in list_standings(rack.load()):
        assert standing.state == "printed"
        warned = [check.check for check in standing.checks if check.verdict != "pass"]
        assert warned == (["bypassed"] if standing.pass_id == "viola/wire" else []), standing.pass_id


@pytest.mark.parametrize("latency", [187.0, 187.37, 187.5])
@pytest.mark.parametrize("noise_dbfs", [-400.0, -105.0, -80.0])
def test_a_wire_is_told_from_a_unit_at_any_delay_and_noise(
    rack: SmallSession, latency: float, noise_dbfs: float
) -> None:
    rack.simulation.update(noise_dbfs=noise_dbfs, latency_samples=latency)
    rack.stem("clarinet")["through"] = [{"insert": "wire", "snapshot": "through"}]
    found = print_stem(rack, "clarinet")["bypassed"]
    assert (found.value, found.verdict) == (1.0, "warn")
    depth, allowed = found.detail["channel_1_depth_db"], found.detail["channel_1_noise_allows_db"]
    assert isinstance(depth, float)
    assert isinstance(allowed, float)
    assert depth < allowed + 1.0


def test_one_side_of_a_unit_that_is_bypassed_is_counted(rack: SmallSession) -> None:
    rack.insert("bus").update(units=[["eq", "cable"]], mode="dual-mono")
    rack.snapshots["snapshot"][3]["settings"] = {"eq": {"low": 3.0}}
    found = print_stem(rack, "harp")["bypassed"]
    assert (found.value, found.verdict) == (1.0, "warn")
    assert "channel_2_depth_db" in found.detail


def test_a_silent_stem_decides_nothing(rack: SmallSession) -> None:
    write_wav(rack.folder / "dry/harp.wav", np.zeros((2 * RATE, 2)))
    checks = print_stem(rack, "harp")
    assert failed(checks) == []
    assert checks["bypassed"].value is None
    assert checks["channels"].verdict == "pass"
    assert checks["polarity"].verdict == "pass"  # the markers know it


def rewire(patch: pytest.MonkeyPatch, cables: Callable[[Signal], Signal]) -> None:
    """Have what comes back on a two-channel insert go through other cables than the rig file says."""
    push = simulated._Lane.push

    def pushed(lane: Any, sent: Signal, first: int) -> list[tuple[int, Signal]]:
        return [(at, cables(heard) if heard.shape[1] == 2 else heard) for at, heard in push(lane, sent, first)]

    patch.setattr(simulated._Lane, "push", pushed)


@pytest.mark.parametrize("mode", ["stereo", "dual-mono", "mid-side"])
def test_crossed_returns_are_found_and_hold_the_pass(
    rack: SmallSession, monkeypatch: pytest.MonkeyPatch, mode: str
) -> None:
    rewire(monkeypatch, lambda heard: heard[:, ::-1])
    rack.insert("bus")["mode"] = mode
    checks = print_stem(rack, "harp")
    assert failed(checks) == ["channels"]
    assert "changed places" in (checks["channels"].cause or "")
    assert ("middle" in (checks["channels"].cause or "")) == (mode == "mid-side")


def test_one_cable_into_both_returns_is_found(rack: SmallSession, monkeypatch: pytest.MonkeyPatch) -> None:
    rewire(monkeypatch, lambda heard: heard[:, [0, 0]])
    checks = print_stem(rack, "harp")
    assert failed(checks) == ["channels"]
    assert checks["channels"].detail["return_correlation"] == pytest.approx(1.0, abs=0.001)
    assert "both returns carry the same" in (checks["channels"].cause or "")


def test_a_mono_stem_on_both_sides_may_come_back_the_same(rack: SmallSession) -> None:
    write_wav(rack.folder / "dry/harp.wav", np.repeat(make_music(SECONDS, 1), 2, axis=1))
    assert failed(print_stem(rack, "harp")) == []


def test_a_cable_wired_the_other_way_round_is_found_behind_an_equaliser(rack: SmallSession) -> None:
    rack.simulation["fault"] = [{"kind": "inverted", "pass": "harp/bus"}]
    checks = print_stem(rack, "harp")
    assert failed(checks) == ["polarity"]
    assert checks["polarity"].value == 2.0
    assert checks["polarity"].detail["channel_1_inverted_share"] == pytest.approx(1.0, abs=0.05)


CLIP: dict[str, Any] = {"kind": "clip", "pass": "clarinet/tone"}


@pytest.mark.parametrize("amount", [0.3, 0.6])
def test_a_hard_limit_below_full_scale_is_found_with_its_level(rack: SmallSession, amount: float) -> None:
    # The fault raises by 12 dB first.
    time = np.arange(4 * RATE) / RATE
    sizes = np.repeat(np.random.default_rng(3).uniform(0.05, 0.3, 16), RATE // 4)
    write_wav(rack.folder / "dry/clarinet.wav", (sizes * np.sin(2.0 * np.pi * 311.0 * time))[:, np.newaxis])
    rack.simulation["fault"] = [CLIP | {"amount": amount}]
    found = print_stem(rack, "clarinet")["clip"]
    assert found.verdict == "fail"
    assert found.detail["full_scale_runs"] == 0
    assert found.detail["ceiling_dbfs"] == pytest.approx(20.0 * np.log10(amount), abs=0.15)
    assert "below full scale" in (found.cause or "")


def test_full_scale_is_found_as_before(rack: SmallSession) -> None:
    rack.simulation["fault"] = [CLIP]
    found = print_stem(rack, "clarinet")["clip"]
    assert found.verdict == "fail"
    assert isinstance(found.detail["full_scale_runs"], float)
    assert found.detail["full_scale_runs"] > 0


def test_a_take_that_is_too_short_is_measured_as_far_as_it_goes(rack: SmallSession) -> None:
    rack.simulation["fault"] = [{"kind": "slip", "pass": "clarinet/tone", "at_s": 1.0, "amount": 4000}]
    rack.job["options"]["retries"] = 0
    checks = print_stem(rack, "clarinet")
    assert "slip" in failed(checks)


# ---- Activity ----


def test_the_return_is_weighed_where_the_stem_plays() -> None:
    # Half a second of tone at -20 dBFS RMS, half a second of rest in which only noise of -60 comes back.
    tone = np.sqrt(2.0) * 0.1 * np.sin(2.0 * np.pi * 1000.0 * np.arange(RATE // 2) / RATE)
    sent = np.concatenate((tone, np.zeros(RATE // 2)))[:, np.newaxis]
    activity = _Activity(RATE, 1)
    for start in range(0, len(sent), 7001):
        activity.add(sent[start : start + 7001], 0.5 * sent[start : start + 7001])
    (found,) = activity.above_noise_db([1e-6])
    assert found == pytest.approx(-26.02 + 60.0, abs=0.01)  # half of 0.1 over 0.001
    assert activity.above_noise_db([1e-6]) == (found,)  # asking changes nothing


def test_a_side_that_never_plays_is_none() -> None:
    activity = _Activity(RATE, 2)
    activity.add(np.zeros((RATE, 2)), np.ones((RATE, 2)))
    assert activity.above_noise_db([1e-6, 1e-6]) == (None, None)


def test_activity_of_hours_takes_no_more_memory_than_that_of_seconds() -> None:
    block = np.random.default_rng(1).standard_normal((RATE, 2))
    activity = _Activity(RATE, 2)
    activity.add(block, block)
    tracemalloc.start()
    try:
        for n in range(200):
            activity.add(block * (1.0 + 0.01 * n), block)
        grown, _ = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert grown < 100_000
