"""The verdict on a take: every check, its limit, and what follows from what.

Where one cause trips several checks, the root fails and the others carry `because_of`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from printq.measure.channels import SignByBand
from printq.models.limits import CHECK_IDS, Limit
from printq.models.passes import Pass
from printq.models.rig import Insert, Interface, Unit
from printq.models.verdict import Check, Loudness, Outcome, SourceFacts, Timing, Verdict
from printq.units import level_or_none, ratio_to_db
from printq.verify.comparing import Detail, Judge
from printq.verify.measure_take import TakeFigures

__all__ = ["Situation", "judge_send", "judge_take"]

Polarity = Literal["as expected", "other", "mixed", "unseen"]

SILENT_BELOW_DB = 3.0
"""A return that stands less than this over its noise while the stem plays carries nothing."""

PEAK_TOLERANCE_DB = 0.2
"""A converter loop reproduces a peak to within this; common practice. A hot stem is not held for its own peaks."""
CLEAR_DRIFT = 3.0
"""Times its own standard error from which on a slope of the delay is one."""
OWN_DELAY_S = 0.005
"""A unit that delays by more than this by itself is an echo, a reverb or a tape; common practice."""

AT_FULL_SCALE = 0.99
NEARLY_ALL_BANDS = 0.9
"""Of the bands that stem and return have in common. An inverted path through equalisers, compressors and saturation
leaves 0.95 and more inverted, one all-pass at 200 Hz 0.6."""
MOST_BANDS = 0.7
"""So many upright say that a path is, whatever its filter does to the markers' band."""
FEWEST_BANDS = 4
"""Third octaves: a stem that plays in fewer cannot speak for the path."""
BYPASSED_WITHIN_DB = 6.0
"""Of what noise allows: a residual of twice the noise."""

