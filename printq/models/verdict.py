"""What was measured on a take, against which limits, and what follows from it."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal

from printq.models.base import Record
from printq.models.limits import LimitOrOff

__all__ = ["Agreement", "Check", "Level", "Loudness", "Outcome", "SourceFacts", "Timing", "Verdict", "worst_outcome"]

Outcome = Literal["pass", "warn", "fail"]


class Check(Record):
    """One check of one take. Levels that are silence are None."""

    check: str
    """Its id, such as `noise`."""
    value: float | None
    """What was measured, in `unit`; None for silence or where it could not be measured."""
    unit: str
    limit: LimitOrOff | None
    verdict: Outcome
    because_of: str | None = None
    """The check that this one only follows from."""
    cause: str | None = None
    """Likely cause, in the words of the trade."""
    remedy: str | None = None
    """What to do."""
    detail: dict[str, float | str | None] = {}
    """Further figures beside the value, named with their unit."""


class Level(Record):
    """Peaks and mean of one signal."""

    sample_peak_dbfs: float | None
    true_peak_dbtp: float | None
    rms_dbfs: float | None
    dc: float
    """Largest mean of a channel, linear, with its sign."""


class Loudness(Record):
    """Loudness by BS.1770 and Tech 3341/3342; None where it cannot be had (silence, too short)."""

    integrated_lufs: float | None
    range_lu: float | None
    momentary_max_lufs: float | None
    short_term_max_lufs: float | None


class SourceFacts(Record):
    """What is about to be played, measured before anything plays."""

    audio_sha256: str
    """Checksum of rate, channels and decoded samples: two files that sound the same share it."""
    file_sha256: str | None
    """Checksum of the file itself; None for a sum."""
    frames: int
    rate: int
    channels: int
    time_reference: int | None
    encoding: str
    level: Level
    """Of the source as it lies on disk, without gains."""
    loudness: Loudness
    sent_sample_peak_dbfs: float | None
    """After the gains of the pass and its channel mode, as played."""
    sent_true_peak_dbtp: float | None


class Timing(Record):
    """Delay of a take, measured before it is trimmed."""

    delay_samples: float | None
    """Of the head marker (or the stem itself), the mean of the channels; None where nothing clear came back."""
    channel_delays: tuple[float, ...] = ()
    tail_delay_samples: float | None
    """The same from the tail marker."""
    slip_samples: float | None
    """Tail against head."""
    polarity: tuple[int, ...] = ()
    """1 or -1 for each channel."""
    gain_db: tuple[float, ...] = ()
    """Level of the head marker as it came back, against what was sent, per channel."""
    tail_gain_db: tuple[float, ...] = ()
    loop_delay_samples: float | None = None
    """The converters' part, where the timing loop carried markers."""
    error: str | None = None
    """Why there is no delay, where there is none."""

    def compared_samples(self, timing: str) -> float | None:
        """The delay that is compared between takes: on the timing loop a unit's own wander does not count."""
        return self.loop_delay_samples if timing == "loop" else self.delay_samples


class Agreement(Record):
    """A take nulled against another recording of the same pass, after gain and delay were fitted."""

    against: str
    """Such as `take 1` or `print v2`."""
    take: int | None
    """Number of the other take, where it is one of the same pass."""
    depth_db: float | None = None
    """None where nothing at all is left, or with `error`."""
    noise_allows_db: float | None = None
    gain_db: float | None = None
    """This take over the other."""
    delay_samples: float | None = None
    worst_band_hz: float | None = None
    """A third octave that differs far more than the others; None where there is none."""
    worst_band_depth_db: float | None = None
    worst_at_s: float | None = None
    """Start of the second that nulls worst."""
    worst_second_db: float | None = None
    usual_second_db: float | None = None
    """Median over the seconds."""
    error: str | None = None
    """Why they could not be compared."""

    def turned(self, name: str, take: int) -> Agreement:
        """The same, seen from the other take; `name` and `take` are those of this one."""
        return self.model_copy(
            update={
                "against": name,
                "take": take,
                "gain_db": -self.gain_db if self.gain_db is not None else None,
                "delay_samples": -self.delay_samples if self.delay_samples is not None else None,
            }
        )


class Verdict(Record):
    """All checks of one take."""

    outcome: Outcome
    checks: tuple[Check, ...]
    loudness: Loudness
    """Of the finished print, for its metadata."""
    true_peak_dbtp: float | None
    """Of the finished print."""
    agreements: tuple[Agreement, ...] = ()
    """With other takes, or the print before."""

    def failed(self) -> list[Check]:
        """The checks that failed by themselves, without those that only follow from another."""
        return [c for c in self.checks if c.verdict == "fail" and c.because_of is None]


def worst_outcome(checks: Iterable[Check]) -> Outcome:
    """What some checks come to together."""
    outcomes = {check.verdict for check in checks}
    return "fail" if "fail" in outcomes else "warn" if "warn" in outcomes else "pass"
