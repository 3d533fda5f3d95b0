"""The plan as a chart over time: a row for the hands, a row for each unit, pages that can be read in print.

Long plans are cut into strips, one below the other, so that a pass stays wide enough for its name. What is too short
for its name all the same shows its number, and stands in the key below the strip. Kinds of bars differ by pattern.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from printq.models.passes import Job
from printq.models.plan import Plan, PlanEntry
from printq.pictures.svg import INK, PAGE_HEIGHT, PAGE_WIDTH, Drawing, fit_text, measure_text

__all__ = ["clock_text", "draw_plan"]

MARGIN = 30.0
NAMES = 96.0
"""Width of the column with the names of the units."""
LEFT = MARGIN + NAMES
WIDTH = PAGE_WIDTH - MARGIN - LEFT
"""Of the time axis."""
TOP, FOOT = 66.0, 34.0
"""Height of a page's head, and of its legend."""
TEXT, SMALL, UNIT_TEXT = 7.2, 6.6, 7.6
PADDING = 3.0
AXIS = 14.0
ROW, LOWEST_ROW = 30.0, 19.5
HANDS_BAR = 9.0
LABEL_LINE = 8.5
KEY_LINE = 9.0
STRIP_GAP = 14.0

NAMED_SHARE = 0.85
"""Strips are cut so that this share of the passes is wide enough for its names."""
SQUEEZE = 0.35
"""Part of a strip that is rather squeezed into the others than begun."""
PASSES_A_STRIP = 6
"""But there are no more strips than one for so many passes."""
TICKS_S = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 28800, 86400)
TICK_WIDTH = 46.0

PASS_FILL, GRID, QUIET = "#d6e4ea", "#c4ced4", "#5b6972"
LEGEND = (
    ("pass", "recording"),
    ("set-up", "set-up by hand"),
    ("probe", "probe"),
    ("ready", "set up, waits for its turn"),
    ("hands", "the hands at work"),
)


@dataclass(frozen=True)
class _Bar:
    """Something that lasts: on a unit, or of the hands (`unit` None)."""

    kind: str
    number: int
    """Of the pass, in the order in which they roll."""
    entry: PlanEntry
    unit: str | None
    start_s: float
    end_s: float


@dataclass(frozen=True)
class _Piece:
    """What of a bar is seen in a strip; `x` from the left end of the axis."""

    bar: _Bar
    x: float
    width: float
    names: Literal["inside", "beside", "key"]
    """Where the names of pass and snapshot stand."""


@dataclass(frozen=True)
class _Label:
    """A text in the hands' row; `line` counts from the bar down."""

    x: float
    line: int
    text: str


@dataclass(frozen=True)
class _Strip:
    """A stretch of time with all rows, and what it takes to draw it."""

    start_s: float
    end_s: float
    pieces: tuple[_Piece, ...]
    labels: tuple[_Label, ...]
    key: tuple[str, ...]

    def height(self, rows: int, row: float) -> float:
        return self.row_top(rows, row) + len(self.key) * KEY_LINE + STRIP_GAP

    def row_top(self, number: int, row: float) -> float:
        """Where a unit's row begins, from the top of the strip."""
        return AXIS + HANDS_BAR + 4.0 + self.label_lines * LABEL_LINE + 4.0 + number * row

    @property
    def label_lines(self) -> int:
        return max((label.line for label in self.labels), default=0) + 1


def clock_text(seconds: float) -> str:
    """A moment as h:mm:ss."""
    minutes, secs = divmod(round(seconds), 60)
    return f"{minutes // 60}:{minutes % 60:02d}:{secs:02d}"


