"""Records as lines of text and as JSON documents: pure functions, no terminal."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from printq.models.explanation import Explanation
    from printq.models.line_check import LineCheck
    from printq.models.pace import Experience, RunOutcome
    from printq.models.passes import Job
    from printq.models.plan import Plan
    from printq.models.problem import Problem
    from printq.models.standing import Standing
    from printq.models.verdict import Check
    from printq.spool.operator import InOrder, Rolling, SetUp
    from printq.spool.outcomes import RunReport

__all__ = [
    "clock",
    "count_text",
    "in_order_lines",
    "json_text",
    "line_check_document",
    "line_check_lines",
    "live_lines",
    "plan_document",
    "position_text",
    "problems_document",
    "run_lines",
    "set_up_lines",
    "standings_document",
    "status_lines",
]

COUNTED = ("faults", "runs", "channels")
"""Units of what is counted."""
LOUD_DB = 20.0
"""Of the lines of a hum, those this far below the strongest are not worth a word."""


BAR_WIDTH = 24


# ---- JSON documents: docs/reference/json.md ----


def json_text(document: Any) -> str:
    """One JSON document; a number that JSON cannot carry is a mistake here, not a NaN there."""
    return json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False)


def problems_document(problems: Sequence[Problem]) -> dict[str, Any]:
    """`check --json`."""
    return {
        "ok": not any(problem.severity == "error" for problem in problems),
        "problems": [problem.model_dump(mode="json") for problem in problems],
    }


def plan_document(plan: Plan, explanation: Explanation | None = None) -> dict[str, Any]:
    """`plan --json`, with `--explain` or without."""
    document: dict[str, Any] = plan.model_dump(mode="json", by_alias=True)
    if plan.bound_by == "arguments":
        del document["bound_by"]  # only what is more than usual is said
    if explanation is not None:
        document["explanation"] = explanation.model_dump(mode="json", by_alias=True)
    return document


def standings_document(standings: Sequence[Standing], times: Experience) -> dict[str, Any]:
    """`status --json` and `run --json`."""
    passes = [standing.model_dump(mode="json", by_alias=True) for standing in standings]
    return {"passes": passes, **times.model_dump(mode="json", by_alias=True)}


def line_check_document(found: LineCheck) -> dict[str, Any]:
    """`line-check --json`."""
    document: dict[str, Any] = found.model_dump(mode="json", by_alias=True, exclude={"format", "rig", "at"})
    return {"inserts": document.pop("inserts"), "ok": found.ok, **document}


# ---- text ----


def status_lines(job: Job, standings: Sequence[Standing], times: Experience) -> list[str]:
    """Where every pass stands, and how the plan compares with what things took."""
    counts: dict[str, int] = {}
    for standing in standings:
        counts[standing.state] = counts.get(standing.state, 0) + 1
    summary = ", ".join(f"{count} {state}" for state, count in counts.items()) or "no passes yet"
    return [f"{job.title or job.job_file}: {summary}", "", *_standing_table(standings), *_times_lines(times)]


def _times_lines(times: Experience) -> list[str]:
    """The last run beside its plan, and what would plan closer."""
    lines = []
    if times.last_run is not None:
        lines += ["", *_outcome_lines(times.last_run)]
    if times.dial_times:
        lines.append("")
    for each in times.dial_times:
        lines.append(
            f"{each.unit}.{each.control}: the rig says {each.rig_s:g} s, {each.set_ups} set-ups took "
            f"{each.measured_s:g} s: dial_s = {each.measured_s:g} would plan closer"
        )
    return lines


def _outcome_lines(run: RunOutcome) -> list[str]:
    words = "this run" if run.state == "under way" else "last run"
    line = f"{words}: planned {clock(run.planned_s)}"
    if run.took_s is not None:
        line += f", took {clock(run.took_s)}"
    elif run.state == "broken off":
        line += ", was broken off"
    if run.printed is not None and run.printed < run.passes:
        line += f" for {run.printed} of {run.passes} passes"
    if run.hands_planned_s is not None and run.hands_took_s is not None:
        line += f"; hands planned {clock(run.hands_planned_s)}, took {clock(run.hands_took_s)}"
    lines = [line]
    if run.simulated:
        lines.append("  (takes on the simulated rack roll faster than they would be heard)")
    if run.left_out:
        all_of_them = count_text(run.set_ups + run.left_out, "set-up", "set-ups")
        lines.append(f"  ({run.left_out} of {all_of_them} left out: far longer or shorter than handwork takes)")
    return lines


def run_lines(report: RunReport, elapsed_s: float) -> list[str]:
    """What a run did."""
    if not report.delivered and not report.held and not report.waiting and report.stopped is None:
        return [f"nothing to do: {_why_nothing(report)}"]
    lines = _standing_table(report.standings)
    done = len(report.delivered)
    rolled = f"{clock(report.rolled_s)} of takes" if report.rolled_s else "no takes"
    lines += ["", f"{count_text(done, 'print', 'prints')} delivered, {rolled} in {elapsed_s:.1f} s"]
    for standing in report.standings:
        if standing.state == "held":
            lines += _held_lines(standing)
    lines += [f"waits: {text}" for text in report.waiting if not text.endswith(f": {report.stopped}")]
    if report.stopped is not None:
        lines.append(f"{report.stopped}; the next run goes on")
    return lines


def _why_nothing(report: RunReport) -> str:
    if not report.standings:
        return "no stem has a pass"
    left = sum(standing.state != "printed" for standing in report.standings)
    if left:
        return (
            f"what was asked for is printed and up to date; {count_text(left, 'other pass is', 'other passes are')} not"
        )
    return "every pass is printed and up to date"


def _held_lines(standing: Standing) -> list[str]:
    """Why a pass is held, and the ways on."""
    failed = [check for check in standing.checks if check.verdict == "fail" and check.because_of is None]
    lines = [f"held: {standing.pass_id}" + ("" if failed else f": {standing.reason}")]
    for check in failed:
        measured = f" {measured_text(check.value, check.unit)}" if check.value is not None else ""
        lines.append(f"  {check.check}{measured}: {check.cause}")
        place = _where(check)
        lines += [f"    where: {place}"] if place else []
        lines.append(f"    what to do: {check.remedy}")
    if standing.latency_samples is not None:
        lines.append(f"  to deliver it all the same: printq accept {standing.pass_id} --why …")
    if all(check.check != "send" for check in failed):
        lines.append(f"  to print it again: printq reprint {standing.pass_id} --note …")
    return lines


def _where(check: Check) -> str:
    """Where in the print something is, and at which frequencies, as far as a check knows; else nothing."""
    detail = check.detail
    parts = []
    if check.check == "dropout":
        kind, length = detail.get("worst_kind"), _number(detail.get("worst_frames"))
        what = f"a {kind} of {length:.0f} samples" if length > 1.0 else f"a {kind}"
        parts.append(f"{what} {_when(detail, 'worst')}")
    for key, word in (("first", "first"), ("first_at", "first"), ("worst_at", "worst")):
        found = _when(detail, key)
        if found and found != _when(detail, "worst"):
            parts.append(f"{word} {found}")
    band = detail.get("worst_band_hz")
    if isinstance(band, float):
        parts.append(f"worst around {band:g} Hz")
    lines = {key.removesuffix("_hz_dbfs"): level for key, level in detail.items() if key.endswith("_hz_dbfs")}
    levels = [level for level in lines.values() if isinstance(level, float)]
    loud = [f"{hz} Hz" for hz, level in lines.items() if isinstance(level, float) and level > max(levels) - LOUD_DB]
    return "; ".join([*parts, *([", ".join(loud)] if loud else [])])


def _when(detail: Mapping[str, float | str | None], key: str) -> str:
    """When it is that a check speaks of, as far as it knows; else nothing."""
    at, after, before = (detail.get(f"{key}{end}") for end in ("_s", "_after_s", "_before_s"))
    if isinstance(at, float):
        return f"at {moment(at)}"
    if isinstance(after, float) and isinstance(before, float):
        return f"in the rest between {moment(after)} and {moment(before)}"
    return ""


def _number(value: float | str | None) -> float:
    return value if isinstance(value, float) else 0.0


def set_up_lines(job: Job, wanted: SetUp) -> list[str]:
    """What the hands have to do before a pass: only what moves."""
    insert = job.rig.find_insert(wanted.insert)
    lines = ["", f"next: {wanted.pass_id} through {insert.name if insert else wanted.insert}, {wanted.snapshot}"]
    for move in wanted.moves:
        unit = job.rig.find_unit(move.unit)
        control = unit.find_control(move.control) if unit else None
        unit_name = unit.name if unit else move.unit
        if move.control == "patch":
            lines.append(f"  {unit_name}: plug into {move.to}")
            continue
        what = control.name if control else move.control
        measure = f" {control.measure}" if control and control.measure not in ("", "clock") else ""
        before = f"{position_text(move.from_)} -> " if move.from_ is not None else ""
        lines.append(f"  {unit_name}: {what}  {before}{position_text(move.to)}{measure}")
    if wanted.note:
        lines.append(f"  note: {wanted.note}")
    if wanted.photo:
        lines.append(f"  photo: {wanted.photo}")
    return lines


def in_order_lines(doubted: InOrder) -> list[str]:
    """What somebody is to look at before an insert is used again."""
    return ["", f"look at insert {doubted.insert}: {doubted.why}", "  its cables, its power, its patch"]


def live_lines(rolling: Sequence[Rolling], left: int, left_s: float) -> list[str]:
    """What is in the air, one line for each insert, and when all will be done."""
    lines = [f"{count_text(left, 'pass', 'passes')} to go, about {clock(left_s)} by the plan"]
    width = max((len(each.pass_id) for each in rolling), default=0)
    for number, each in enumerate(rolling, start=1):
        done = round(BAR_WIDTH * min(1.0, each.done))
        bar = "=" * done + "." * (BAR_WIDTH - done)
        glitches = f"  {count_text(each.glitches, 'glitch', 'glitches')}" if each.glitches else ""
        lines.append(
            f"  {number} {each.pass_id:<{width}}  {bar}  {clock(each.left_s):>6} left"
            f"  out {_peak(each.send_peak_dbfs)}  back {_peak(each.return_peak_dbfs)}{glitches}"
        )
    return lines


def line_check_lines(found: LineCheck) -> list[str]:
    """The wiring of every insert, then what is wrong with it."""
    width = max((len(line.insert) for line in found.inserts), default=6)
    lines = [f"  {'insert':<{width}}  {'wired':<7}  {'delay':>9}  {'gain':>8}  {'noise':>7}  {'hum':>7}  heard on"]
    for line in found.inserts:
        state = "right" if line.ok else "WRONG"
        heard = ", ".join(f"{each.send}>{each.return_} {each.level_db:.1f} dB" for each in line.heard_on) or "nothing"
        gain = f"{_figure(line.gain_db, 8)}"
        lines.append(
            f"  {line.insert:<{width}}  {state:<7}  {_figure(line.latency_samples, 9)}  {gain}"
            f"  {_figure(line.noise_dbfs, 7, 1)}  {_figure(line.hum_dbfs, 7, 1)}  {heard}"
        )
    analog = [f"{line.insert} {line.gain_dbu:+.2f} dB" for line in found.inserts if line.gain_dbu is not None]
    if analog:
        lines += ["", f"  from analog level to analog level: {', '.join(analog)}"]
    for line in found.inserts:
        for problem in line.problems:
            caution = "caution: " if problem.severity == "caution" else ""
            lines += ["", f"{caution}{problem.text}", f"  likely: {problem.cause}", f"  what to do: {problem.remedy}"]
    return [*lines, "", "every insert is wired as the rig file says" if found.ok else "the wiring is not as described"]


def _figure(value: float | None, width: int, places: int = 2) -> str:
    return f"{value:{width}.{places}f}" if value is not None else f"{'-':>{width}}"


def _peak(dbfs: float | None) -> str:
    return f"{dbfs:6.1f}" if dbfs is not None else "     -"


def count_text(count: int, one: str, many: str) -> str:
    """A number of things: `1 pass`, `9 passes`."""
    return f"{count} {one if count == 1 else many}"


def position_text(position: float | str | None) -> str:
    """A position of a control; a question mark where it is not known."""
    if position is None:
        return "?"
    return f"{position:g}" if isinstance(position, float) else position


def measured_text(value: float | None, unit: str) -> str:
    """A measured value with its unit; a dash where there is none."""
    if value is None:
        return "-"
    if unit in COUNTED:
        return count_text(round(value), unit.removesuffix("s"), unit)
    return f"{value:.2f} {unit}"


def clock(seconds: float) -> str:
    """A duration as m:ss, or h:mm:ss."""
    whole = round(seconds)
    hours, rest = divmod(whole, 3600)
    minutes, secs = divmod(rest, 60)
    return f"{hours}:{minutes:02d}:{secs:02d}" if hours else f"{minutes}:{secs:02d}"


def moment(seconds: float) -> str:
    """A place in a print as m:ss.mmm, or h:mm:ss.mmm."""
    whole, thousandths = divmod(round(1000.0 * seconds), 1000)
    return f"{clock(whole)}.{thousandths:03d}"


def _standing_table(standings: Sequence[Standing]) -> list[str]:
    width = max((len(standing.pass_id) for standing in standings), default=0)
    lines = []
    for standing in standings:
        delay = f"{standing.latency_samples:9.2f}" if standing.latency_samples is not None else f"{'-':>9}"
        says = standing.reason if standing.state != "printed" else standing.print_file or ""
        warned = [check.check for check in standing.checks if check.verdict == "warn"]
        if standing.state == "printed" and warned:
            says += f"  (warns: {', '.join(warned)})"
        lines.append(f"  {standing.pass_id:<{width}}  {standing.state:<7}  {delay}  {says}".rstrip())
    if lines:
        lines.insert(0, f"  {'pass':<{width}}  {'state':<7}  {'delay':>9}  print, or why not")
    return lines
