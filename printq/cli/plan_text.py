"""The plan as lines of text: the order of the passes, what the hands do by the clock, how good the plan is."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from printq.cli.render import clock, count_text, position_text

if TYPE_CHECKING:
    from printq.models.explanation import Explanation
    from printq.models.passes import Job
    from printq.models.plan import Move, Plan, PlanEntry
    from printq.spool.session import PlanReport

__all__ = ["explanation_lines", "gap_text", "plan_lines"]

WIDE = 100
"""Columns from which on moves stand beside the pass that they are for, not below it."""
FREE_S = 1.0
"""Shorter rests of the hands are not worth a line."""


def plan_lines(job: Job, report: PlanReport, width: int = 80) -> list[str]:
    """What a run would do, by the clock, in so many columns where names allow it."""
    plan = report.plan
    if not plan.entries:
        lines = ["nothing to print"]
    else:
        lines = [
            f"{job.title or job.job_file}: {count_text(len(plan.entries), 'pass', 'passes')}, "
            f"done after {clock(plan.makespan_s)}",
            "",
            *_order_lines(plan),
            "",
            *_hands_lines(plan, width),
            "",
            *textwrap.wrap(gap_text(plan), width),
        ]
    planned = {entry.pass_id for entry in plan.entries}
    for standing in report.standings:
        left_out = standing.state == "queued" and standing.pass_id not in planned and standing.reason
        if standing.state in ("stale", "held", "taken") or left_out:
            lines.append(f"{standing.pass_id} is {standing.state}: {standing.reason}")
    return lines


def gap_text(plan: Plan) -> str:
    """How far the plan can be from the best possible one."""
    gap = plan.makespan_s - plan.lower_bound_s
    how = "as a search has proved" if plan.bound_by == "search" else "by the load of units and hands"
    if gap < 0.5 or plan.lower_bound_s <= 0.0:
        return f"no plan can be shorter than this one, {how}"
    share = 100.0 * gap / plan.lower_bound_s
    return f"no plan can be shorter than {clock(plan.lower_bound_s)}, {how}: this one is at most {share:.1f} % longer"


def explanation_lines(plan: Plan, found: Explanation, width: int = 80) -> list[str]:
    """Why a pass starts when it does, back to what nothing holds, and what would let it start sooner."""
    entry = next(entry for entry in plan.entries if entry.pass_id == found.pass_id)
    set_up = f"set up from {clock(entry.set_up_start_s)}, " if entry.moves else ""
    name = max(len(cause.pass_id) for cause in found.chain)
    lines = [
        f"{found.pass_id}: {set_up}rolls from {clock(entry.start_s)} to {clock(entry.end_s)}",
        "",
        "why, going back:",
    ]
    for cause in found.chain:
        event = "rolls" if cause.event == "roll" else "set-up"
        head = f"  {clock(cause.at_s):>7}  {cause.pass_id:<{name}}  {event:<6}  "
        lines += _wrap_words(cause.text, head, width)
    if len(found.causes) > 1:
        also = "; ".join(cause.text for cause in found.causes[1:])
        lines += ["", *_wrap_words(f"at that moment as well: {also}", "", width)]
    lines += ["", *_wrap_words(f"to start sooner: {found.sooner}", "", width)]
    if found.critical:
        lines.append("the end of the plan hangs on it")
    return lines


def _wrap_words(text: str, head: str, width: int) -> list[str]:
    indent = " " * len(head)
    return textwrap.wrap(
        text,
        max(width, len(head) + 30),
        initial_indent=head,
        subsequent_indent=indent or "  ",
        break_long_words=False,
        break_on_hyphens=False,
    )


def _order_lines(plan: Plan) -> Iterable[str]:
    width = max(len(entry.pass_id) for entry in plan.entries)
    yield f"  {'rolls':>7}  {'ends':>7}  {'pass':<{width}}  snapshot"
    for entry in plan.entries:
        yield f"  {clock(entry.start_s):>7}  {clock(entry.end_s):>7}  {entry.pass_id:<{width}}  {entry.snapshot}"


def _hands_lines(plan: Plan, width: int) -> Iterable[str]:
    """When the hands are wanted, for how long, for which pass, and what they do at which unit; and their rests."""
    calls = sorted((entry for entry in plan.entries if entry.moves), key=lambda entry: entry.set_up_start_s)
    if not calls:
        yield "the hands have nothing to do"
        return
    free = plan.makespan_s - plan.hands_on_s
    yield f"the hands: {clock(plan.hands_on_s)} at work, {clock(max(0.0, free))} free"
    yield f"  {'at':>7}  {'for':>6}  what they do"
    column = max(len(entry.pass_id) for entry in calls) + 2
    now = 0.0
    for entry in calls:
        if entry.set_up_start_s - now >= FREE_S:
            yield f"  {clock(now):>7}  {clock(entry.set_up_start_s - now):>6}  free"
        yield from _call_lines(entry, width, column)
        now = max(now, entry.set_up_end_s)
    if plan.makespan_s - now >= FREE_S:
        yield f"  {clock(now):>7}  {clock(plan.makespan_s - now):>6}  free"


def _call_lines(entry: PlanEntry, width: int, column: int) -> Iterable[str]:
    begin = f"  {clock(entry.set_up_start_s):>7}  {clock(entry.set_up_end_s - entry.set_up_start_s):>6}  "
    if width < WIDE:
        yield f"{begin}{entry.pass_id}"
        head, indent = " " * (len(begin) + 2), " " * (len(begin) + 2)
    else:
        head, indent = f"{begin}{entry.pass_id:<{column}}", " " * (len(begin) + column)
    for unit, words in _moves_by_unit(entry.moves).items():
        line = f"{head}{unit}: {words[0]}"
        for word in words[1:]:
            if len(line) + len(word) + 3 > width:
                yield f"{line},"
                line = f"{indent}  {word}"
            else:
                line += f", {word}"
        yield line
        head = indent


def _moves_by_unit(moves: Sequence[Move]) -> dict[str, list[str]]:
    """Unit to what is done at it: `gain 46 -> 44`; where from, if that is known."""
    words: dict[str, list[str]] = {}
    for move in moves:
        before = f"{position_text(move.from_)} -> " if move.from_ is not None else ""
        what = "plug" if move.control == "patch" else move.control
        words.setdefault(move.unit, []).append(f"{what} {before}{position_text(move.to)}")
    return words