def draw_plan(job: Job, plan: Plan) -> str:
    """The plan as one SVG file: A4 pages across, one below the other.

    Parameters
    ----------
    job, plan
        The plan must be of passes of the job.

    Returns
    -------
    str
        The same for the same plan, on every machine: no date, no chance, nothing that is fetched. Each bar carries
        `data-kind`, `data-pass`, `data-unit`, `data-start` and `data-end` (seconds). A bar that is cut at the end of
        a strip goes on in the next, as another piece.
    """
    units = _units(job, plan)
    bars = _bars(job, plan)
    seconds = _strip_seconds(plan)
    count = max(1, math.ceil(plan.makespan_s / seconds - 1e-9))
    strips = [_make_strip(bars, number * seconds, (number + 1) * seconds) for number in range(count)]
    room = PAGE_HEIGHT - TOP - FOOT
    fixed = max(strip.height(0, 0.0) for strip in strips)
    row = _row_height(fixed, len(units), len(strips), room)
    pages = _fill_pages(strips, len(units), row, room)

    title = job.title or job.job_file
    drawing = Drawing(f"{title}: the plan")
    drawing.stripes("set-up", "#8a5a1c", "#ffffff")
    drawing.dots("probe", INK, "#ffffff")
    for number, page in enumerate(pages, start=1):
        height = TOP + sum(strip.height(len(units), row) for strip in page) + FOOT
        drawing.page(height)
        _draw_head(drawing, title, _caption(plan), f"page {number} of {len(pages)}")
        top = TOP
        for strip in page:
            _draw_strip(drawing, job, strip, units, top, row)
            top += strip.height(len(units), row)
        _draw_legend(drawing, max(height, PAGE_HEIGHT) - FOOT + 14.0)
    return drawing.to_text()


# ---- what there is to draw ----


def _units(job: Job, plan: Plan) -> list[str]:
    """Units that the plan uses, in the rig's order."""
    used = {unit for entry in plan.entries for unit in _units_of(job, entry)}
    return [unit.id for unit in job.rig.unit if unit.id in used]


def _units_of(job: Job, entry: PlanEntry) -> list[str]:
    insert = job.rig.find_insert(entry.insert)
    return list(insert.each_unit()) if insert is not None else []


def _bars(job: Job, plan: Plan) -> list[_Bar]:
    bars = []
    for number, entry in enumerate(plan.entries, start=1):
        spans: list[tuple[str, float, float]] = []
        if entry.moves:
            spans = [
                ("set-up", entry.set_up_start_s, entry.set_up_end_s),
                ("probe", entry.set_up_end_s, entry.probe_end_s),
                ("ready", entry.probe_end_s, entry.start_s),
            ]
            bars.append(_Bar("hands", number, entry, None, entry.set_up_start_s, entry.set_up_end_s))
        spans.append(("pass", entry.start_s, entry.end_s))
        bars += [
            _Bar(kind, number, entry, unit, start, end)
            for unit in dict.fromkeys(_units_of(job, entry))
            for kind, start, end in spans
            if end - start > 1e-6
        ]
    return bars


def _strip_seconds(plan: Plan) -> float:
    """How much time a strip shows."""
    total = max(plan.makespan_s, 1.0)
    wanted = sorted(
        (entry.end_s - entry.start_s) / _need(number, entry) for number, entry in enumerate(plan.entries, start=1)
    )
    if wanted:
        named = wanted[min(len(wanted) - 1, int(len(wanted) * (1.0 - NAMED_SHARE)))] * WIDTH
        most = math.ceil(len(wanted) / PASSES_A_STRIP)
        strips = min(most, max(1, math.ceil(total / named - SQUEEZE)))
    else:
        strips = 1
    tick = _tick_seconds(total / strips)
    # The axis ends on a tick.
    return tick * math.ceil(total / strips / tick - 1e-9)


def _need(number: int, entry: PlanEntry) -> float:
    """Width that a bar needs for the names of its pass and snapshot."""
    name = measure_text(f"{number} {entry.pass_id}", TEXT, bold=True)
    return max(name, measure_text(entry.snapshot, TEXT)) + 2.0 * PADDING


def _tick_seconds(seconds: float) -> float:
    most = WIDTH / TICK_WIDTH
    return float(next((tick for tick in TICKS_S if seconds / tick <= most), TICKS_S[-1]))


# ---- strips ----


