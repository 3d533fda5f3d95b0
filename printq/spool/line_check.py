"""Proves the wiring: each send in turn plays a quiet marker, and all returns are listened to."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray

from printq.audio.howl import HowlGuard
from printq.audio.port import AudioPort, Block
from printq.errors import RigError
from printq.measure.stimuli import make_marker
from printq.models.line_check import LineCheck
from printq.models.rig import Insert, Rig
from printq.units import db_to_ratio, seconds_to_frames
from printq.verify import Probe, judge_wiring, listen

__all__ = ["check_lines"]

LEAD_S = 1.0
"""A second of silence: noise and hum are measured in it."""
REST_S = 0.5
LOUDEST_DBFS = -20.0
"""Whatever the rig says of markers: a line check plays into cables that nobody has proved yet."""
STEP_S = 0.1
START_MARGIN_S = 0.1
MOST_TRIES = 3
PATIENCE_S = 5.0
"""How long after a probe's end its recording may be waited for."""

Recorded = NDArray[np.float32]


def check_lines(rig: Rig, make_port: Callable[[int], AudioPort], tell: Callable[[str], None]) -> LineCheck:
    """Play a marker on every send that an insert uses, one after the other.

    Parameters
    ----------
    rig : Rig
    make_port : callable
        Gives the interface, told how often a stream has been started before.
    tell : callable
        Told before anything sounds, in words.

    Raises
    ------
    RigError
        The interface is not there or not as described, or it glitches again and again.
    """
    sends = sorted({channel for insert in rig.insert for channel in insert.sends})
    reserved = set(sends) & set(rig.interface.reserved_sends or [])
    if reserved:
        raise RigError(f"sends {sorted(reserved)} are reserved for monitors and are never played to")
    returns = list(range(1, rig.interface.returns + 1))
    port = make_port(0)
    paths = [
        ([sends.index(channel) for channel in insert.sends], [channel - 1 for channel in insert.returns])
        for insert in rig.insert
    ]
    client = _Prober(len(returns), HowlGuard(port.facts.rate, paths), [insert.id for insert in rig.insert])
    port.open(client, sends, returns)
    try:
        lines = []
        for insert in rig.insert:
            probe = _probe_of(insert, port.facts.rate)
            heard = []
            for side, send in enumerate(insert.sends):
                tell(f"send {send}, {insert.name}: a short sweep at {_level_of(insert):g} dBFS")
                recorded = _probe_send(port, client, insert, side, sends.index(send), probe)
                heard.append(listen(send, returns, recorded, probe, port.facts.rate, rig.interface.mains_hz))
            lines.append(judge_wiring(insert, rig.interface, heard, _owners(rig)))
        return LineCheck(
            format="printq-line-check/1",
            rig=rig.name,
            at=datetime.now(UTC).replace(microsecond=0).isoformat(),
            driver=port.facts.driver,
            device=port.facts.device,
            rate=port.facts.rate,
            inserts=tuple(lines),
        )
    finally:
        port.close()


def _probe_of(insert: Insert, rate: int) -> Probe:
    return Probe(
        lead=seconds_to_frames(LEAD_S, rate),
        marker=make_marker(rate, db_to_ratio(_level_of(insert))),
        rest=seconds_to_frames(REST_S, rate),
    )


def _level_of(insert: Insert) -> float:
    return min(insert.marker_dbfs, LOUDEST_DBFS)


def _owners(rig: Rig) -> dict[int, str]:
    owners = {}
    for insert in rig.insert:
        for number, channel in enumerate(insert.returns):
            side = ("", "left of ", "right of ")[0 if len(insert.returns) == 1 else number + 1]
            owners[channel] = f"{side}{insert.name}"
    if rig.interface.timing_loop is not None:
        owners[rig.interface.timing_loop.return_] = "the timing loop"
    return owners


def _probe_send(port: AudioPort, client: _Prober, insert: Insert, side: int, column: int, probe: Probe) -> Recorded:
    for attempt in range(1, MOST_TRIES + 1):
        start = port.played_frames + seconds_to_frames(START_MARGIN_S, port.facts.rate)
        port.dial(insert.id, {})
        port.announce_take(insert.id, f"line-check/{insert.id}", side * MOST_TRIES + attempt, side, start, probe.frames)
        client.begin(start, column, probe)
        waited = 0.0
        while not client.is_done:
            port.advance(STEP_S)
            waited += STEP_S
            if client.howling is not None:
                raise RigError(
                    f"insert {client.howling} howls: loud while nothing was sent. Turn levels down and look for "
                    "a return that is fed back to its send (the interface's mixer, a patch); then try again"
                )
            if waited > probe.frames / port.facts.rate + PATIENCE_S:
                raise RigError("the interface plays but records nothing; look at its inputs, then try again")
        if not client.glitched:
            return client.recorded
    raise RigError("the interface glitched during every probe; use a larger block, close other programs, and try again")


class _Prober:
    """A `BlockClient` that plays one marker on one send and keeps what all returns hear."""

    def __init__(self, returns: int, guard: HowlGuard, names: Sequence[str]) -> None:
        self._returns = returns
        self._names = names
        self._guard = guard
        self._start = self._end = 0
        self._signal = np.zeros(0, dtype=np.float32)
        self._column = 0
        self._armed = False
        self.recorded: Recorded = np.zeros((0, returns), dtype=np.float32)
        self.glitched = False
        self.is_done = False

    @property
    def howling(self) -> str | None:
        """The insert that feeds back, the first of them; nothing is sent from then on."""
        return self._names[self._guard.howling[0]] if self._guard.howling else None

    def begin(self, start: int, column: int, probe: Probe) -> None:
        """Play a probe from a frame that has not been played yet."""
        self._armed = False
        signal = np.zeros(probe.frames, dtype=np.float32)
        signal[probe.lead : probe.lead + len(probe.marker)] = probe.marker
        self._signal, self._column = signal, column
        self.recorded = np.zeros((probe.frames, self._returns), dtype=np.float32)
        self.glitched = self.is_done = False
        self._start, self._end = start, start + probe.frames
        # The callback may run while this happens: it looks at nothing before this is set.
        self._armed = True

    def fill(self, out: Block, first_frame: int) -> None:
        """See `BlockClient`."""
        low, high = self._overlap(first_frame, len(out))
        if low < high and not self._guard.howling:
            out[low - first_frame : high - first_frame, self._column] += self._signal[
                low - self._start : high - self._start
            ]
        self._guard.sent(out, first_frame)

    def capture(self, block: Block, first_frame: int, glitch: bool) -> None:
        """See `BlockClient`."""
        low, high = self._overlap(first_frame, len(block))
        if low < high:
            self.recorded[low - self._start : high - self._start] = block[low - first_frame : high - first_frame]
            self.glitched = self.glitched or glitch
        if self._armed and first_frame + len(block) >= self._end:
            self.is_done = True
        self._guard.heard(block, first_frame)

    def _overlap(self, first_frame: int, frames: int) -> tuple[int, int]:
        if not self._armed:
            return 0, 0
        return max(first_frame, self._start), min(first_frame + frames, self._end)