ROOTS: dict[str, tuple[str, ...]] = {
    "slip": ("silent", "latency"),
    "latency": ("silent",),
    "polarity": ("silent", "latency", "channels"),
    "balance": ("silent", "channels"),
    "channels": ("silent",),
    "level": ("silent", "slip"),
    "sample_peak": ("clip",),
    "true_peak": ("clip", "sample_peak"),
    "loudness": ("silent", "channels", "clip"),
    "dc": ("clip",),
    "dropout": ("silent", "latency", "slip", "channels", "clip"),
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
    cold_units: tuple[str, ...] = ()
    """Units that were not warm yet when the take began."""


def judge_send(situation: Situation) -> Check:
    """Whether the stem may be played at all; made before anything plays."""
    judge = Judge(situation.each.limits)
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
    judge = Judge(situation.each.limits)
    checks = {
        check.check: check
        for check in (
            judge_send(situation),
            _judge_length(judge, situation, figures),
            _judge_slip(judge, situation, timing, figures),
            _judge_latency(judge, situation, timing),
            _judge_clip(judge, situation, figures),
            *_judge_peaks(judge, situation, figures),
            _judge_loudness(judge, situation, figures.loudness),
            *_judge_noise(judge, figures),
            _judge_dc(judge, figures),
            _judge_polarity(judge, situation, timing, figures),
            _judge_balance(judge, situation, timing),
            _judge_level(judge, situation, timing),
            _judge_silent(judge, figures),
            _judge_channels(judge, situation, timing, figures),
            _judge_dropout(judge, situation, figures),
            _judge_bypassed(judge, figures),
            _judge_warm_up(judge, situation),
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


def _hotter_than_a_unit_takes(situation: Situation, sample_peak_dbfs: float | None) -> str | None:
    full_scale = situation.interface.full_scale_send_dbu
    first = next(iter(situation.units), None)
    if full_scale is None or sample_peak_dbfs is None or first is None or first.max_in_dbu is None:
        return None
    # dBFS and dBu are both levels of a sine's RMS here: its peak at full scale is the full-scale level.
    return first.id if sample_peak_dbfs + full_scale > first.max_in_dbu else None


def _judge_length(judge: Judge, situation: Situation, figures: TakeFigures) -> Check:
    expected = situation.each.print_frames
    difference = max(abs(figures.print_frames - expected), figures.missing_frames)
    detail: Detail = {"print_frames": figures.print_frames, "expected_frames": expected}
    return judge.compare("length", float(difference), "samples", detail)


def _judge_slip(judge: Judge, situation: Situation, timing: Timing, figures: TakeFigures) -> Check:
    head = timing.compared_samples(situation.insert.timing)
    detail: Detail = {"head_samples": head, "tail_samples": timing.tail_delay_samples}
    if timing.slip_samples is None:
        return judge.make("slip", None, "samples", "fail", "slip.unseen", detail)
    detail["signed_samples"] = timing.slip_samples
    track = figures.dropouts.track
    if track.slips:
        detail |= _place("first_at", track.slips[0].frame, track.slips[0].rest, situation.each.rate)
        detail["samples"] = float(track.slips[0].samples)
    found = judge.compare("slip", abs(timing.slip_samples), "samples", detail)
    drift, error = track.drift_ppm, track.drift_error_ppm
    if drift is not None and error is not None and abs(drift) > CLEAR_DRIFT * error:
        detail["drift_ppm"] = drift
        if found.verdict != "pass" and not track.slips:
            return judge.make("slip", found.value, "samples", found.verdict, "slip.drift", detail)
    return found


def _judge_latency(judge: Judge, situation: Situation, timing: Timing) -> Check:
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


def _judge_clip(judge: Judge, situation: Situation, figures: TakeFigures) -> Check:
    # A ceiling at full scale is the same thing as the runs there.
    below = [each for each in figures.ceilings if not figures.clip_runs or abs(each.level) < AT_FULL_SCALE]
    intended = any(control.acts_on == "drive" for unit in situation.units for control in unit.control)
    tops = sum(each.spans for each in below)
    lowest = min((abs(each.level) for each in below), default=None)
    counted = 0 if intended else tops
    rate = situation.each.rate
    starts = [each.first_frame / rate for each in below if counted]
    starts += [figures.first_clip_s] if figures.first_clip_s is not None else []
    detail: Detail = {"first_s": min(starts, default=None), "full_scale_runs": figures.clip_runs, "flat_tops": tops}
    if lowest is not None:
        detail["ceiling_dbfs"] = ratio_to_db(lowest)
        detail["ceiling_channels"] = ", ".join(str(channel + 1) for channel in sorted({each.channel for each in below}))
    if tops and intended:
        detail["meant_to_saturate"] = "yes"
    found = judge.compare("clip", float(figures.clip_runs + counted), "runs", detail)
    if found.verdict != "pass" and not figures.clip_runs:
        return judge.make("clip", found.value, "runs", found.verdict, "clip.below", detail)
    return found


def _judge_peaks(judge: Judge, situation: Situation, figures: TakeFigures) -> list[Check]:
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


def _judge_loudness(judge: Judge, situation: Situation, loudness: Loudness) -> Check:
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


def _judge_noise(judge: Judge, figures: TakeFigures) -> list[Check]:
    noisiest = max(figures.noise, key=lambda noise: noise.rms_dbfs)
    humming = max(figures.noise, key=lambda noise: noise.hum_dbfs)
    noise_detail: Detail = {"a_weighted_dbfs": level_or_none(noisiest.a_weighted_dbfs)}
    hum_detail: Detail = {f"{hz:g}_hz_dbfs": level_or_none(level) for hz, level in humming.lines}
    return [
        judge.compare("noise", noisiest.rms_dbfs, "dBFS", noise_detail),
        judge.compare("hum", humming.hum_dbfs, "dBFS", hum_detail),
    ]


def _judge_dc(judge: Judge, figures: TakeFigures) -> Check:
    return judge.compare("dc", ratio_to_db(figures.dc_difference), "dBFS", {"linear": figures.dc_difference})


def _judge_polarity(judge: Judge, situation: Situation, timing: Timing, figures: TakeFigures) -> Check:
    expected = -1 if situation.insert.inverts else 1
    found: list[Polarity] = []
    detail: Detail = {"expected": float(expected)}
    for n, sign in enumerate(timing.polarity):
        bands = figures.signs[n] if n < len(figures.signs) else None
        found.append(_polarity_of(sign, bands, expected))
        detail[f"channel_{n + 1}"] = float(sign) if sign else None
        if bands is not None:
            detail[f"channel_{n + 1}_upright_share"] = round(bands.upright, 3)
            detail[f"channel_{n + 1}_inverted_share"] = round(bands.inverted, 3)
    other = found.count("other")
    if not other and "mixed" in found:
        return judge.make("polarity", 0.0, "channels", "warn", "polarity.mixed", detail)
    if not other and (not found or "unseen" in found):
        return judge.make("polarity", None, "channels", "warn", "polarity.unseen", detail)
    return judge.compare("polarity", float(other), "channels", detail)


def _polarity_of(marker: int, bands: SignByBand | None, expected: int) -> Polarity:
    """One channel's sign: a filter that turns the phase turns markers, too, but not nearly all bands."""
    if bands is None or len(bands.bands) < FEWEST_BANDS:
        return "unseen" if marker == 0 else "as expected" if marker == expected else "other"
    upright, inverted = bands.upright, bands.inverted
    against, agreeing = (inverted, upright) if expected > 0 else (upright, inverted)
    if agreeing >= MOST_BANDS:
        return "as expected"
    if against >= NEARLY_ALL_BANDS:
        return "mixed" if marker == expected else "other"
    return "unseen" if marker == 0 else "as expected" if marker == expected else "mixed"


def _judge_balance(judge: Judge, situation: Situation, timing: Timing) -> Check:
    if situation.insert.mode != "stereo" or len(timing.gain_db) != 2:
        return judge.make("balance", None, "dB", "pass", None, {})
    left, right = timing.gain_db
    return judge.compare("balance", abs(left - right), "dB", {"left_db": left, "right_db": right})


def _judge_level(judge: Judge, situation: Situation, timing: Timing) -> Check:
    # What a threshold does to a marker depends on what played before it.
    moves = any(control.acts_on == "threshold" for unit in situation.units for control in unit.control)
    if moves or not timing.gain_db or len(timing.gain_db) != len(timing.tail_gain_db):
        return judge.make("level", None, "dB", "pass", None, {})
    changes = [b - a for a, b in zip(timing.gain_db, timing.tail_gain_db, strict=True)]
    return judge.compare("level", max(abs(change) for change in changes), "dB", {"change_db": max(changes, key=abs)})


def _judge_silent(judge: Judge, figures: TakeFigures) -> Check:
    silent = [level for level in figures.above_noise_db if level is not None and level < SILENT_BELOW_DB]
    detail: Detail = {f"channel_{n}_above_noise_db": level for n, level in enumerate(figures.above_noise_db, start=1)}
    return judge.compare("silent", float(len(silent)), "channels", detail)


def _judge_channels(judge: Judge, situation: Situation, timing: Timing, figures: TakeFigures) -> Check:
    # A side that is silent in the stem gets a marker all the same.
    if situation.insert.timing == "markers" and 0 in timing.polarity and any(timing.polarity):
        dead = timing.polarity.index(0) + 1
        return judge.make("channels", None, "samples", "fail", "channels.dead", {"dead_channel": float(dead)})
    mode, sides = situation.insert.mode, figures.sides
    detail: Detail = {}
    if sides is not None:
        detail |= {"stem_correlation": sides.stem_correlation, "return_correlation": sides.return_correlation}
        detail |= {f"channel_{n}_from_other_db": level for n, level in enumerate(sides.over_db, start=1)}
        if sides.same:
            return judge.make("channels", None, "samples", "fail", "channels.same", detail)
        if sides.crossed:
            finding = "channels.crossed-mid-side" if mode == "mid-side" else "channels.crossed"
            return judge.make("channels", None, "samples", "fail", finding, detail)
    if mode in ("mono", "dual-mono") or len(timing.channel_delays) != 2:
        return judge.make("channels", None, "samples", "pass", None, detail)
    skew = timing.channel_delays[1] - timing.channel_delays[0]
    return judge.compare("channels", abs(skew), "samples", {"right_later_by_samples": skew, **detail})


def _judge_dropout(judge: Judge, situation: Situation, figures: TakeFigures) -> Check:
    faults, rate = figures.dropouts.faults, situation.each.rate
    detail: Detail = {}
    if faults:
        worst = max(faults, key=lambda fault: fault.level_dbfs)
        detail = {
            **_place("first", faults[0].start_frame, faults[0].rest, rate),
            **_place("worst", worst.start_frame, worst.rest, rate),
            "worst_kind": worst.kind,
            "worst_frames": float(worst.length),
            "worst_dbfs": worst.level_dbfs,
            "worst_channel": float(worst.channel + 1),
        }
        for kind in sorted({fault.kind for fault in faults}):
            detail[f"{kind}s"] = float(sum(fault.kind == kind for fault in faults))
    found = judge.compare("dropout", float(figures.dropouts.count), "faults", detail)
    if found.verdict == "pass":
        return found
    return judge.make("dropout", found.value, "faults", found.verdict, f"dropout.{faults[0].kind}", detail)


def _place(name: str, frame: int, rest: tuple[int, int] | None, rate: int) -> Detail:
    """When something is; where the stem rests and nothing tells, between which times."""
    if rest is None:
        return {f"{name}_s": frame / rate}
    return {f"{name}_after_s": rest[0] / rate, f"{name}_before_s": rest[1] / rate}


def _judge_warm_up(judge: Judge, situation: Situation) -> Check:
    detail: Detail = {"units": ", ".join(situation.cold_units)} if situation.cold_units else {}
    return judge.compare("warm_up", float(len(situation.cold_units)), "units", detail)


def _judge_bypassed(judge: Judge, figures: TakeFigures) -> Check:
    detail: Detail = {}
    for n, null in enumerate(figures.nulls, start=1):
        if null is not None:
            detail[f"channel_{n}_depth_db"] = null.depth_db
            detail[f"channel_{n}_noise_allows_db"] = null.noise_allows_db
    if not any(figures.nulls_known):
        return judge.make("bypassed", None, "channels", "pass", None, detail)
    bypassed = [n for n in figures.nulls if n is not None and n.depth_db - n.noise_allows_db <= BYPASSED_WITHIN_DB]
    return judge.compare("bypassed", float(len(bypassed)), "channels", detail)


def _point_at_root(check: Check, checks: Mapping[str, Check]) -> Check:
    if check.verdict == "pass":
        return check
    for root in ROOTS.get(check.check, ()):
        found = checks.get(root)
        if found is not None and found.verdict == "fail":
            return check.model_copy(update={"because_of": root})
    return check
