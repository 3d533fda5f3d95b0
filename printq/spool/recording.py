"""Takes on the stream: starts them on the engine, lets time pass, and hands back those that have ended."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from datetime import UTC, datetime

from printq.audio.port import AudioPort
from printq.deliver import take_path
from printq.errors import RigError
from printq.files.soundfiles import TakeWriter
from printq.files.stems import StemReader
from printq.models.passes import Job, Pass
from printq.models.rig import Insert
from printq.models.take import TakeRecord
from printq.run import Ending, Flight, PassEngine, Playout, PlayoutPlan, ServiceThread
from printq.spool.journal import Journal
from printq.spool.operator import Rolling
from printq.spool.paths import SessionPaths
from printq.spool.work import Work
from printq.units import level_or_none, ratio_to_db
from printq.verify import marker_of

__all__ = ["Recorder"]

STEP_S = 0.5
"""How far the simulated stream runs between two looks at the queue: well within the buffers."""
LIVE_STEP_S = 0.05
"""How long a real one is left alone."""
START_MARGIN_S = 0.2
"""How far ahead of the stream a take is started."""
QUIET_DBFS = -60.0
QUIET_PATIENCE_S = 10.0
"""A return that has not fallen silent after this long is noisy by itself; the take begins."""
LOOP_CLEARANCE_S = 1.0
"""Markers of two takes on the timing loop keep this far apart."""


class Recorder:
    """The stream of one run; it is opened when the first take is about to roll."""

    def __init__(
        self,
        job: Job,
        paths: SessionPaths,
        journal: Journal,
        make_port: Callable[[int], AudioPort],
        rack_on_s: float | None = None,
    ) -> None:
        self._job = job
        self._paths = paths
        self._journal = journal
        self._make_port = make_port
        self._rack_on_s = rack_on_s
        self._begun = time.monotonic()
        self._port: AudioPort | None = None
        self._engine: PassEngine | None = None
        self._service: ServiceThread | None = None
        self.stream = ""
        """Name of this start of the stream; empty while it is not open."""
        self.rolled_s = 0.0
        """Length of all takes that have landed, in seconds."""

    @property
    def rolling(self) -> bool:
        """Whether a take is in the air."""
        return self._engine is not None and self._engine.in_the_air() > 0

    @property
    def is_live(self) -> bool:
        """Whether a real stream is running, which goes on by itself."""
        return self._service is not None

    @property
    def virtual_s(self) -> float:
        """Seconds that a simulated stream has run, which no clock shows; 0 on a real one."""
        if self._port is None or not self._port.facts.simulated:
            return 0.0
        return self._port.played_frames / self._port.facts.rate

    @property
    def rack_on_s(self) -> float | None:
        """For how long the rack has been on by now, where somebody said so."""
        if self._rack_on_s is None:
            return None
        # On the simulated rack an evening passes in seconds.
        simulated = self._job.rig.interface.driver == "simulated"
        return self._rack_on_s + (self.virtual_s if simulated else time.monotonic() - self._begun)

    def open(self, inserts: Sequence[Insert]) -> None:
        """Start the stream on the channels of these inserts, if it is not running yet.

        Raises RigError where the interface is not as the rig file says.
        """
        if self._port is not None:
            return
        sends = {channel for insert in inserts for channel in insert.sends}
        returns = {channel for insert in inserts for channel in insert.returns}
        loop = self._job.rig.interface.timing_loop
        if loop is not None:
            sends.add(loop.send)
            returns.add(loop.return_)
        port = self._make_port(self._journal.count_streams())
        paths = {insert.id: (insert.sends, insert.returns) for insert in inserts}
        engine = PassEngine(port.facts.rate, sorted(sends), sorted(returns), paths)
        port.open(engine, sorted(sends), sorted(returns))
        self._port, self._engine = port, engine
        self.stream = self._journal.begin_stream(port.facts.driver, port.facts.device)
        if not port.facts.simulated:
            # A real stream does not wait for the driver, which may have something else to do.
            self._service = ServiceThread(engine)
            self._service.start()

    def close(self) -> None:
        """Stop the stream; safe to call twice."""
        if self._port is not None:
            self._port.close()
        if self._service is not None:
            self._service.stop()
        if self._engine is not None:
            self._engine.close()

    def advance(self) -> None:
        """Let the stream run on for a moment, and move what was played and heard between disk and buffers.

        Raises RigError where the interface is lost, or an insert howls.
        """
        port, engine = self._need_stream()
        if self._service is None:
            port.advance(STEP_S)
            engine.service()
        else:
            port.advance(LIVE_STEP_S)
            self._service.check()
        if engine.howling is not None:
            raise RigError(
                f"insert {engine.howling} howls: loud while nothing was sent. Its sends were muted. "
                "Turn levels down and look for a return that is fed back to its send (the interface's mixer, a patch); "
                "then run again"
            )

    def lose(self) -> list[str]:
        """The interface is gone: the passes whose takes were in the air, as far as they got."""
        if self._engine is None:
            return []
        names = self._engine.names_in_the_air()
        self.close()
        self._port = self._engine = self._service = None
        return names

    def is_clear(self, work: Work, others: Sequence[Work]) -> bool:
        """Whether a take could begin now: its return has fallen silent and the timing loop is free."""
        port, engine = self._need_stream()
        if work.quiet_since is None:
            work.quiet_since = port.played_frames
        waited = (port.played_frames - work.quiet_since) / work.each.rate
        loud = engine.mean_square(self._job.insert_of(work.each).returns) > 10 ** (QUIET_DBFS / 10)
        if loud and waited < QUIET_PATIENCE_S:
            return False
        return self._loop_is_clear(work, others)

    def roll(self, work: Work, number: int) -> None:
        """Put a take of a pass in the air; the journal knows of it already."""
        port, engine = self._need_stream()
        each, insert = work.each, self._job.insert_of(work.each)
        loop = self._job.rig.interface.timing_loop
        with_loop = loop is not None and insert.uses_timing_loop
        sends = [*insert.sends, *([loop.send] if with_loop and loop is not None else [])]
        returns = [*insert.returns, *([loop.return_] if with_loop and loop is not None else [])]
        plan = PlayoutPlan(
            each.layout,
            insert.mode,
            each.rate,
            each.send_db,
            marker_of(insert, each.rate),
            marker_on_path=insert.timing == "markers",
            loop=with_loop,
        )
        file = take_path(each, number)
        work.record = TakeRecord(
            pass_id=each.id,
            number=number,
            file=file,
            rate=each.rate,
            channels=insert.channels,
            loop_channel=with_loop,
            frames=each.layout.total,
            layout=each.layout,
            recorded_at=datetime.now(UTC).replace(microsecond=0).isoformat(),
            glitches=0,
            driver=port.facts.driver,
            device=port.facts.device,
            cold_units=self._cold_units(each),
            stream=self.stream,
        )
        flight = Flight(
            each.id,
            Playout(plan, StemReader(work.parts, each.source_channels, each.source_frames)),
            TakeWriter(self._paths.absolute(file), each.rate, len(returns)),
            [engine.sends.index(channel) for channel in sends],
            [engine.returns.index(channel) for channel in returns],
            0,
            each.layout.total,
            each.rate,
            port.facts.block,
        )
        # Files that take their time to open must not make a take late: only now is it known when it begins.
        flight.service()
        flight.start = start = self._next_start(each.rate)
        port.dial(insert.id, self._job.snapshot_of(each).settings)
        completed = self._journal.completed_takes(each.id)
        port.announce_take(insert.id, each.id, number, completed, start, each.layout.total)
        work.flight = flight
        work.quiet_since = None
        engine.start(work.flight)

    def land(self) -> list[tuple[Flight, Ending]]:
        """The takes that have ended, and how."""
        if self._engine is None:
            return []
        landed = self._engine.land()
        self.rolled_s += sum(flight.heard_frames / flight.rate for flight, _ in landed)
        return landed

    def fade_out(self) -> None:
        """Fade out everything that plays."""
        if self._engine is not None:
            self._engine.abort()

    def describe(self, works: Sequence[Work]) -> list[Rolling]:
        """What is in the air."""
        return [_describe(work, work.flight) for work in works if work.flight is not None]

    def _cold_units(self, each: Pass) -> tuple[str, ...]:
        on_s = self.rack_on_s
        if on_s is None:
            return ()
        return tuple(unit.id for unit in self._job.units_of(each) if on_s < 60.0 * (unit.warm_up_min or 0.0))

    def _need_stream(self) -> tuple[AudioPort, PassEngine]:
        assert self._port is not None
        assert self._engine is not None
        return self._port, self._engine

    def _next_start(self, rate: int) -> int:
        port, _ = self._need_stream()
        return port.played_frames + round(START_MARGIN_S * rate) + 2 * port.facts.block

    def _loop_is_clear(self, work: Work, others: Sequence[Work]) -> bool:
        """Whether this take's markers would keep clear of those of others on the timing loop."""
        if not self._job.insert_of(work.each).uses_timing_loop:
            return True
        start = self._next_start(work.each.rate)
        mine = [start + at for at in (work.each.layout.head_marker_at, work.each.layout.tail_marker_at)]
        for other in others:
            if other.flight is None or not other.need_record().loop_channel:
                continue
            layout = other.each.layout
            theirs = [other.flight.start + at for at in (layout.head_marker_at, layout.tail_marker_at)]
            if any(abs(a - b) < LOOP_CLEARANCE_S * work.each.rate for a in mine for b in theirs):
                return False
        return True


def _describe(work: Work, flight: Flight) -> Rolling:
    sent, heard = flight.take_peaks()
    return Rolling(
        work.each.id,
        work.each.insert,
        flight.heard_frames / flight.total,
        (flight.total - flight.heard_frames) / flight.rate,
        level_or_none(ratio_to_db(sent)),
        level_or_none(ratio_to_db(heard)),
        work.glitches + flight.glitches,
    )
