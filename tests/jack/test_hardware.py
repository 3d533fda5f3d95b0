"""A real stream through a real server: bits, blocks, glitches, and a driver that goes away.

The server keeps real time on whatever machine this is, so a run may glitch by itself. What has to come back bit for bit
runs without a clock ("freewheel") once it is in the air, and is taken again if it glitched before, as the queue does.
Its stamps mean nothing then, so nobody looks at them; lost blocks would show in the samples.
"""

from __future__ import annotations

import ctypes
import json
import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from printq.audio import hardware
from printq.audio.hardware import GapWatch, HardwarePort, RateWatch
from printq.errors import RigError
from printq.run import Ending, PassEngine
from tests.jack.conftest import Bed
from tests.jack.rack import LaneSettings, Rack
from tests.jack.takes import RATE, WireTake, find_shift, make_interface, open_wires, roll
from tests.sessions import read_audio

MakeBed = Callable[..., Bed]
ATTEMPTS = 5


def play_wires(
    folder: Path, rack: Rack, lanes: int, block: int = 0, *, freewheel: bool = True
) -> list[tuple[np.ndarray, np.ndarray]]:
    """What was sent and heard on so many lanes at once, in a run without a glitch."""
    channels = list(range(1, lanes + 1))
    for attempt in range(ATTEMPTS):
        port, engine = open_wires(make_interface(lanes, block=block), channels)
        try:
            place = folder / str(attempt)
            place.mkdir()
            # Shorter than the buffers, so that the disk does not have to keep up.
            takes = [WireTake(place, lane) for lane in range(lanes)]
            endings = roll(port, engine, takes, rack.freewheel if freewheel else rack.report)
        finally:
            if freewheel:
                rack.freewheel(False)
            port.close()
        if set(endings.values()) == {Ending.COMPLETE}:
            return [(take.sent(), read_audio(take.path)[:, 0].astype(np.float32)) for take in takes]
        assert set(endings.values()) <= {Ending.COMPLETE, Ending.GLITCH}
    pytest.fail(f"{ATTEMPTS} runs glitched, one after the other")


def assert_equal_but_later(sent: np.ndarray, heard: np.ndarray) -> int:
    """Sample for sample; returns by how many frames."""
    shift = find_shift(sent, heard)
    assert 0 < shift < RATE // 4
    assert len(heard) == len(sent)
    assert np.array_equal(heard[shift:], sent[:-shift])
    assert not heard[:shift].any()
    return shift


@pytest.fixture
def without_clock(monkeypatch: pytest.MonkeyPatch) -> None:
    """Stamps are ignored."""
    monkeypatch.setattr(GapWatch, "lost", lambda self, frames, now: False)


@pytest.mark.slow
@pytest.mark.usefixtures("without_clock")
@pytest.mark.parametrize("integers", [False, True], ids=["floats", "integers"])
def test_eight_takes_at_once_come_back_bit_for_bit_and_together(
    make_bed: MakeBed, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, integers: bool
) -> None:
    # The stems have 24 bits; the markers are floats, so as integers they come back rounded to 24 bits.
    if integers:
        monkeypatch.setattr(hardware, "INTEGER_HOSTS", ("JACK",))
    _, rack = make_bed([LaneSettings()] * 8, period=2048)
    shifts = set()
    for sent, heard in play_wires(tmp_path, rack, 8):
        if integers:
            sent = (np.rint(sent.astype(np.float64) * 2**23) / 2**23).astype(np.float32)
        shifts.add(assert_equal_but_later(sent, heard))
    assert len(shifts) == 1


@pytest.mark.slow
@pytest.mark.usefixtures("without_clock")
@pytest.mark.parametrize(
    ("period", "block"), [(256, 0), (512, 0), (4096, 0), (512, 1000), (1024, 8192)], ids=lambda value: str(value)
)
def test_blocks_of_any_size_are_wires(make_bed: MakeBed, tmp_path: Path, period: int, block: int) -> None:
    _, rack = make_bed([LaneSettings()] * 2, period=period)
    for sent, heard in play_wires(tmp_path, rack, 2, block):
        shift = assert_equal_but_later(sent, heard)
        # A period passes between our output and our input; a block of another size than the driver's costs buffers.
        assert shift == period if block == 0 else shift >= period


@pytest.mark.slow
def test_in_real_time_it_is_a_wire_too_and_a_calm_clock_shows_no_gap(make_bed: MakeBed, tmp_path: Path) -> None:
    _, rack = make_bed([LaneSettings()] * 2, period=4096)
    for sent, heard in play_wires(tmp_path, rack, 2, freewheel=False):
        assert_equal_but_later(sent, heard)


