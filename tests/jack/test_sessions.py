"""Whole sessions over JACK: in real time, on a driver that glitches, through a rack that shares nothing with us."""

from __future__ import annotations

import json
import math
import os
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from printq.audio.hardware import HardwarePort
from printq.errors import ExitStatus, RigError
from printq.intake import load_job
from printq.models.standing import Standing
from printq.spool.line_check import check_lines
from printq.spool.operator import AssumingOperator
from printq.spool.session import run_session
from tests.jack.conftest import Bed
from tests.jack.rack import LaneSettings
from tests.jack.sessions import JackSession
from tests.sessions import Recording, read_audio
from tests.spool.test_pace import Clock, Person

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


def test_a_server_that_stands_still_costs_takes_but_never_a_sample(
    tmp_path: Path, make_bed: Callable[..., Bed]
) -> None:
    server, _ = make_bed([LaneSettings(delay=100 * n) for n in range(4)])
    session = JackSession(tmp_path, 4)
    stops = [1.0, 2.2]

    class Suspending(Recording):
        def show(self, rolling: list, left: int, left_s: float) -> None:  # type: ignore[type-arg]
            if rolling and stops and time.monotonic() - begun > stops[0]:
                stops.pop(0)
                server.suspend()
                time.sleep(0.3)
                server.resume()

    begun = time.monotonic()
    listener = Suspending()
    report = session.run(listener)
    assert report.exit_status is ExitStatus.DONE
    assert not stops
    assert any(kind == "again" for kind, _, _ in listener.told)
    for n in range(1, 5):
        dry = read_audio(tmp_path / f"dry/stem-{n}.wav")
        assert np.array_equal(read_audio(tmp_path / f"dry/stem-{n}.lane-{n}.v1.wav")[: len(dry)], dry), n


def test_a_late_set_up_and_a_held_take_revise_the_plan_in_real_time(
    tmp_path: Path, make_bed: Callable[..., Bed]
) -> None:
    """The hands are 100 s late by a clock that is put forward; what is in the air goes on."""
    make_bed([LaneSettings(), LaneSettings(inverted=True)], period=4096)
    session = JackSession(tmp_path, 2, block=4096)
    session.rig["unit"][0]["control"] = [{"id": "drive", "kind": "knob", "range": [0, 10], "dial_s": 6}]
    session.snapshots["snapshot"][0]["settings"] = {"unit-1": {"drive": 3.0}}
    session.write()
    forward = Clock()
    clock = lambda: time.monotonic() + forward.now  # noqa: E731
    person, listener = Person(forward, lambda question: 106.0), Recording()
    job = load_job(session.folder)
    report = run_session(job, lambda _: HardwarePort(job.rig.interface), person, listener, clock=clock)
    assert [standing.state for standing in report.standings] == ["printed", "held"]
    (line,) = [text for kind, _, text in listener.told if kind == "plan"]
    assert line.endswith(", 2 min later than said before")


def test_a_run_that_is_a_minute_behind_is_planned_again_when_a_pass_begins(
    tmp_path: Path, make_bed: Callable[..., Bed]
) -> None:
    make_bed([LaneSettings()], period=4096)
    session = JackSession(tmp_path, 1, seconds=1.0, block=4096)
    session.job["stem"] += [{**session.job["stem"][0], "id": f"again-{n}"} for n in range(2)]
    session.write()
    forward = Clock()

    class Slow(Recording):
        def tell(self, kind: str, pass_id: str | None, text: str) -> None:
            super().tell(kind, pass_id, text)
            if [kind for kind, _, _ in self.told].count("printed") == 1 and kind == "printed":
                forward.now += 100.0

    listener = Slow()
    job = load_job(session.folder)
    report = run_session(
        job,
        lambda _: HardwarePort(job.rig.interface),
        AssumingOperator(),
        listener,
        clock=lambda: time.monotonic() + forward.now,
    )
    assert report.exit_status is ExitStatus.DONE
    (line,) = [text for kind, _, text in listener.told if kind == "plan"]
    assert line.endswith(", 2 min later than said before")


def test_a_server_that_dies_is_a_sentence_and_the_next_run_goes_on(
    tmp_path: Path, make_server_and_rack: Callable[..., Bed]
) -> None:
    session = JackSession(tmp_path, 2, seconds=3.0)
    words = [sys.executable, "-m", "printq", "run", str(tmp_path), "--yes", "--json"]
    server, _ = make_server_and_rack([LaneSettings(), LaneSettings()])
    program = subprocess.Popen(
        words, env={**os.environ, "JACK_DEFAULT_SERVER": server.name}, stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )
    takes = tmp_path / ".printq/takes"
    end = time.monotonic() + 20.0
    while not list(takes.glob("*.wav")) and time.monotonic() < end:
        time.sleep(0.1)
    time.sleep(0.5)
    server.kill()
    out, err = program.communicate(timeout=30)
    assert program.returncode == ExitStatus.RIG, err.decode()
    assert b"Traceback" not in err
    assert {each["state"] for each in json.loads(out)["passes"]} == {"queued"}
    assert [path.name for path in (tmp_path / "dry").iterdir() if ".v" in path.name] == []
    server, _ = make_server_and_rack([LaneSettings(), LaneSettings()])
    done = subprocess.run(
        words, env={**os.environ, "JACK_DEFAULT_SERVER": server.name}, capture_output=True, timeout=60, check=False
    )
    assert done.returncode == ExitStatus.DONE, done.stderr.decode()
    for n in (1, 2):
        dry = read_audio(tmp_path / f"dry/stem-{n}.wav")
        assert np.array_equal(read_audio(tmp_path / f"dry/stem-{n}.lane-{n}.v1.wav")[: len(dry)], dry)
    assert session.lanes == 2


def test_the_wiring_is_proved_before_a_session(tmp_path: Path, make_bed: Callable[..., Bed]) -> None:
    lanes = [LaneSettings(delay=200.0, gain=0.7), LaneSettings(to=2), LaneSettings(to=1), LaneSettings(inverted=True)]
    make_bed([*lanes, LaneSettings(dead=True)], period=4096)
    session = JackSession(tmp_path, 5, seconds=0.5, block=4096)
    job = load_job(session.folder)
    found = check_lines(job.rig, lambda _: HardwarePort(job.rig.interface), lambda _: None)
    faults = {line.insert: [problem.fault for problem in line.problems] for line in found.inserts}
    assert faults == {
        "lane-1": [],
        "lane-2": ["crossed"],
        "lane-3": ["crossed"],
        "lane-4": ["inverted"],
        "lane-5": ["dead"],
    }
    assert found.inserts[0].gain_db == pytest.approx(20 * math.log10(0.7), abs=0.05)


@pytest.mark.parametrize("what", ["run", "line-check"])
def test_a_howl_ends_what_is_going_on_with_the_name_of_the_insert(
    tmp_path: Path, make_bed: Callable[..., Bed], what: str
) -> None:
    make_bed([LaneSettings(feedback=1.5), LaneSettings()], period=2048)
    session = JackSession(tmp_path, 2, block=2048)
    session.job["options"]["gap_s"] = 1.0
    session.write()
    if what == "line-check":
        job = load_job(session.folder)
        with pytest.raises(RigError, match="lane-1 howls"):
            check_lines(job.rig, lambda _: HardwarePort(job.rig.interface), lambda _: None)
        return
    report = session.run()
    assert report.exit_status is ExitStatus.RIG
    assert "lane-1 howls" in (report.stopped or "")
    assert not list((tmp_path / "dry").glob("stem-1.lane-1.*"))