def _make_strip(bars: Iterable[_Bar], start: float, end: float) -> _Strip:
    within = [bar for bar in bars if bar.start_s < end - 1e-9 and bar.end_s > start + 1e-9]
    scale = WIDTH / (end - start)
    hands = [bar for bar in within if bar.kind == "hands"]
    labels = _place_labels(hands, start, scale, in_full=True) or _place_labels(hands, start, scale, in_full=False)
    pieces = tuple(_name_pieces(within, start, end, scale))
    return _Strip(start, end, pieces, tuple(labels or ()), _key(pieces))


def _name_pieces(bars: Sequence[_Bar], start: float, end: float, scale: float) -> Iterable[_Piece]:
    """What of each bar is seen in a strip, and where there is room for its names."""
    for bar in bars:
        x = max(0.0, (bar.start_s - start) * scale)
        width = min(WIDTH, (bar.end_s - start) * scale) - x
        names: Literal["inside", "beside", "key"] = "key"
        if bar.kind == "pass":
            need = _need(bar.number, bar.entry)
            others = (other.start_s for other in bars if other.unit == bar.unit and other.start_s >= bar.end_s - 1e-6)
            free = min(WIDTH, (min(others, default=end) - start) * scale) - x - width
            if width >= need:
                names = "inside"
            elif free >= need:
                names = "beside"
        yield _Piece(bar, x, width, names)


def _place_labels(hands: Sequence[_Bar], start: float, scale: float, *, in_full: bool) -> list[_Label] | None:
    """Texts below the hands' bars, each as high as there is room; None if full ones need more than three lines."""
    ends: list[float] = []
    labels = []
    for bar in sorted(hands, key=lambda each: each.start_s):
        spent = f" {bar.end_s - bar.start_s:.0f} s"
        text = f"{bar.number} {bar.entry.pass_id}{spent}" if in_full else str(bar.number)
        width = measure_text(text, SMALL) + 2.0
        x = max(0.0, min((bar.start_s - start) * scale, WIDTH - width))
        line = next((number for number, end in enumerate(ends) if end <= x), len(ends))
        if in_full and line > 2:
            return None
        if line == len(ends):
            ends.append(0.0)
        ends[line] = x + width
        labels.append(_Label(x, line, text))
    return labels


def _key(pieces: Iterable[_Piece]) -> tuple[str, ...]:
    """Names of passes that stand at no bar of this strip, in lines."""
    found: dict[int, list[_Piece]] = {}
    for piece in pieces:
        if piece.bar.kind == "pass":
            found.setdefault(piece.bar.number, []).append(piece)
    lines: list[str] = []
    for number, of_pass in sorted(found.items()):
        if any(piece.names != "key" for piece in of_pass):
            continue
        entry = of_pass[0].bar.entry
        word = f"{number} {entry.pass_id}, {entry.snapshot}"
        longer = f"{lines[-1]}  ·  {word}" if lines else ""
        if lines and measure_text(longer, SMALL) <= WIDTH:
            lines[-1] = longer
        else:
            lines.append(word)
    return tuple(lines)


def _row_height(fixed: float, rows: int, strips: int, room: float) -> float:
    """As high as `ROW` where a page has room for it, lower where one more strip then fits on the page."""
    best = LOWEST_ROW
    for strips_a_page in range(1, strips + 1):
        height = (room / strips_a_page - fixed) / max(1, rows)
        if height < LOWEST_ROW:
            break
        best = min(ROW, height)
    return best


def _fill_pages(strips: Sequence[_Strip], rows: int, row: float, room: float) -> list[list[_Strip]]:
    pages: list[list[_Strip]] = []
    left = 0.0
    for strip in strips:
        height = strip.height(rows, row)
        if not pages or height > left:
            pages.append([])
            left = room
        pages[-1].append(strip)
        left -= height
    return pages


# ---- drawing ----