def test_columns_follow_the_channels_asked_for(make_bed: MakeBed) -> None:
    make_bed([LaneSettings()] * 4)
    client = Tones([0.25, 0.5])
    port = HardwarePort(make_interface(4))
    port.open(client, [4, 2], [2, 3, 4])
    port.advance(0.5)
    heard = client.heard.tolist()
    port.close()
    assert heard == [0.5, 0.0, 0.25]


@pytest.mark.slow
def test_a_server_that_stands_still_for_a_moment_fails_every_take_in_the_air(make_bed: MakeBed, tmp_path: Path) -> None:
    server, _ = make_bed([LaneSettings()] * 3)
    port, engine = open_wires(make_interface(3), [1, 2, 3])
    takes = [WireTake(tmp_path, lane, 1.5) for lane in range(3)]

    def suspend() -> None:
        server.suspend()
        time.sleep(0.3)
        server.resume()

    timer = threading.Timer(0.8, suspend)
    try:
        endings = roll(port, engine, takes, timer.start)
    finally:
        timer.join()
        port.close()
    assert list(endings.values()) == [Ending.GLITCH] * 3
    # Readable, as far as they came.
    assert all(len(read_audio(take.path)) >= 9600 for take in takes)


@pytest.mark.slow
def test_a_starved_program_glitches_and_the_clock_alone_shows_it(
    make_bed: MakeBed, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # The flags are hidden from the callback, so that only the driver's clock can say it.
    monkeypatch.setattr("sounddevice.CallbackFlags.__bool__", lambda self: False)
    make_bed([LaneSettings()] * 2)
    port, engine = open_wires(make_interface(2), [1, 2])
    takes = [WireTake(tmp_path, lane, 1.5) for lane in range(2)]
    # A call into C that keeps the interpreter to itself for 0.15 s: seven blocks.
    timer = threading.Timer(0.8, lambda: ctypes.PyDLL(None).usleep(150_000))
    try:
        endings = roll(port, engine, takes, timer.start)
    finally:
        timer.join()
        port.close()
    assert list(endings.values()) == [Ending.GLITCH] * 2


def test_reserved_sends_hear_nothing_while_their_neighbours_play(make_bed: MakeBed) -> None:
    _, rack = make_bed([LaneSettings()] * 4)
    port = HardwarePort(make_interface(4, reserved=[2, 3]))
    port.open(Tones([0.5, 0.5]), [1, 4], [1, 4])
    port.advance(0.5)
    port.close()
    assert [lane.peak for lane in rack.report().lanes] == [0.5, 0.0, 0.0, 0.5]


def test_a_reserved_send_is_refused_and_in_the_callback_it_would_be_silent_even_so(jack_is_here: None) -> None:
    with pytest.raises(RigError, match=r"\[2\] are reserved"):
        HardwarePort(make_interface(4, reserved=[2, 3])).open(Tones([0.5]), [2], [1])
    callback = hardware._Callback(Tones([0.5, 0.5]), RATE, sends=[0, 1], returns=[0], forbidden=[1])
    played = np.ones((64, 2), dtype=np.float32)
    callback(np.zeros((64, 1), dtype=np.float32), played, 64, Times(1.0), False)
    assert callback.error is None
    assert (played == [0.5, 0.0]).all()


def test_closing_fades_out_what_plays_and_leaves_the_interpreter_as_it_was(make_bed: MakeBed) -> None:
    before = sys.getswitchinterval()
    for _ in range(ATTEMPTS):
        _, rack = make_bed(period=2048)
        port = HardwarePort(make_interface())
        port.open(Tones([0.5], rise=RATE // 4), [1], [1])
        port.advance(0.6)
        port.close()
        port.close()
        report = rack.report()
        if not report.xruns:
            break  # a machine that was too busy would have cut it off by itself
    lane = report.lanes[0]
    assert sys.getswitchinterval() == before
    assert lane.peak == 0.5
    # Half of full scale in 10 ms: 0.5 / 480 a frame; cutting it off would be a step of 0.5.
    assert lane.largest_step < 1.1 * 0.5 / 480


@pytest.mark.parametrize(
    ("device", "message"),
    [
        ("rac", r"fits 2 interfaces.*rack \(JACK.*1 in, 1 out\).*rack-b \(JACK.*2 in, 2 out\)"),
        ("console", r"there is no device 'console'.*system.*rack"),
        ("99", r"there is no device '99'"),
    ],
    ids=["ambiguous", "missing", "no such index"],
)
def test_a_device_that_is_not_clear_is_refused_with_a_list_of_what_there_is(
    make_bed: MakeBed, device: str, message: str
) -> None:
    make_bed(more_racks={"rack-b": 2})
    with pytest.raises(RigError, match=message):
        HardwarePort(make_interface(device=device)).open(Tones([0.0]), [1], [1])


def test_a_whole_name_or_an_index_is_clear_although_another_name_begins_with_it(make_bed: MakeBed) -> None:
    make_bed(more_racks={"rack-b": 2})
    assert HardwarePort(make_interface(device="rack")).facts.device == "rack (JACK Audio Connection Kit)"
    assert HardwarePort(make_interface(device="RACK-B")).facts.device.startswith("rack-b")
    assert HardwarePort(make_interface(device="0")).facts.device.startswith("system")


def test_another_rate_is_refused_before_anything_sounds(make_bed: MakeBed) -> None:
    make_bed(rate=44_100)
    with pytest.raises(RigError, match=r"does not run at 48000 Hz"):
        HardwarePort(make_interface()).open(Tones([0.5]), [1], [1])


@pytest.mark.parametrize(
    ("sends", "returns", "message"),
    [([5], [1], "has 2 sends, and the rig file uses send 5"), ([1], [3], "has 2 returns.*uses return 3")],
    ids=["sends", "returns"],
)
def test_channels_that_the_interface_does_not_have_are_refused(
    make_bed: MakeBed, sends: list[int], returns: list[int], message: str
) -> None:
    make_bed([LaneSettings()] * 2)
    with pytest.raises(RigError, match=message):
        HardwarePort(make_interface(8)).open(Tones([0.5]), sends, returns)


def test_what_goes_wrong_in_the_callback_is_silent_there_and_raised_by_advance(make_bed: MakeBed) -> None:
    _, rack = make_bed()
    port = HardwarePort(make_interface())
    port.open(Tones([0.5], fail_at=RATE // 10), [1], [1])
    with pytest.raises(RigError, match=r"failed inside printq.*out of order"):
        port.advance(1.0)
    time.sleep(0.2)
    report = rack.report()
    port.close()
    assert report.lanes[0].last_sound is not None
    assert report.frames - report.lanes[0].last_sound > RATE // 10


SCRIPT = """
import json, sys, time
from pathlib import Path
from printq.errors import RigError
from tests.jack.takes import WireTake, launch, make_interface, open_wires
from printq.run.service import ServiceThread

port, engine = open_wires(make_interface(2), [1, 2])
takes = [WireTake(Path(sys.argv[1]), lane, 5.0) for lane in range(2)]
with ServiceThread(engine):
    launch(port, engine, takes)
    port.advance(1.0)
    print("rolling", flush=True)
    sys.stdin.readline()
    began = time.monotonic()
    try:
        port.advance(10.0)
        message = None
    except RigError as error:
        message = str(error)
    noticed = time.monotonic() - began
began = time.monotonic()
port.close()
port.close()
closed = time.monotonic() - began
engine.close()
print(json.dumps({"message": message, "noticed_s": noticed, "closed_s": closed}), flush=True)
"""


OPENING = """
import json, sys, time
from printq.errors import RigError
from tests.jack.takes import make_interface, open_wires
import sounddevice

print("rolling", flush=True)
sys.stdin.readline()
began = time.monotonic()
try:
    open_wires(make_interface(2), [1, 2])
    message = None
except RigError as error:
    message = str(error)
print(json.dumps({"message": message, "noticed_s": time.monotonic() - began}), flush=True)
"""


def run_until_it_breaks(
    folder: Path, server_name: str, break_it: Callable[[], None], script: str = SCRIPT
) -> dict[str, Any]:
    """Two takes in another process; what it said, after an ordinary end."""
    with subprocess.Popen(
        [sys.executable, "-c", script, str(folder)],
        cwd=Path(__file__).parents[2],
        env={**os.environ, "JACK_DEFAULT_SERVER": server_name},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        try:
            assert process.stdout is not None
            assert process.stdout.readline().strip() == "rolling"
            break_it()
            out, errors = process.communicate("go\n", timeout=20)
        finally:
            process.kill()
    assert process.returncode == 0, errors
    return dict(json.loads(out))


@pytest.mark.slow
def test_a_server_that_is_killed_is_noticed_at_once_and_takes_nothing_with_it(
    make_server_and_rack: MakeBed, tmp_path: Path
) -> None:
    server, _ = make_server_and_rack([LaneSettings()] * 2)
    said = run_until_it_breaks(tmp_path, server.name, server.kill)
    assert "has ended by itself" in said["message"]
    assert "nothing is lost" in said["message"]
    assert said["noticed_s"] < 2.5
    assert said["closed_s"] < 2.0
    for lane in range(2):
        # A second in the air, less the half second in which the driver may not have got going.
        assert len(read_audio(tmp_path / f"lane{lane}.take.wav")) > RATE // 2


@pytest.mark.slow
def test_a_server_that_stands_still_is_noticed_by_the_watchdog_and_closing_does_not_hang(
    make_server_and_rack: MakeBed, tmp_path: Path
) -> None:
    server, _ = make_server_and_rack([LaneSettings()] * 2)
    said = run_until_it_breaks(tmp_path, server.name, server.suspend)
    server.resume()
    assert "stopped calling back" in said["message"]
    assert 1.5 < said["noticed_s"] < 5.0
    assert said["closed_s"] < 2.0


@pytest.mark.slow
def test_a_server_that_does_not_answer_is_given_up_at_the_opening(
    make_server_and_rack: MakeBed, tmp_path: Path
) -> None:
    server, _ = make_server_and_rack([LaneSettings()] * 2)
    said = run_until_it_breaks(tmp_path, server.name, server.suspend, OPENING)
    server.resume()
    assert "does not start" in said["message"]
    assert said["noticed_s"] < 6.0


def test_late_callbacks_are_no_gap_and_lost_ones_are_whatever_the_size_of_the_block() -> None:
    # Stamps wander as those of a JACK server do: up to a quarter of a block, a late one followed by an early one.
    rng = np.random.default_rng(7)
    for frames in (64, 256, 1024, 4096):
        watch = GapWatch(RATE)
        block_s = frames / RATE
        calls = max(40, round(4.0 / block_s))
        stamps = np.arange(calls) * block_s * (1 + 1e-4) + rng.uniform(-0.25, 0.25, calls) * block_s
        stamps[calls // 3] += 3 * block_s  # one callback comes very late, and those behind it in time
        assert not any(watch.lost(frames, stamp) for stamp in stamps)
        found = [watch.lost(frames, stamp) for stamp in stamps + calls * block_s + block_s]
        assert sum(found) == 1
        assert found.index(True) * block_s <= 0.1 + 2 * block_s


def test_a_gap_is_found_again_after_the_first() -> None:
    watch = GapWatch(RATE)
    stamps = np.arange(300) * 1024 / RATE
    stamps[100:] += 1024 / RATE
    stamps[200:] += 2 * 1024 / RATE
    found = np.flatnonzero([watch.lost(1024, stamp) for stamp in stamps])
    assert len(found) == 2
    assert 100 <= found[0] < 110
    assert 200 <= found[1] < 210


def test_a_clock_that_was_switched_is_found_and_a_glitch_is_not_one() -> None:
    watch = RateWatch(48_000)
    assert [watch.look(round(44_100 * t), t, 0) for t in (0.1, 3.0, 5.0)] == [None, None, None]
    assert watch.look(round(44_100 * 5.2), 5.2, 0) == pytest.approx(44_100, rel=1e-3)
    watch = RateWatch(48_000)
    # 0.4 s are lost, and the glitch is counted.
    looks = [watch.look(round(48_000 * (t - 0.4 * (t > 3))), t, int(t > 3)) for t in np.arange(0.1, 20.0, 0.5)]
    assert looks == [None] * len(looks)


class Times:
    """PortAudio's times of a block."""

    def __init__(self, now: float) -> None:
        self.inputBufferAdcTime = self.currentTime = self.outputBufferDacTime = now


class Tones:
    """A client that plays a constant on each send, and remembers the last sample of each return."""

    def __init__(self, levels: list[float], rise: int = 0, fail_at: int | None = None) -> None:
        self.heard = np.zeros(0)
        self._levels = np.array(levels, dtype=np.float32)
        self._rise = rise
        self._fail_at = fail_at

    def fill(self, out: np.ndarray, first_frame: int) -> None:
        if self._fail_at is not None and first_frame > self._fail_at:
            raise RuntimeError("out of order")
        out += self._levels
        if self._rise:
            out *= np.clip(np.arange(first_frame, first_frame + len(out)) / self._rise, 0.0, 1.0)[:, np.newaxis]

    def capture(self, block: np.ndarray, first_frame: int, glitch: bool) -> None:
        self.heard = block[-1].copy()


def test_the_engine_is_a_client() -> None:
    engine = PassEngine(RATE, [1], [1])
    callback = hardware._Callback(engine, RATE, sends=[0], returns=[0])
    for frames in (1, 63, 5000):  # longer than what is handed on at once
        callback(np.zeros((frames, 1), np.float32), np.zeros((frames, 1), np.float32), frames, Times(1.0), False)
    assert callback.error is None
    assert callback.frames == 5064
