"""The verdict on a take: every check, its limit, and what follows from what.

Where one cause trips several checks, the root fails and the others carry `because_of`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from printq.models.limits import CHECK_IDS, Limit, LimitOrOff
from printq.models.passes import Pass
from printq.models.rig import Insert, Interface, Unit
from printq.models.verdict import Check, Loudness, SourceFacts, Timing, Verdict
from printq.units import level_or_none, ratio_to_db
from printq.verify.findings import FINDINGS
from printq.verify.measure_take import TakeFigures

__all__ = ["Situation", "judge_send", "judge_take"]

Outcome = Literal["pass", "warn", "fail"]
Detail = dict[str, float | str | None]

SILENT_BELOW_DB = 3.0
"""A return that stands less than this over its noise while the stem plays carries nothing."""

PEAK_TOLERANCE_DB = 0.2
"""A converter loop reproduces a peak to within this; common practice. A hot stem is not held for its own peaks."""
OWN_DELAY_S = 0.005
"""A unit that delays by more than this by itself is an echo, a reverb or a tape; common practice."""

ROOTS: dict[str, tuple[str, ...]] = {
    "slip": ("silent", "latency"),
    "latency": ("silent",),
    "polarity": ("silent", "latency", "channels"),
    "balance": ("silent", "channels"),
    "channels": ("silent",),
    "level": ("silent", "slip"),
    "sample_peak": ("clip",),
    "true_peak": ("clip", "sample_peak"),
    "loudness": ("silent", "clip"),
    "dc": ("clip",),
}
"""For each check, those that explain it when they fail as well, the likeliest first."""


@dataclass(frozen=True)
class Situation:
    """What a take is judged against, besides its own figures."""

    each: Pass
    insert: Insert
    units: Sequence[Unit]
    interface: Interface
    source: SourceFacts
    reference_delay_samples: float | None
    """Delay of an earlier take of the insert in this stream; None for the first."""


def judge_send(situation: Situation) -> Check:
    """Whether the stem may be played at all; made before anything plays."""
    judge = _Judge(situation.each.limits)
    source = situation.source
    sample, true = source.sent_sample_peak_dbfs, source.sent_true_peak_dbtp
    detail: Detail = {"sample_peak_dbfs": sample, "true_peak_dbtp": true}
    limit = situation.each.limits["send"]
    verdict: Outcome = "pass"
    finding = None
    if isinstance(limit, Limit):
        if true is not None and limit.warn is not None and true > limit.warn:
            verdict, finding = "warn", "send.hot"
        if sample is not None and limit.fail is not None and sample > limit.fail:
            verdict, finding = "fail", "send.over"
        too_hot = _hotter_than_a_unit_takes(situation, sample)
        if too_hot is not None and verdict != "fail":
            verdict, finding = "fail", "send.unit"
            detail["unit"] = too_hot
    return judge.make("send", true, "dBTP", verdict, finding, detail)


def judge_take(situation: Situation, timing: Timing, figures: TakeFigures) -> Verdict:
    """All checks of a take."""
    judge = _Judge(situation.each.limits)
    checks = {
        check.check: check
        for check in (
            judge_send(situation),
            _judge_length(judge, situation, figures),
            _judge_slip(judge, situation, timing),
            _judge_latency(judge, situation, timing),
            _judge_clip(judge, figures),
            *_judge_peaks(judge, situation, figures),
            _judge_loudness(judge, situation, figures.loudness),
            *_judge_noise(judge, figures),
            _judge_dc(judge, figures),
            _judge_polarity(judge, situation, timing),
            _judge_balance(judge, situation, timing),
            _judge_level(judge, situation, timing),
            _judge_silent(judge, figures),
            _judge_channels(judge, situation, timing),
        )
    }
    ordered = [_point_at_root(checks[name], checks) for name in CHECK_IDS if name in checks]
    outcomes = {check.verdict for check in ordered}
    return Verdict(
        outcome="fail" if "fail" in outcomes else "warn" if "warn" in outcomes else "pass",
        checks=tuple(ordered),
        loudness=figures.loudness,
        true_peak_dbtp=figures.finished.true_peak_dbtp,
    )


class _Judge:
    """Compares values with the limits of a pass."""

    def __init__(self, limits: Mapping[str, LimitOrOff]) -> None:
        self._limits = limits

    def compare(
        self,
        check: str,
        value: float | None,
        unit: str,
        detail: Detail | None = None,
        *,
        allowed: float | None = None,
        warn_finding: str | None = None,
    ) -> Check:
        """Judge a value by the check's limit; `allowed` lifts it to what the stem has itself."""
        limit = self._limits[check]
        verdict: Outcome = "pass"
        if isinstance(limit, Limit) and value is not None:
            for name, level in (("warn", limit.warn), ("fail", limit.fail)):
                if level is not None and value > (level if allowed is None else max(level, allowed)):
                    verdict = "warn" if name == "warn" else "fail"
        finding = warn_finding if verdict == "warn" and warn_finding else check
        return self.make(check, value, unit, verdict, finding, detail or {})

    def make(
        self, check: str, value: float | None, unit: str, verdict: Outcome, finding: str | None, detail: Detail
    ) -> Check:
        """A check with its verdict decided; a limit that is off passes, on the record."""
        limit = self._limits[check]
        if limit == "off":
            verdict = "pass"
        found = FINDINGS.get(finding) if finding is not None and verdict != "pass" else None
        return Check(
            check=check,
            value=level_or_none(value),
            unit=unit,
            limit=limit,
            verdict=verdict,
            cause=found.cause if found else None,
            remedy=found.remedy if found else None,
            detail=detail,
        )