def _caption(plan: Plan) -> tuple[str, str]:
    """What the plan comes to, and how far from the best it can be."""
    if not plan.entries:
        return "nothing to print", ""
    count = len(plan.entries)
    passes = f"{count} pass" if count == 1 else f"{count} passes"
    gap = plan.makespan_s - plan.lower_bound_s
    if gap < 0.5 or plan.lower_bound_s <= 0.0:
        bound = "no plan can end sooner"
    else:
        share = 100.0 * gap / plan.lower_bound_s
        least = f"no plan can end before {clock_text(plan.lower_bound_s)}"
        bound = f"{least}: this one is at most {share:.1f} % longer"
    return f"{passes}, done after {clock_text(plan.makespan_s)}; hands at work {clock_text(plan.hands_on_s)}", bound


def _draw_head(drawing: Drawing, title: str, caption: Sequence[str], page: str) -> None:
    width = PAGE_WIDTH - 2 * MARGIN
    drawing.text(MARGIN, 34.0, fit_text(title, 14.0 * 1.17, width - 90.0), 14.0, font_weight="bold")
    for line, words in enumerate(caption):
        drawing.text(MARGIN, 48.0 + 11.0 * line, fit_text(words, 8.5, width), 8.5)
    drawing.text(PAGE_WIDTH - MARGIN, 34.0, page, 8.0, text_anchor="end")


def _draw_strip(drawing: Drawing, job: Job, strip: _Strip, units: Sequence[str], top: float, row: float) -> None:
    scale = WIDTH / (strip.end_s - strip.start_s)
    bottom = top + strip.row_top(len(units), row)
    _draw_axis(drawing, strip, top, bottom, scale)
    hands_top = top + AXIS + 3.0
    drawing.text(MARGIN, hands_top + HANDS_BAR - 1.5, "hands", 8.0, font_weight="bold")
    for number, unit_id in enumerate(units):
        y = top + strip.row_top(number, row)
        drawing.line(MARGIN, y, PAGE_WIDTH - MARGIN, y, stroke=GRID, stroke_width="0.6")
        unit = job.rig.find_unit(unit_id)
        lines = _wrap(unit.name if unit else unit_id)
        for line, words in enumerate(lines):
            drawing.text(MARGIN, y + row / 2.0 + 2.6 + (line - (len(lines) - 1) / 2.0) * 8.2, words, UNIT_TEXT)
    drawing.line(MARGIN, bottom, PAGE_WIDTH - MARGIN, bottom, stroke=GRID, stroke_width="0.6")
    rows = {unit: top + strip.row_top(number, row) for number, unit in enumerate(units)}
    for piece in strip.pieces:
        unit_id = piece.bar.unit or ""
        if unit_id in rows:
            _draw_bar(drawing, strip, piece, rows[unit_id] + 1.8, row - 3.6)
        else:
            _draw_bar(drawing, strip, piece, hands_top, HANDS_BAR)
    for label in strip.labels:
        y = hands_top + HANDS_BAR + 7.5 + label.line * LABEL_LINE
        drawing.text(LEFT + label.x, y, label.text, SMALL)
    for line, words in enumerate(strip.key):
        drawing.text(LEFT, bottom + 8.5 + line * KEY_LINE, words, SMALL, fill=QUIET)


def _draw_axis(drawing: Drawing, strip: _Strip, top: float, bottom: float, scale: float) -> None:
    tick = _tick_seconds(strip.end_s - strip.start_s)
    in_minutes = tick >= 60.0
    drawing.text(MARGIN, top + 8.0, "h:mm" if in_minutes else "h:mm:ss", SMALL, fill=QUIET)
    for number in range(math.floor((strip.end_s - strip.start_s) / tick + 1e-9) + 1):
        moment = strip.start_s + number * tick
        x = LEFT + (moment - strip.start_s) * scale
        drawing.line(x, top + AXIS - 3.0, x, bottom, stroke=GRID, stroke_width="0.5")
        text = clock_text(moment)
        text = text.rpartition(":")[0] if in_minutes else text
        anchor = "start" if number == 0 else "middle"
        drawing.text(x, top + 8.0, text, TEXT, text_anchor=anchor if x < PAGE_WIDTH - MARGIN - 20.0 else "end")


