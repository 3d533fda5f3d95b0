"""Outboard behind an interface that PortAudio sees: a JACK client in a process of its own.

    python -m tests.jack.rack '{"server": "printq-test-0", "lanes": [{"delay": 480}, {"gain": 0.5, "inverted": true}]}'

Every JACK client is a device to PortAudio; this one has as many inputs (our sends) as outputs (our returns) as it has
lanes. It shares no code and no process with the program under test. It says `ready`, answers each line on its standard
input with a JSON report of what it has heard, and ends with its input. The lines are `report`, `freewheel` (the server
runs as fast as it can, and waits for every client) and `realtime`.
"""

from __future__ import annotations

import json
import subprocess
import sys
import time
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np

SINC_HALF = 32
CUT_S = 0.04
CONNECT_S = 5.0


@dataclass
class LaneSettings:
    """What one lane does, in the order in which it does it; a lane with nothing set is a wire."""

    feedback: float = 0.0
    """It hears itself again, at this gain, `feedback_delay` frames later: over 1 it howls."""
    feedback_delay: int = 480
    biquad: list[float] | None = None
    """b0 b1 b2 a1 a2 of an equaliser."""
    gain: float = 1.0
    inverted: bool = False
    delay: float = 0.0
    """Frames; a fraction is made by a windowed sinc and needs at least 32."""
    drop_at_s: float | None = None
    """From the first sound on the lane: one block is lost. Needs a delay of at least a block."""
    repeat_at_s: float | None = None
    """From the first sound on the lane: one block is heard twice."""
    cut_at_s: float | None = None
    """From the first sound on the lane: silent for 40 ms."""
    noise: float = 0.0
    """RMS, full scale = 1."""
    hum: float = 0.0
    """Peak of a sine at `hum_hz`."""
    hum_hz: float = 50.0
    clip: float | None = None
    """Flat above this level; with feedback, inside the loop too (1.0 where it is not set)."""
    dead: bool = False
    to: int | None = None
    """The return that it comes back on, from 0; its own where not set."""


@dataclass
class LaneReport:
    """What a lane has heard from its send, frames counted from the start of the rack."""

    peak: float = 0.0
    first_sound: int | None = None
    last_sound: int | None = None
    largest_step: float = 0.0
    """From one sample to the next."""
    first_loud: int | None = None
    """Frame at which the last 100 ms of its output were over -6 dBFS RMS for the first time."""


@dataclass
class RackReport:
    lanes: list[LaneReport] = field(default_factory=list)
    xruns: int = 0
    frames: int = 0


