"""Whole sessions over JACK: in real time, on a driver that glitches, through a rack that shares nothing with us."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from printq.errors import ExitStatus
from printq.models.standing import Standing
from tests.jack.conftest import Bed
from tests.jack.rack import LaneSettings
from tests.jack.sessions import JackSession
from tests.sessions import Recording, read_audio

pytestmark = pytest.mark.slow


def failed(standing: Standing) -> list[str]:
    return [check.check for check in standing.checks if check.verdict == "fail" and check.because_of is None]


def test_eight_wires_at_once_print_what_was_sent_bit_for_bit(tmp_path: Path, make_bed: Callable[..., Bed]) -> None:
    make_bed([LaneSettings(delay=100 * n) for n in range(8)])
    session = JackSession(tmp_path, 8)
    seen: list[int] = []

    class Counting(Recording):
        def show(self, rolling: list, left: int, left_s: float) -> None:  # type: ignore[type-arg]
            seen.append(len(rolling))

    report = session.run(Counting())
    assert report.exit_status is ExitStatus.DONE
    assert max(seen) == 8
    for n in range(1, 9):
        dry = read_audio(tmp_path / f"dry/stem-{n}.wav")
        printed = read_audio(tmp_path / f"dry/stem-{n}.lane-{n}.v1.wav")
        assert np.array_equal(printed[: len(dry)], dry), n
        assert not printed[len(dry) :].any(), n


def test_delay_gain_and_polarity_of_each_lane_are_measured(tmp_path: Path, make_bed: Callable[..., Bed]) -> None:
    lanes = [
        LaneSettings(delay=311.37, gain=0.8, noise=1e-5),
        LaneSettings(delay=1500.5, gain=1.3, noise=1e-4),
        LaneSettings(delay=64.0, gain=0.5, inverted=True, noise=1e-5),
    ]
    make_bed([LaneSettings(), *lanes])
    session = JackSession(tmp_path, 4)
    session.rig["insert"][3]["inverts"] = True
    assert session.write().run().exit_status is ExitStatus.DONE
    timings = [json.loads((tmp_path / f"dry/stem-{n}.lane-{n}.v1.json").read_text())["timing"] for n in range(1, 5)]
    # The wire has the latency of server and driver alone; whole blocks, and the same for every lane.
    loop = timings[0]["delay_samples"]
    assert loop == pytest.approx(round(loop), abs=0.001)
    for lane, timing in zip(lanes, timings[1:], strict=True):
        assert timing["delay_samples"] - loop == pytest.approx(lane.delay, abs=0.02)
        assert timing["gain_db"][0] == pytest.approx(20 * math.log10(lane.gain), abs=0.05)
        assert timing["polarity"] == [-1 if lane.inverted else 1]


HUM = 10 ** (-45 / 20) * math.sqrt(2.0)
FAULTS = {
    "dead": (LaneSettings(dead=True), "silent", {}),
    # On a third return, which is none of the session's.
    "crossed": (LaneSettings(to=2), "silent", {}),
    "inverted": (LaneSettings(inverted=True), "polarity", {}),
    "noisy": (LaneSettings(noise=10 ** (-45 / 20)), "noise", {}),
    "humming at 50 Hz": (LaneSettings(hum=HUM, hum_hz=50.0), "hum", {}),
    "humming at 60 Hz": (LaneSettings(hum=HUM, hum_hz=60.0), "hum", {"mains_hz": 60}),
    "clipping": (LaneSettings(gain=4.0, clip=0.5), "clip", {}),
    "cut for 40 ms": (LaneSettings(cut_at_s=1.5), "dropout", {}),
    "a block dropped": (LaneSettings(delay=8192, drop_at_s=1.5), "slip", {}),
    "a block repeated": (LaneSettings(repeat_at_s=1.5), "slip", {}),
}


@pytest.mark.parametrize("name", FAULTS)
def test_a_faulty_lane_is_held_for_what_is_wrong_with_it_and_the_other_is_printed(
    tmp_path: Path, make_bed: Callable[..., Bed], name: str
) -> None:
    lane, check, interface = FAULTS[name]
    # Long blocks: a glitch would use up a fault that comes once.
    make_bed([LaneSettings(), lane, LaneSettings(dead=True)], period=4096)
    session = JackSession(tmp_path, 2, block=4096)
    session.rig["interface"].update(interface)
    session.job["options"]["retries"] = 0
    report = session.write().run()
    good, bad = report.standings
    assert good.state == "printed"
    assert bad.state == "held"
    assert failed(bad) == [check]
    assert report.exit_status is ExitStatus.HELD