def _hotter_than_a_unit_takes(situation: Situation, sample_peak_dbfs: float | None) -> str | None:
    full_scale = situation.interface.full_scale_send_dbu
    first = next(iter(situation.units), None)
    if full_scale is None or sample_peak_dbfs is None or first is None or first.max_in_dbu is None:
        return None
    # dBFS and dBu are both levels of a sine's RMS here: its peak at full scale is the full-scale level.
    return first.id if sample_peak_dbfs + full_scale > first.max_in_dbu else None


def _judge_length(judge: _Judge, situation: Situation, figures: TakeFigures) -> Check:
    expected = situation.each.print_frames
    difference = max(abs(figures.print_frames - expected), figures.missing_frames)
    detail: Detail = {"print_frames": figures.print_frames, "expected_frames": expected}
    return judge.compare("length", float(difference), "samples", detail)


def _judge_slip(judge: _Judge, situation: Situation, timing: Timing) -> Check:
    head = timing.compared_samples(situation.insert.timing)
    detail: Detail = {"head_samples": head, "tail_samples": timing.tail_delay_samples}
    if timing.slip_samples is None:
        return judge.make("slip", None, "samples", "fail", "slip.unseen", detail)
    detail["signed_samples"] = timing.slip_samples
    return judge.compare("slip", abs(timing.slip_samples), "samples", detail)


def _judge_latency(judge: _Judge, situation: Situation, timing: Timing) -> Check:
    insert, reference = situation.insert, situation.reference_delay_samples
    compared = timing.compared_samples(insert.timing)
    detail: Detail = {"delay_samples": timing.delay_samples, "reference_samples": reference}
    if timing.delay_samples is None or compared is None:
        detail["error"] = timing.error
        unclear = insert.timing != "markers" and (insert.timing == "material" or timing.loop_delay_samples is not None)
        return judge.make(
            "latency", None, "samples", "fail", "latency.material" if unclear else "latency.unseen", detail
        )
    found = judge.compare("latency", abs(compared - reference) if reference is not None else 0.0, "samples", detail)
    own = timing.delay_samples - compared if insert.timing == "loop" and insert.trim == "path" else 0.0
    if found.verdict == "pass" and own > OWN_DELAY_S * situation.each.rate:
        detail["own_delay_samples"] = own
        return judge.make("latency", found.value, "samples", "warn", "latency.own", detail)
    return found


def _judge_clip(judge: _Judge, figures: TakeFigures) -> Check:
    return judge.compare("clip", float(figures.clip_runs), "runs", {"first_s": figures.first_clip_s})


def _judge_peaks(judge: _Judge, situation: Situation, figures: TakeFigures) -> list[Check]:
    found = []
    for check, unit, read in _PEAKS:
        returned, finished = read(figures.returned), read(figures.finished)
        stem = read(situation.source.level)
        allowed = stem + PEAK_TOLERANCE_DB if stem is not None else None
        loudest = max((x for x in (returned, finished) if x is not None), default=None)
        detail: Detail = {"return": returned, "print": finished, "stem": stem}
        found.append(judge.compare(check, loudest, unit, detail, allowed=allowed, warn_finding=f"{check}.near"))
    return found


_PEAKS: tuple[tuple[str, str, Callable[..., float | None]], ...] = (
    ("sample_peak", "dBFS", lambda level: level.sample_peak_dbfs),
    ("true_peak", "dBTP", lambda level: level.true_peak_dbtp),
)