class Lane:
    """One send with what hangs on it; blocks of any length in, the same length out."""

    def __init__(self, settings: LaneSettings, rate: int, seed: int) -> None:
        self.settings = settings
        self.report = LaneReport()
        self._rate = rate
        self._last = 0.0
        self._rng = np.random.default_rng(seed)
        whole = int(settings.delay)
        fraction = settings.delay - whole
        if fraction and whole < SINC_HALF:
            raise ValueError(f"a delay of {settings.delay} frames has a fraction and is under {SINC_HALF}")
        self._whole = whole - (SINC_HALF if fraction else 0)
        self._taps = _fraction_taps(fraction) if fraction else None
        self._fir = np.zeros(2 * SINC_HALF)
        self._state = np.zeros((1, 2))
        self._own = np.zeros(settings.feedback_delay)
        self._line = np.zeros(0)
        self._line_start = 0
        self._drop_done = self._repeat_done = False
        self._loud_sum = np.zeros(0)

    def process(self, heard: np.ndarray, frame: int) -> np.ndarray:
        """`heard` from `frame` on through the lane."""
        steps = np.abs(np.diff(heard, prepend=self._last))
        self.report.largest_step = max(self.report.largest_step, float(steps.max()))
        self._last = float(heard[-1])
        sound = np.flatnonzero(heard)
        if len(sound):
            self.report.peak = max(self.report.peak, float(np.abs(heard).max()))
            if self.report.first_sound is None:
                self.report.first_sound = frame + int(sound[0])
            self.report.last_sound = frame + int(sound[-1])
        signal = heard.astype(np.float64)
        if self.settings.feedback:
            signal = self._feed_back(signal)
        if self.settings.biquad is not None:
            signal = self._equalise(signal)
        if self.settings.gain != 1.0 or self.settings.inverted:
            signal = signal * (-self.settings.gain if self.settings.inverted else self.settings.gain)
        if self._taps is not None:
            known = np.concatenate((self._fir, signal))
            self._fir = known[-2 * SINC_HALF :]
            signal = np.convolve(known, self._taps, mode="valid")[-len(signal) :]
        signal = self._delay(signal, frame)
        if self._reached(self.settings.cut_at_s, frame + len(signal)):
            start = self._frame_of(self.settings.cut_at_s)
            signal[max(0, start - frame) : max(0, start - frame + round(CUT_S * self._rate))] = 0.0
        if self.settings.noise:
            signal = signal + self.settings.noise * self._rng.standard_normal(len(signal))
        if self.settings.hum:
            times = np.arange(frame, frame + len(signal)) / self._rate
            signal = signal + self.settings.hum * np.sin(2.0 * np.pi * self.settings.hum_hz * times)
        if self.settings.clip is not None:
            signal = np.clip(signal, -self.settings.clip, self.settings.clip)
        if self.settings.dead:
            signal = np.zeros(len(signal))
        self._watch_level(signal, frame)
        return signal

    def _feed_back(self, signal: np.ndarray) -> np.ndarray:
        limit = self.settings.clip or 1.0
        span = self.settings.feedback_delay
        for start in range(0, len(signal), span):
            part = signal[start : start + span]
            part += self.settings.feedback * self._own[: len(part)]
            np.clip(part, -limit, limit, out=part)
            self._own = np.concatenate((self._own[len(part) :], part))
        return signal

    def _equalise(self, signal: np.ndarray) -> np.ndarray:
        from scipy.signal import sosfilt

        b0, b1, b2, a1, a2 = self.settings.biquad or []
        out, self._state = sosfilt([[b0, b1, b2, 1.0, a1, a2]], signal, zi=self._state)
        return np.asarray(out)

    def _delay(self, signal: np.ndarray, frame: int) -> np.ndarray:
        if not self._whole and self.settings.repeat_at_s is None:
            return signal
        if not len(self._line):
            self._line = np.zeros(self._whole + 2 * len(signal))
            self._line_start = frame - len(self._line)
        if self._reached(self.settings.drop_at_s, frame) and not self._drop_done:
            self._whole -= len(signal)
            self._drop_done = True
        if self._reached(self.settings.repeat_at_s, frame) and not self._repeat_done:
            self._whole += len(signal)
            self._repeat_done = True
        if self._whole < 0:
            raise ValueError("a lane that loses a block needs a delay of one")
        self._line = np.concatenate((self._line, signal))
        first = frame - self._whole - self._line_start
        out = self._line[first : first + len(signal)].copy()
        keep = len(self._line) - self._whole - 2 * len(signal)
        if keep > 0:
            self._line, self._line_start = self._line[keep:], self._line_start + keep
        return out

    def _frame_of(self, at_s: float | None) -> int:
        return (self.report.first_sound or 0) + round((at_s or 0.0) * self._rate)

    def _reached(self, at_s: float | None, frame: int) -> bool:
        return at_s is not None and self.report.first_sound is not None and frame >= self._frame_of(at_s)

    def _watch_level(self, signal: np.ndarray, frame: int) -> None:
        if self.report.first_loud is not None or not self.settings.feedback:
            return
        span = round(0.1 * self._rate)
        together = np.concatenate((self._loud_sum, signal**2))
        sums = np.cumsum(np.concatenate(([0.0], together)))
        means = (sums[span:] - sums[:-span]) / span if len(together) >= span else np.zeros(0)
        over = np.flatnonzero(means > 10 ** (-6 / 10))
        if len(over):
            self.report.first_loud = frame - len(self._loud_sum) + int(over[0]) + span
        self._loud_sum = together[-span:]


