"""What was measured on files, as lines of text and as JSON documents: pure functions, no terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from printq.models.figures import ChannelFigures, FileFigures, Quietest
    from printq.models.null import Null

__all__ = ["figures_document", "figures_lines", "null_document", "null_lines"]

STABLE_RANGE_S = 60.0
"""A loudness range of less is to be called not stable: EBU Tech 3341, 2.4."""
MOST_MOMENTS = 8
ODD_MOMENT_DB = 10.0
"""A second that nulls this much worse than the usual one is shown."""
KEYS = (
    "frames",
    "rate",
    "channels",
    "sample_peak_dbfs",
    "true_peak_dbtp",
    "integrated_lufs",
    "loudness_range_lu",
    "momentary_max_lufs",
    "short_term_max_lufs",
    "rms_dbfs",
    "dc_dbfs",
    "crest_db",
)


# ---- JSON documents: docs/reference/json.md ----


def figures_document(found: FileFigures) -> dict[str, Any]:
    """`measure --json`."""
    document: dict[str, Any] = found.model_dump(mode="json", by_alias=True)
    return {key: document[key] for key in (*KEYS, *(key for key in document if key not in KEYS))}


# ---- text ----


def figures_lines(name: str, found: FileFigures) -> list[str]:
    """What `measure` shows to people."""
    seconds = found.frames / found.rate
    range_note = f"not stable under {STABLE_RANGE_S:.0f} s" if seconds < STABLE_RANGE_S else ""
    figures = [
        ("integrated loudness", found.integrated_lufs, "LUFS", ""),
        ("loudness range", found.loudness_range_lu, "LU", range_note if found.loudness_range_lu is not None else ""),
        ("momentary maximum", found.momentary_max_lufs, "LUFS", _place(found.momentary_max_at_s, "from")),
        ("short-term maximum", found.short_term_max_lufs, "LUFS", _place(found.short_term_max_at_s, "from")),
        ("true peak", found.true_peak_dbtp, "dBTP", _true_peak_place(found)),
        ("sample peak", found.sample_peak_dbfs, "dBFS", _sample_peak_place(found)),
        ("RMS", found.rms_dbfs, "dBFS", "a full-scale sine reads -3.01"),
        ("offset", found.dc_dbfs, "dBFS", ""),
        ("crest", found.crest_db, "dB", ""),
    ]
    lines = [
        f"{name}: {found.format} {found.encoding}, {found.rate} Hz, {_channels(found.channels)}, "
        f"{_time(seconds)} ({found.frames} frames)",
        "",
    ]
    lines += [f"  {what:<20} {_number(value):>8} {unit:<4}  {note}".rstrip() for what, value, unit, note in figures]
    if found.channels > 1:
        lines += ["", f"  {'channel':<8}{'sample peak':>23}{'true peak':>23}{'RMS':>9}{'offset':>9}{'crest':>8}"]
        lines += [_channel_line(number, each) for number, each in enumerate(found.per_channel, start=1)]
    if found.quietest is not None:
        lines += ["", *_quietest_lines(found.quietest)]
    notes = []
    if found.integrated_lufs is None:
        notes.append(_why_no_loudness(found))
    if found.channels not in (1, 2, 5, 6):
        notes.append(f"loudness: no layout is known for {found.channels} channels, so that all weigh the same")
    return [*lines, *(["", *(f"  {note}" for note in notes)] if notes else [])]


def _true_peak_place(found: FileFigures) -> str:
    places = [each.true_peak_at_s for each in found.per_channel if each.true_peak_dbtp == found.true_peak_dbtp]
    return _place(places[0], "at") if places else ""


def _sample_peak_place(found: FileFigures) -> str:
    places = [each.sample_peak_at_s for each in found.per_channel if each.sample_peak_dbfs == found.sample_peak_dbfs]
    return _place(places[0], "at") if places else ""


def _channel_line(number: int, each: ChannelFigures) -> str:
    sample_peak = f"{_number(each.sample_peak_dbfs)} {_place(each.sample_peak_at_s, 'at')}"
    true_peak = f"{_number(each.true_peak_dbtp)} {_place(each.true_peak_at_s, 'at')}"
    return (
        f"  {number:<8}{sample_peak:>23}{true_peak:>23}{_number(each.rms_dbfs):>9}{_number(each.dc_dbfs):>9}"
        f"{_number(each.crest_db):>8}"
    )


def _quietest_lines(quietest: Quietest) -> list[str]:
    where = f"  quietest second, from {_time(quietest.start_s)}:"
    if quietest.rms_dbfs is None:
        return [f"{where} digital silence"]
    lines = [f"{where} RMS {_number(quietest.rms_dbfs)} dBFS, A-weighted {_number(quietest.a_weighted_dbfs)} dBFS"]
    if quietest.hum_dbfs is not None:
        of_lines = ", ".join(f"{line.hz:.1f} Hz {_number(line.dbfs)}" for line in quietest.lines)
        lines.append(f"    hum {_number(quietest.hum_dbfs)} dBFS: {of_lines}")
    elif quietest.mains_hz is not None:
        lines.append(f"    no hum of {quietest.mains_hz} Hz stands out")
    return lines


def _why_no_loudness(found: FileFigures) -> str:
    from printq.measure.loudness import ABSOLUTE_GATE_LUFS, GATING_HOPS, HOPS_PER_SECOND, LOWEST_RATE

    if found.rate < LOWEST_RATE:
        return f"loudness: measured at rates from {LOWEST_RATE} Hz on"
    if found.frames < found.rate * GATING_HOPS / HOPS_PER_SECOND:
        return f"loudness: shorter than {GATING_HOPS / HOPS_PER_SECOND} s"
    return f"loudness: nothing is louder than {ABSOLUTE_GATE_LUFS:.0f} LUFS"


def _channels(count: int) -> str:
    return {1: "mono", 2: "stereo"}.get(count, f"{count} channels")


def _number(value: float | None) -> str:
    return f"{value:.2f}" if value is not None else "-"


def _place(seconds: float | None, word: str) -> str:
    return f"{word} {_time(seconds)}" if seconds is not None else ""


def _time(seconds: float) -> str:
    """A place or a length to the millisecond: m:ss.mmm, or h:mm:ss.mmm."""
    minutes, milliseconds = divmod(round(seconds * 1000.0), 60_000)
    hours, minutes = divmod(minutes, 60)
    return (f"{hours}:{minutes:02d}" if hours else f"{minutes}") + f":{milliseconds / 1000.0:06.3f}"


# ---- null ----


def null_document(found: Null) -> dict[str, Any]:
    """`null --json`."""
    document: dict[str, Any] = found.model_dump(mode="json")
    first = ("delay_samples", "gain_db", "polarity", "depth_db", "bands", "over_time")
    return {key: document[key] for key in (*first, *(key for key in document if key not in first))}


def null_lines(a: str, b: str, found: Null) -> list[str]:
    """What `null` shows to people."""
    lines = [f"{b} against {a}, {_time(found.compared_s)} of them", ""]
    if found.fitted:
        milliseconds = f"{abs(found.delay_samples) / found.rate * 1000.0:.3f} ms"
        later = f"{milliseconds} {'later' if found.delay_samples > 0 else 'earlier'}"
        lines += [
            f"  delay     {found.delay_samples:10.3f} samples   {later if found.delay_samples else 'none'}",
            f"  gain      {found.gain_db:10.3f} dB",
            f"  polarity  {'same' if found.polarity > 0 else 'turned over':>10}",
        ]
    else:
        lines.append("  subtracted as they are: nothing was fitted")
    depth = f"{found.depth_db:10.2f} dB" if found.depth_db is not None else "nothing at all is left"
    lines.append(f"  depth     {depth}{_allowed(found)}")
    if len(found.channel_depth_db) > 1:
        sides = ", ".join(f"{number}: {_number(depth)}" for number, depth in enumerate(found.channel_depth_db, start=1))
        lines.append(f"  by channel, dB  {sides}")
    lines += _course_lines(found)
    lines += ["", f"  {'third octave':>12}  {'depth, dB':>9}  {'gain, dB':>8}"]
    lines += [
        f"  {band.hz:>9g} Hz  {_number(band.depth_db):>9}  {_number(band.gain_db):>8}"
        for band in found.bands
        if band.gain_db is not None
    ]
    return lines + _moment_lines(found)


def _allowed(found: Null) -> str:
    if found.noise_allows_db is None:
        return ""
    return f"; noise allows {found.noise_allows_db:.2f}, if the quietest moments are noise"


def _course_lines(found: Null) -> list[str]:
    lines = []
    if found.drift_ppm is not None:
        lines.append(f"  clocks    {found.drift_ppm:10.3f} ppm apart: the delay grows by that share of the time")
    for jump in found.jumps:
        what = "repeated" if jump.samples > 0 else "lost"
        lines.append(f"  at {_time(jump.at_s)}  {abs(jump.samples)} samples are {what} in B")
    return lines


def _moment_lines(found: Null) -> list[str]:
    """The seconds that null worst, where they are much worse than the usual one."""
    known = [moment for moment in found.over_time if moment.depth_db is not None]
    if len(known) < 3:
        return []
    usual = sorted(moment.depth_db or 0.0 for moment in known)[len(known) // 2]
    worst = sorted(known, key=lambda moment: -(moment.depth_db or 0.0))[:MOST_MOMENTS]
    odd = [moment for moment in worst if (moment.depth_db or 0.0) > usual + ODD_MOMENT_DB]
    lines = ["", f"  second by second: {usual:.2f} dB as a rule, {worst[0].depth_db:.2f} dB at worst"]
    for moment in sorted(odd, key=lambda moment: moment.start_s):
        delay = f"{moment.delay_samples:.2f} samples" if moment.delay_samples is not None else "no delay fits"
        lines.append(
            f"    from {_time(moment.start_s)}  {_number(moment.depth_db):>8} dB"
            f"  gain {_number(moment.gain_db)} dB  {delay}"
        )
    return lines