def _draw_bar(drawing: Drawing, strip: _Strip, piece: _Piece, y: float, height: float) -> None:
    bar, entry = piece.bar, piece.bar.entry
    start, end = max(bar.start_s, strip.start_s), min(bar.end_s, strip.end_s)
    values = {
        "data_kind": bar.kind,
        "data_pass": entry.pass_id,
        "data_start": f"{start:.3f}",
        "data_end": f"{end:.3f}",
    }
    if bar.unit is not None:
        values["data_unit"] = bar.unit
    span = f"{clock_text(bar.start_s)} to {clock_text(bar.end_s)}"
    hint = f"{bar.number} {entry.pass_id}, {entry.snapshot}: {dict(LEGEND)[bar.kind]} {span}"
    x = LEFT + piece.x
    drawing.rect(x, y, piece.width, height, hint=hint, **values, **_look(bar.kind))
    if bar.kind == "ready":
        words = f"{bar.number} {entry.pass_id} is set up"
        if piece.width >= measure_text(words, SMALL) + 2.0 * PADDING:
            drawing.text(x + PADDING, y + height / 2.0 + 2.3, words, SMALL, fill=QUIET)
    if bar.kind != "pass":
        return
    if bar.start_s < start:
        _draw_cut(drawing, x, y, height)
    if bar.end_s > end:
        _draw_cut(drawing, x + piece.width, y, height)
    if piece.names != "key":
        left = x + PADDING + (piece.width if piece.names == "beside" else 0.0)
        size = min(TEXT, height / 2.35)
        # Two lines, with what is left of the height above and below them.
        first = y + height / 2.0 - 0.22 * size
        drawing.text(left, first, f"{bar.number} {entry.pass_id}", size, font_weight="bold")
        drawing.text(left, first + 1.06 * size, entry.snapshot, size)
    elif piece.width >= measure_text(str(bar.number), TEXT) + 1.0:
        drawing.text(x + piece.width / 2.0, y + height / 2.0 + 2.5, str(bar.number), TEXT, text_anchor="middle")


def _draw_cut(drawing: Drawing, x: float, y: float, height: float) -> None:
    """The end of a piece that is not the end of the bar."""
    drawing.line(x, y, x, y + height, stroke="#ffffff", stroke_width="2")
    drawing.line(x, y, x, y + height, stroke=INK, stroke_width="1", stroke_dasharray="2 2")


def _look(kind: str) -> dict[str, str]:
    looks = {
        "pass": {"fill": PASS_FILL, "stroke": INK, "stroke_width": "0.8"},
        "set-up": {"fill": "url(#set-up)", "stroke": "#8a5a1c", "stroke_width": "0.5"},
        "probe": {"fill": "url(#probe)", "stroke": INK, "stroke_width": "0.5"},
        "ready": {"fill": "#ffffff", "stroke": INK, "stroke_width": "0.5", "stroke_dasharray": "1.5 2"},
        "hands": {"fill": "#6f4513", "stroke": "#ffffff", "stroke_width": "0.4"},
    }
    return looks[kind]


def _draw_legend(drawing: Drawing, y: float) -> None:
    x = MARGIN
    for kind, words in LEGEND:
        drawing.rect(x, y - 7.0, 16.0, 8.0, **_look(kind))
        drawing.text(x + 20.0, y, words, TEXT)
        x += 20.0 + measure_text(words, TEXT) + 14.0
    drawing.text(x, y, "numbers: the order in which passes roll", TEXT, fill=QUIET)


def _wrap(name: str) -> list[str]:
    """A unit's name in one or two lines of its column."""
    width = NAMES - 6.0
    lines = [""]
    for word in name.split():
        longer = f"{lines[-1]} {word}".strip()
        if measure_text(longer, UNIT_TEXT) <= width or not lines[-1] or len(lines) == 2:
            lines[-1] = longer
        else:
            lines.append(word)
    return [fit_text(line, UNIT_TEXT, width) for line in lines]
