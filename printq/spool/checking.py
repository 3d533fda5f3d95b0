"""What a worker does with a take: measure its delay; then, trimmed, render and judge it.

Two tasks, because the trim lies between them, and only the driver may decide that: passes through one
insert share it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from printq.deliver import PrintOrder, add_loudness, make_broadcast, render_print, staged_path
from printq.files.checksums import file_sha256
from printq.files.soundfiles import update_broadcast
from printq.files.stems import StemPart
from printq.models.delivery import RenderedPrint, Trim
from printq.models.passes import Job, Pass
from printq.models.rig import Insert, Interface
from printq.models.take import TakeRecord
from printq.models.verdict import SourceFacts, Timing, Verdict
from printq.verify import (
    Reference,
    Situation,
    judge_take,
    measure_drift,
    measure_source,
    measure_take,
    measure_timing,
    recording_of,
    with_drift,
)

__all__ = ["Checked", "TakeToCheck", "check_take", "examine_source", "time_take"]


@dataclass(frozen=True)
class TakeToCheck:
    """Everything a worker needs to know about a take."""

    session: Path
    order: PrintOrder
    interface: Interface
    source: SourceFacts

    @classmethod
    def make(
        cls, job: Job, each: Pass, parts: Sequence[StemPart], source: SourceFacts, take: TakeRecord, program: str
    ) -> TakeToCheck:
        """Gather it from the job."""
        order = PrintOrder(
            each=each,
            insert=job.insert_of(each),
            units=tuple(job.units_of(each)),
            options=job.options,
            take=take,
            take_path=job.session / take.file,
            parts=tuple(parts),
            program=program,
        )
        return cls(job.session, order, job.rig.interface, source)

    @property
    def staged_name(self) -> str:
        """Where its print waits, relative to the session."""
        return staged_path(self.order.each, self.order.take.number)


@dataclass(frozen=True)
class Checked:
    """A take rendered and judged."""

    rendered: RenderedPrint
    verdict: Verdict
    file_sha256: str
    """Of the staged file as it will be delivered."""
    source_unchanged: bool
    """What was played is still what was measured before it."""


def examine_source(each: Pass, insert: Insert, parts: Sequence[StemPart]) -> SourceFacts:
    """Measure what is about to be played."""
    return measure_source(each, insert.mode, parts)


def time_take(given: TakeToCheck) -> Timing:
    """Measure the delay of a take."""
    order = given.order
    return measure_timing(order.each, order.insert, order.take, order.take_path, order.parts)


def check_take(
    given: TakeToCheck,
    timing: Timing,
    trim: Trim,
    reference_delay_samples: float | None,
    against: Sequence[Reference] = (),
    repeatability_db: float | None = None,
) -> Checked:
    """Render the print of a take into staging, measure both, and judge; its header is complete then.

    `against` is what the take is nulled against, `repeatability_db` how deep such nulls are on its insert as a rule.
    """
    order = given.order
    staged = given.session / given.staged_name
    broadcast = make_broadcast(order)
    rendered = render_print(order, trim, staged, broadcast)
    figures = measure_take(
        order.each,
        order.insert,
        order.take,
        order.take_path,
        trim,
        order.parts,
        staged,
        given.source,
        given.interface.mains_hz,
        _own_delay(order.insert, timing, trim),
        written_sha256=rendered.audio_sha256 or None,
    )
    situation = Situation(
        order.each,
        order.insert,
        order.units,
        given.interface,
        given.source,
        reference_delay_samples,
        order.take.cold_units,
    )
    recording = recording_of(given.session, order.take, trim, order.each.print_frames)
    agreements = measure_drift(recording, against)
    verdict = with_drift(judge_take(situation, timing, figures), order.each.limits, agreements, repeatability_db)
    update_broadcast(staged, add_loudness(broadcast, verdict))
    return Checked(
        rendered=rendered.model_copy(update={"staged": given.staged_name, "audio_sha256": figures.print_sha256}),
        verdict=verdict,
        file_sha256=file_sha256(staged),
        source_unchanged=figures.source_unchanged,
    )


def _own_delay(insert: Insert, timing: Timing, trim: Trim) -> int:
    """Frames by which the unit itself delays, where that delay stays in the print."""
    if insert.trim != "loop" or not timing.channel_delays:
        return 0
    return max(0, round(sum(timing.channel_delays) / len(timing.channel_delays)) - trim.frames)
