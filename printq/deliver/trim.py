"""Where the print begins in the take: decided once for an insert, then kept.

Passes through one insert must stay together to the sample, although each is measured for itself and a
snapshot's filters move the measured delay by parts of a sample. So the first whole-sample trim of an
insert in a stream is kept for all that follow, as long as they agree to within the hysteresis. A new
start of the stream has another latency, by whole samples; the fraction by which the last decision was
rounded then decides, so that a session goes on as if it had not been interrupted.
"""

from __future__ import annotations

import math

from printq.models.base import Record
from printq.models.delivery import Trim
from printq.models.rig import Insert
from printq.models.verdict import Timing

__all__ = ["HYSTERESIS_SAMPLES", "TrimHistory", "choose_trim"]

HYSTERESIS_SAMPLES = 0.75


class TrimHistory(Record):
    """The last decision for an insert."""

    stream: str
    """The start of the stream in which it was made."""
    frames: int
    residual: float
    """Measured delay less the trim, in samples, when it was decided."""

    @classmethod
    def decide(cls, stream: str, trim: Trim) -> TrimHistory:
        """The decision for the takes that follow."""
        return cls(stream=stream, frames=trim.frames, residual=trim.fraction)


def choose_trim(timing: Timing, insert: Insert, stream: str, history: TrimHistory | None) -> Trim | None:
    """The trim of a take, or None where neither the take nor its insert has a delay to go by."""
    delay = timing.loop_delay_samples if insert.trim == "loop" else timing.delay_samples
    same_stream = history is not None and history.stream == stream
    if delay is None:
        return Trim(frames=history.frames, fraction=0.0, kept=True) if history and same_stream else None
    if history is not None and same_stream and abs(delay - history.frames) <= HYSTERESIS_SAMPLES:
        return Trim(frames=history.frames, fraction=delay - history.frames, kept=True)
    frames = math.floor(delay + 0.5)
    if history is not None and not same_stream:
        likely = math.floor(delay - history.residual + 0.5)
        if abs(delay - likely) <= HYSTERESIS_SAMPLES:
            return Trim(frames=likely, fraction=delay - likely, kept=True)
    return Trim(frames=frames, fraction=delay - frames, kept=False)