def _fraction_taps(fraction: float) -> np.ndarray:
    """Delays by SINC_HALF frames and a fraction; a sinc under a Blackman window, scaled to leave DC alone."""
    places = np.arange(2 * SINC_HALF + 1) - SINC_HALF - fraction
    taps = np.sinc(places) * np.interp(places, np.arange(-SINC_HALF - 1, SINC_HALF + 2), np.blackman(2 * SINC_HALF + 3))
    return np.asarray(taps / taps.sum())


def run_rack(config: dict[str, Any]) -> None:
    """Be the rack until the standard input ends."""
    import jack

    jack.set_error_function(lambda _: None)
    jack.set_info_function(lambda _: None)
    client = _connect(jack, config["server"], config.get("client", "rack"))
    lanes = [
        Lane(LaneSettings(**settings), client.samplerate, seed) for seed, settings in enumerate(config["lanes"], 1)
    ]
    inputs = [client.inports.register(f"in_{number:02}") for number in range(len(lanes))]
    outputs = [client.outports.register(f"out_{number:02}") for number in range(len(lanes))]
    report = RackReport([lane.report for lane in lanes])

    @client.set_process_callback
    def process(frames: int) -> None:
        buffers = [port.get_array() for port in outputs]
        returned = [np.zeros(frames) for _ in buffers]
        for number, (lane, port) in enumerate(zip(lanes, inputs, strict=True)):
            to = number if lane.settings.to is None else lane.settings.to
            returned[to] += lane.process(port.get_array(), report.frames)
        for buffer, signal in zip(buffers, returned, strict=True):
            buffer[:] = signal
        report.frames += frames

    @client.set_xrun_callback
    def xrun(_: float) -> None:
        report.xruns += 1

    client.activate()
    print("ready", flush=True)
    for line in sys.stdin:
        if line.strip() != "report":
            client.set_freewheel(line.strip() == "freewheel")
        print(json.dumps(asdict(report)), flush=True)
    # Neither deactivated nor closed: a server that is gone would not answer, and one that is there sees us go.


def _connect(jack: Any, server: str, name: str) -> Any:
    end = time.monotonic() + CONNECT_S
    while True:
        try:
            return jack.Client(name, servername=server, no_start_server=True)
        except jack.JackOpenError:
            if time.monotonic() > end:
                raise
            time.sleep(0.05)


class Rack:
    """The rack's process, seen from a test; use it as a context manager."""

    def __init__(self, server: str, lanes: Sequence[LaneSettings], client: str = "rack") -> None:
        config = {"server": server, "client": client, "lanes": [asdict(lane) for lane in lanes]}
        self._words = [sys.executable, "-m", "tests.jack.rack", json.dumps(config)]
        self._process: subprocess.Popen[str] | None = None

    def __enter__(self) -> Self:
        self._process = subprocess.Popen(
            self._words,
            cwd=Path(__file__).parents[2],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
        )
        if self._read().strip() != "ready":
            self.stop()
            raise RuntimeError("the rack does not start")
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    @property
    def pid(self) -> int:
        assert self._process is not None
        return self._process.pid

    def report(self) -> RackReport:
        """What it has heard so far."""
        return self._ask("report")

    def freewheel(self, on: bool = True) -> None:
        """Let the server run as fast as it can, without losing anything, or in real time again."""
        self._ask("freewheel" if on else "realtime")

    def _ask(self, line: str) -> RackReport:
        assert self._process is not None
        assert self._process.stdin is not None
        self._process.stdin.write(f"{line}\n")
        self._process.stdin.flush()
        facts = json.loads(self._read())
        facts["lanes"] = [LaneReport(**lane) for lane in facts["lanes"]]
        return RackReport(**facts)

    def stop(self) -> None:
        """End it; safe to call twice."""
        process, self._process = self._process, None
        if process is None:
            return
        assert process.stdin is not None
        assert process.stdout is not None
        process.stdin.close()
        try:
            process.wait(2)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        process.stdout.close()

    def _read(self) -> str:
        assert self._process is not None
        assert self._process.stdout is not None
        return self._process.stdout.readline()


if __name__ == "__main__":
    run_rack(json.loads(sys.argv[1]))
