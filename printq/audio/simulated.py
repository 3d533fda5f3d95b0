"""A rack in software: an interface in virtual time with units between its sends and its returns.

It runs as fast as the processor allows: nothing waits for a clock. What it does to a signal:

    send -> 24-bit converter -> units of the insert -> fraction of the loop latency -> faults and noise
         -> whole samples of the loop latency -> crosstalk -> 24-bit converter -> return

Each take gets its own units, noise and faults, seeded from the rig's seed, the pass and the number of
completed takes, and worked out in steps of a fixed size that count from the take's first frame. So what
comes back depends on nothing else: not on block sizes, not on what runs beside it, not on its order.
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from printq.audio.faults import MAX_SLIP, TakeFaults
from printq.audio.port import BlockClient, PortFacts
from printq.audio.processors import make_processor
from printq.audio.processors.base import QUANTUM, Processor
from printq.audio.processors.parameters import unit_parameters
from printq.errors import RigError
from printq.models.rig import Insert, Rig, Simulation, Unit
from printq.units import db_to_ratio

__all__ = ["SimulatedRack"]

Signal = NDArray[np.float64]
Settings = Mapping[str, Mapping[str, float | str]]

DEFAULT_BLOCK = 4096
MOST_BLOCK = 8192
INTERPOLATOR_HALF = 48
"""Half the length of the interpolator, in samples: its error stays under -100 dB to 0.42 of the rate."""
KAISER_BETA = 10.0
LAG = QUANTUM + 2 * INTERPOLATOR_HALF + MAX_SLIP
"""How far recording runs behind playing. Both count their own frames, so nobody can hear it."""
FULL_SCALE = float(2**23)
SILENT_NOISE_DBFS = -400.0


class SimulatedRack:
    """An `AudioPort` whose interface and units are numpy.

    Parameters
    ----------
    rig : Rig
        With `driver = "simulated"`.
    restarts : int
        How often the stream has been started before; each start has a latency of its own, as with
        a real driver, that differs by whole samples.
    """

    def __init__(self, rig: Rig, restarts: int = 0) -> None:
        self._rig = rig
        self._simulation = rig.interface.simulation or Simulation()
        jitter = self._simulation.restart_jitter_samples
        start = np.random.default_rng([self._simulation.seed, restarts])
        whole = math.floor(self._simulation.latency_samples)
        self._fraction = self._simulation.latency_samples - whole
        self._latency = whole + (int(start.integers(0, jitter + 1)) if jitter else 0)
        self._settings: dict[str, Settings] = {}
        self._lanes: dict[str, _Lane] = {}
        self._glitches: set[int] = set()
        self._client: BlockClient | None = None
        self._sends: list[int] = []
        self._returns: list[int] = []
        self._played = 0
        self._recorded = 0
        self._wires = _Wires(rig.interface.returns)
        self._loop = self._make_loop()

    @property
    def facts(self) -> PortFacts:
        interface = self._rig.interface
        return PortFacts(
            driver="simulated",
            device="simulated rack",
            rate=interface.rate,
            sends=interface.sends,
            returns=interface.returns,
            block=min(interface.block, MOST_BLOCK) or DEFAULT_BLOCK,
            simulated=True,
        )

    @property
    def latency_samples(self) -> float:
        """The loop latency of this start of the stream: the truth that a test compares with."""
        return self._latency + self._fraction

    @property
    def played_frames(self) -> int:
        return self._played

    def open(self, client: BlockClient, sends: Sequence[int], returns: Sequence[int]) -> None:
        interface = self._rig.interface
        forbidden = set(sends) & set(interface.reserved_sends or [])
        if forbidden:
            raise RigError(
                f"sends {sorted(forbidden)} are reserved for monitors and are never played to; "
                "use other sends in the rig file"
            )
        for name, wanted, exist in (("send", sends, interface.sends), ("return", returns, interface.returns)):
            beyond = [channel for channel in wanted if not 1 <= channel <= exist]
            if beyond:
                raise RigError(f"the simulated rack has {exist} {name}s, there is no {name} {beyond[0]}")
        self._client = client
        self._sends = list(sends)
        self._returns = list(returns)

    def close(self) -> None:
        self._client = None

    def advance(self, seconds: float) -> None:
        target = self._played + max(1, round(seconds * self._rig.interface.rate))
        while self._client is not None and self._played < target:
            self._step(self._client)

    def dial(self, insert: str, settings: Settings) -> None:
        self._settings[insert] = settings

    def announce_take(
        self, insert: str, pass_id: str, take: int, completed_takes: int, first_frame: int, frames: int
    ) -> None:
        found = self._rig.find_insert(insert)
        if found is None:
            raise RigError(f"the rig has no insert {insert!r}")
        lane = self._make_lane(found, pass_id, take, completed_takes, first_frame, frames)
        returns = set(found.returns)
        # Whatever else was patched to these returns is unplugged by this.
        self._lanes = {k: v for k, v in self._lanes.items() if k != insert and not returns & set(v.returns)}
        self._lanes[insert] = lane
        columns = [channel - 1 for channel in found.returns]
        self._wires.clear(first_frame, columns)
        self._wires.add(first_frame, lane.noise_before(self._latency), columns)
        if lane.faults.jumps and found.uses_timing_loop:
            # An interface loses samples on all its channels at once.
            self._loop = self._make_loop(lane.faults, first_frame)
        self._glitches |= {first_frame + frame for frame in lane.faults.glitch_frames}

    def _make_lane(
        self, insert: Insert, pass_id: str, take: int, completed_takes: int, first_frame: int, frames: int
    ) -> _Lane:
        rate = self._rig.interface.rate
        seed = [self._simulation.seed, zlib.crc32(pass_id.encode()), completed_takes]
        settings = self._settings.get(insert.id, {})
        units = {unit.id: unit for unit in self._rig.units_of(insert)}
        stages: list[list[tuple[slice, Processor]]] = []
        for element in insert.units:
            names = [element] if isinstance(element, str) else list(element)
            width = insert.channels // len(names)
            stage = []
            for side, name in enumerate(names):
                processor = _make_unit(units[name], settings.get(name, {}), rate, width)
                stage.append((slice(side * width, (side + 1) * width), processor))
            stages.append(stage)
        faults = TakeFaults(self._simulation.fault, pass_id, take, rate, seed, self._rig.interface.mains_hz)
        noise_dbfs = self._simulation.noise_dbfs
        silent = noise_dbfs is None or noise_dbfs <= SILENT_NOISE_DBFS
        noise = 0.0 if silent or noise_dbfs is None else db_to_ratio(noise_dbfs)
        delay = self._make_delay(insert.channels)
        return _Lane(insert.sends, insert.returns, stages, delay, faults, noise, seed, first_frame, frames)

    def _make_loop(self, slipping: TakeFaults | None = None, first_frame: int = 0) -> _Lane | None:
        """The cable of the timing loop; with the jumps of a take, from that take on."""
        loop = self._rig.interface.timing_loop
        if loop is None or not any(insert.uses_timing_loop for insert in self._rig.insert):
            return None
        faults = slipping.only_jumps() if slipping is not None else TakeFaults([], "", 1, 1, [0])
        delay = self._make_delay(1)
        return _Lane([loop.send], [loop.return_], [], delay, faults, 0.0, [0], first_frame, None)

    def _make_delay(self, channels: int) -> _FractionalDelay:
        drift = self._simulation.clock_offset_ppm * 1e-6
        return _FractionalDelay(self._fraction, channels, drift, MAX_SLIP)

    def _step(self, client: BlockClient) -> None:
        frames = self.facts.block
        out = np.zeros((frames, len(self._sends)), dtype=np.float32)
        client.fill(out, self._played)
        sent = np.zeros((frames, self._rig.interface.sends))
        for column, send in enumerate(self._sends):
            sent[:, send - 1] = _convert(out[:, column])
        loop = [self._loop] if self._loop is not None else []
        for lane in [*self._lanes.values(), *loop]:
            for place, samples in lane.push(sent[:, [send - 1 for send in lane.sends]], self._played):
                self._wires.add(place + self._latency, samples, [channel - 1 for channel in lane.returns])
        self._played += frames
        ready = self._played - LAG - self._recorded
        if ready > 0:
            self._record(client, ready)

    def _record(self, client: BlockClient, frames: int) -> None:
        block = self._wires.take(frames)
        if self._simulation.crosstalk_db is not None:
            others = block.sum(axis=1, keepdims=True) - block
            block = block + db_to_ratio(self._simulation.crosstalk_db) * others
        heard = _convert(block[:, [channel - 1 for channel in self._returns]]).astype(np.float32)
        end = self._recorded + frames
        now = {frame for frame in self._glitches if frame < end}
        self._glitches -= now
        client.capture(heard, self._recorded, bool(now))
        self._recorded = end


def _make_unit(unit: Unit, settings: Mapping[str, float | str], rate: int, channels: int) -> Processor:
    if unit.model is None:
        return make_processor("wire", rate, channels, {})
    return make_processor(unit.model.kind, rate, channels, unit_parameters(unit, settings))


def _convert(signal: NDArray[np.floating]) -> Signal:
    """What a 24-bit converter makes of a signal: rounded to its steps and limited to its range."""
    steps = np.rint(np.asarray(signal, dtype=np.float64) * FULL_SCALE)
    return np.clip(steps, -FULL_SCALE, FULL_SCALE - 1.0) / FULL_SCALE


class _Lane:
    """One insert in circuit, from the first frame of a take until something else is plugged in."""

    def __init__(
        self,
        sends: Sequence[int],
        returns: Sequence[int],
        stages: list[list[tuple[slice, Processor]]],
        delay: _FractionalDelay,
        faults: TakeFaults,
        noise: float,
        seed: Sequence[int],
        first_frame: int,
        frames: int | None,
    ) -> None:
        self.sends = sends
        self.returns = returns
        self.faults = faults
        self._stages = stages
        self._delay = delay
        self._noise = noise
        self._rng = np.random.default_rng(seed)
        self._rng_before = np.random.default_rng([*seed, 1])
        self._first_frame = first_frame
        # What a unit still does after the end of a take, nobody records.
        self._last_frame = None if frames is None else first_frame + frames + LAG
        self._waiting: list[Signal] = []
        self._held = 0
        self._done = 0

    def noise_before(self, frames: int) -> Signal:
        """What the return hears in the frames before the take arrives, the last one drawn first.

        So that frame -1 of a take has the same noise whatever the loop latency is.
        """
        drawn = self._rng_before.standard_normal((frames, len(self.returns)))
        return self._noise * drawn[::-1]

    def push(self, sent: Signal, first_frame: int) -> list[tuple[int, Signal]]:
        """Take what was sent from `first_frame` on; return what is ready: (frame as sent, samples)."""
        early = max(0, self._first_frame - first_frame)
        if early >= len(sent) or (self._last_frame is not None and first_frame > self._last_frame):
            return []
        self._waiting.append(sent[early:])
        self._held += len(sent) - early
        if self._held < QUANTUM:
            return []
        together = np.concatenate(self._waiting)
        whole = self._held // QUANTUM * QUANTUM
        self._waiting = [together[whole:]]
        self._held -= whole
        ready = []
        for start in range(0, whole, QUANTUM):
            for place, samples in self._process(together[start : start + QUANTUM]):
                ready.append((self._first_frame + place, samples))
        return ready

    def _process(self, quantum: Signal) -> list[tuple[int, Signal]]:
        for stage in self._stages:
            if len(stage) == 1:
                quantum = stage[0][1].process(quantum)
            else:
                quantum = np.concatenate([unit.process(quantum[:, side]) for side, unit in stage], axis=1)
        place = self._done - self._delay.behind
        self._done += QUANTUM
        heard = self.faults.apply(self._delay.process(quantum), place)
        if self._noise:
            heard = heard + self._noise * self._rng.standard_normal(heard.shape)
        if place < 0:
            heard, place = heard[-place:], 0
        return self.faults.pieces(heard, place)


class _FractionalDelay:
    """Delays by part of a sample, plus a delay that grows or shrinks where the clocks differ.

    A windowed sinc of `2 * INTERPOLATOR_HALF` taps; its output runs `behind` frames behind its input.
    A growing delay holds once it has reached `limit` samples.
    """

    def __init__(self, fraction: float, channels: int, drift: float, limit: int) -> None:
        self._fraction = fraction
        self._drift = drift
        self._limit = limit
        self._passes = fraction == 0.0 and drift == 0.0
        self.behind = 0 if self._passes else INTERPOLATOR_HALF + (limit if drift < 0.0 else 0)
        self._reach = 2 * INTERPOLATOR_HALF + (limit if drift != 0.0 else 0)
        self._past = np.zeros((self._reach, channels))
        self._out = -self.behind
        self._taps = _sinc_taps(np.array([fraction]))[0]

    def process(self, block: Signal) -> Signal:
        """The same number of frames, delayed."""
        if self._passes:
            return block
        known = np.concatenate((self._past, block))
        self._past = known[len(known) - self._reach :]
        if self._drift == 0.0:
            span = known[: len(block) + 2 * INTERPOLATOR_HALF - 1]
            heard = np.stack([np.convolve(side, self._taps, mode="valid") for side in span.T], axis=1)
        else:
            heard = self._process_drifting(known, len(block))
        self._out += len(block)
        return heard

    def _process_drifting(self, known: Signal, frames: int) -> Signal:
        # `known` begins at input frame `origin`; output frame m is the input at m - delay(m).
        origin = self._out + self.behind - self._reach
        places = np.arange(self._out, self._out + frames)
        delay = self._fraction + np.clip(places * self._drift, -self._limit, self._limit)
        whole = np.floor(delay).astype(np.int64)
        taps = _sinc_taps(delay - whole)
        offsets = np.arange(INTERPOLATOR_HALF - 1, -INTERPOLATOR_HALF - 1, -1)
        index = (places - whole - origin)[:, np.newaxis] + offsets[np.newaxis, :]
        gathered = known[np.clip(index, 0, len(known) - 1)]
        return np.asarray(np.einsum("nt,ntc->nc", taps, gathered))


def _sinc_taps(fraction: Signal) -> Signal:
    """Taps that delay by each fraction of a sample, shape (len(fraction), 2 * INTERPOLATOR_HALF).

    The first tap belongs to the sample `INTERPOLATOR_HALF - 1` frames ahead, the last to the one
    `INTERPOLATOR_HALF` frames back: a windowed sinc, scaled to pass DC unchanged.
    """
    places = np.arange(-INTERPOLATOR_HALF + 1, INTERPOLATOR_HALF + 1)[np.newaxis, :] - fraction[:, np.newaxis]
    window = np.i0(KAISER_BETA * np.sqrt(np.maximum(0.0, 1.0 - (places / INTERPOLATOR_HALF) ** 2)))
    taps = np.sinc(places) * window
    return np.asarray(taps / taps.sum(axis=1, keepdims=True))


class _Wires:
    """What is on its way to the returns: a ring of frames that lanes add to and the recorder takes from."""

    SIZE = 1 << 16

    def __init__(self, returns: int) -> None:
        self._first = 0
        self._samples = np.zeros((self.SIZE, returns))

    def add(self, frame: int, block: Signal, columns: Sequence[int]) -> None:
        """Add a block at a frame of the recording; what lies before the ring has been heard already."""
        early = max(0, self._first - frame)
        block, frame = block[early:], frame + early
        for place, part in self._places(frame, len(block)):
            self._samples[place, columns] += block[part]

    def clear(self, frame: int, columns: Sequence[int]) -> None:
        """Forget what these returns would have heard from a frame on."""
        for place, _ in self._places(frame, self._first + self.SIZE - frame):
            self._samples[place, columns] = 0.0

    def take(self, frames: int) -> Signal:
        """The next frames of the recording."""
        taken = np.empty((frames, self._samples.shape[1]))
        for place, part in self._places(self._first, frames):
            taken[part] = self._samples[place]
            self._samples[place] = 0.0
        self._first += frames
        return taken

    def _places(self, frame: int, frames: int) -> list[tuple[slice, slice]]:
        """Where frames lie in the ring, and which part of the block each piece is."""
        if frame + frames > self._first + self.SIZE:
            raise ValueError(f"{frame + frames - self._first} frames do not fit into the ring of {self.SIZE}")
        start = frame % self.SIZE
        head = min(frames, self.SIZE - start)
        return [(slice(start, start + head), slice(0, head)), (slice(0, frames - head), slice(head, frames))]