def _judge_loudness(judge: _Judge, situation: Situation, loudness: Loudness) -> Check:
    dry, printed = situation.source.loudness.integrated_lufs, loudness.integrated_lufs
    change = printed - dry if printed is not None and dry is not None else None
    detail: Detail = {
        "change_lu": change,
        "integrated_lufs": printed,
        "dry_lufs": dry,
        "range_lu": loudness.range_lu,
        "momentary_max_lufs": loudness.momentary_max_lufs,
        "short_term_max_lufs": loudness.short_term_max_lufs,
    }
    return judge.compare("loudness", abs(change) if change is not None else None, "LU", detail)


def _judge_noise(judge: _Judge, figures: TakeFigures) -> list[Check]:
    noisiest = max(figures.noise, key=lambda noise: noise.rms_dbfs)
    humming = max(figures.noise, key=lambda noise: noise.hum_dbfs)
    noise_detail: Detail = {"a_weighted_dbfs": level_or_none(noisiest.a_weighted_dbfs)}
    hum_detail: Detail = {f"{hz:g}_hz_dbfs": level_or_none(level) for hz, level in humming.lines}
    return [
        judge.compare("noise", noisiest.rms_dbfs, "dBFS", noise_detail),
        judge.compare("hum", humming.hum_dbfs, "dBFS", hum_detail),
    ]


def _judge_dc(judge: _Judge, figures: TakeFigures) -> Check:
    return judge.compare("dc", ratio_to_db(figures.dc_difference), "dBFS", {"linear": figures.dc_difference})


def _judge_polarity(judge: _Judge, situation: Situation, timing: Timing) -> Check:
    expected = -1 if situation.insert.inverts else 1
    other = [sign for sign in timing.polarity if sign not in (0, expected)]
    detail: Detail = {"expected": float(expected)}
    detail |= {f"channel_{n}": float(sign) if sign else None for n, sign in enumerate(timing.polarity, start=1)}
    if not other and (not timing.polarity or 0 in timing.polarity):
        return judge.make("polarity", None, "channels", "warn", "polarity.unseen", detail)
    return judge.compare("polarity", float(len(other)), "channels", detail)


def _judge_balance(judge: _Judge, situation: Situation, timing: Timing) -> Check:
    if situation.insert.mode != "stereo" or len(timing.gain_db) != 2:
        return judge.make("balance", None, "dB", "pass", None, {})
    left, right = timing.gain_db
    return judge.compare("balance", abs(left - right), "dB", {"left_db": left, "right_db": right})


def _judge_level(judge: _Judge, situation: Situation, timing: Timing) -> Check:
    # What a threshold does to a marker depends on what played before it.
    moves = any(control.acts_on == "threshold" for unit in situation.units for control in unit.control)
    if moves or not timing.gain_db or len(timing.gain_db) != len(timing.tail_gain_db):
        return judge.make("level", None, "dB", "pass", None, {})
    changes = [b - a for a, b in zip(timing.gain_db, timing.tail_gain_db, strict=True)]
    return judge.compare("level", max(abs(change) for change in changes), "dB", {"change_db": max(changes, key=abs)})


def _judge_silent(judge: _Judge, figures: TakeFigures) -> Check:
    silent = [level for level in figures.above_noise_db if level is not None and level < SILENT_BELOW_DB]
    detail: Detail = {f"channel_{n}_above_noise_db": level for n, level in enumerate(figures.above_noise_db, start=1)}
    return judge.compare("silent", float(len(silent)), "channels", detail)


def _judge_channels(judge: _Judge, situation: Situation, timing: Timing) -> Check:
    # A side that is silent in the stem gets a marker all the same.
    if situation.insert.timing == "markers" and 0 in timing.polarity and any(timing.polarity):
        dead = timing.polarity.index(0) + 1
        return judge.make("channels", None, "samples", "fail", "channels.dead", {"dead_channel": float(dead)})
    if situation.insert.mode in ("mono", "dual-mono") or len(timing.channel_delays) != 2:
        return judge.make("channels", None, "samples", "pass", None, {})
    skew = timing.channel_delays[1] - timing.channel_delays[0]
    return judge.compare("channels", abs(skew), "samples", {"right_later_by_samples": skew})


def _point_at_root(check: Check, checks: Mapping[str, Check]) -> Check:
    if check.verdict == "pass":
        return check
    for root in ROOTS.get(check.check, ()):
        found = checks.get(root)
        if found is not None and found.verdict == "fail":
            return check.model_copy(update={"because_of": root})
    return check
