"""The picture of a plan: everything of the plan is in it once, in its place, and can be read."""

from __future__ import annotations

import re
from collections import defaultdict
from dataclasses import dataclass
from itertools import combinations, pairwise
from xml.etree import ElementTree

import pytest

from printq.models.passes import Job
from printq.models.plan import Plan
from printq.pictures import draw_plan
from printq.pictures.svg import PAGE_HEIGHT, PAGE_WIDTH, measure_text
from tests.pictures.plans import make_job, make_timetable

SVG = "{http://www.w3.org/2000/svg}"


@dataclass(frozen=True)
class Case:
    job: Job
    plan: Plan
    svg: str

    @property
    def root(self) -> ElementTree.Element:
        return ElementTree.fromstring(self.svg)


def make_case(passes: int, lengths: tuple[float, float], probe_s: float = 0.0) -> Case:
    job = make_job(passes)
    plan = make_timetable(job, lengths, probe_s)
    return Case(job, plan, draw_plan(job, plan))


CASES = {
    "one": (1, (30.0, 30.0), 0.0),
    "nine": (9, (30.0, 40.0), 12.0),
    "forty": (40, (60.0, 240.0), 0.0),
    "two hundred": (200, (60.0, 400.0), 12.0),
    "short among long": (60, (4.0, 1800.0), 0.0),
}


@pytest.fixture(scope="module", params=CASES, ids=lambda name: name.replace(" ", "-"))
def case(request: pytest.FixtureRequest) -> Case:
    return make_case(*CASES[request.param])


def pieces(case: Case, kind: str) -> dict[tuple[str, str], list[tuple[float, float]]]:
    """(pass, unit) to the spans of time of what is drawn of that kind."""
    found = defaultdict(list)
    for rect in case.root.iter(f"{SVG}rect"):
        if rect.get("data-kind") == kind:
            key = (rect.get("data-pass") or "", rect.get("data-unit") or "")
            found[key].append((float(rect.get("data-start") or "nan"), float(rect.get("data-end") or "nan")))
    return dict(found)


def joined(spans: list[tuple[float, float]]) -> tuple[float, float]:
    """One span of pieces that follow one another without gap and overlap."""
    spans = sorted(spans)
    for (_, end), (start, _) in pairwise(spans):
        assert start == end
    return spans[0][0], spans[-1][1]


def test_every_pass_is_there_once_on_each_unit_that_it_holds(case: Case) -> None:
    drawn = pieces(case, "pass")
    expected = {
        (entry.pass_id, unit): (entry.start_s, entry.end_s)
        for entry in case.plan.entries
        for unit in case.job.rig.find_insert(entry.insert).each_unit()  # type: ignore[union-attr]
    }
    assert drawn.keys() == expected.keys()
    for key, spans in drawn.items():
        assert joined(spans) == pytest.approx(expected[key], abs=1e-3)


def test_set_ups_probes_and_hands_are_there_once(case: Case) -> None:
    with_moves = {entry.pass_id: entry for entry in case.plan.entries if entry.moves}
    hands = pieces(case, "hands")
    assert {name for name, _ in hands} == with_moves.keys()
    for (name, _), spans in hands.items():
        entry = with_moves[name]
        assert joined(spans) == pytest.approx((entry.set_up_start_s, entry.set_up_end_s), abs=1e-3)
    for (name, _), spans in pieces(case, "set-up").items():
        entry = with_moves[name]
        assert joined(spans) == pytest.approx((entry.set_up_start_s, entry.set_up_end_s), abs=1e-3)
    for (name, _), spans in pieces(case, "probe").items():
        entry = with_moves[name]
        assert joined(spans) == pytest.approx((entry.set_up_end_s, entry.probe_end_s), abs=1e-3)


def seconds_of(text: str) -> float | None:
    """What a text on the axis says, h:mm or h:mm:ss."""
    found = re.fullmatch(r"(\d+):(\d\d)(?::(\d\d))?", text)
    return int(found[1]) * 3600 + int(found[2]) * 60 + int(found[3] or 0) if found else None


def test_bars_stand_where_the_axis_says(case: Case) -> None:
    """The axis is read as a person does: the texts above, and the lines below them."""
    for page in case.root.iter(f"{SVG}g"):
        texts = [(float(t.get("y")), seconds_of(t.text or "")) for t in page.iter(f"{SVG}text")]  # type: ignore[arg-type]
        for y in sorted({y for y, moment in texts if moment is not None}):
            moments = [moment for at, moment in texts if at == y and moment is not None]
            lines = [line for line in page.iter(f"{SVG}line") if line.get("x1") == line.get("x2")]
            axis = [line for line in lines if 0.0 < float(line.get("y1") or 0) - y < 6.0]
            places = [float(line.get("x1") or "nan") for line in axis]
            assert len(places) == len(moments)
            bottom = max(float(line.get("y2") or "nan") for line in axis)
            scale = (places[-1] - places[0]) / (moments[-1] - moments[0])
            rects = [r for r in page.iter(f"{SVG}rect") if r.get("data-kind") and y < float(r.get("y") or 0) < bottom]
            assert rects
            for rect in rects:
                x, width = float(rect.get("x") or "nan"), float(rect.get("width") or "nan")
                start, end = float(rect.get("data-start") or "nan"), float(rect.get("data-end") or "nan")
                # Coordinates have two places.
                assert x == pytest.approx(places[0] + (start - moments[0]) * scale, abs=0.03)
                assert width == pytest.approx((end - start) * scale, abs=0.03)


@dataclass(frozen=True)
class Box:
    text: str
    left: float
    right: float
    top: float
    bottom: float


def boxes(page: ElementTree.Element) -> list[Box]:
    """Where each text is at most, by the widths of a wide font."""
    found = []
    for text in page.iter(f"{SVG}text"):
        size, x, y = (float(text.get(name) or "nan") for name in ("font-size", "x", "y"))
        width = measure_text(text.text or "", size, bold=text.get("font-weight") == "bold")
        left = x - {"middle": width / 2.0, "end": width}.get(text.get("text-anchor") or "start", 0.0)
        # Figures and capitals rise 0.73 em, tails hang 0.24 em: DejaVu Sans. Lines may share their tails.
        found.append(Box(text.text or "", left, left + width, y - 0.73 * size, y + 0.2 * size))
    return found


def test_no_text_covers_another_or_leaves_the_page(case: Case) -> None:
    for page in case.root.iter(f"{SVG}g"):
        found = boxes(page)
        for box in found:
            assert 0.0 <= box.left <= box.right <= PAGE_WIDTH, box
            assert 0.0 <= box.top <= box.bottom <= PAGE_HEIGHT, box
        covered = [
            (one.text, other.text)
            for one, other in combinations(found, 2)
            if min(one.right, other.right) - max(one.left, other.left) > 0.5
            and min(one.bottom, other.bottom) - max(one.top, other.top) > 0.5
        ]
        assert covered == []


def test_letters_are_large_enough_for_paper(case: Case) -> None:
    """6.5 points: what timetables and maps are still printed in."""
    assert min(float(text.get("font-size") or "nan") for text in case.root.iter(f"{SVG}text")) >= 6.5


def test_every_pass_is_named_with_its_snapshot(case: Case) -> None:
    texts = [text.text or "" for text in case.root.iter(f"{SVG}text")]
    beside = list(pairwise(texts))
    key = [word for text in texts for word in text.split("  ·  ")]
    for number, entry in enumerate(case.plan.entries, start=1):
        name = f"{number} {entry.pass_id}"
        assert (name, entry.snapshot) in beside or f"{name}, {entry.snapshot}" in key


def test_end_and_bound_stand_in_the_caption() -> None:
    job = make_job(1)
    plan = make_timetable(job, (1000.0, 1000.0)).model_copy(update={"makespan_s": 4000.0, "lower_bound_s": 3200.0})
    svg = draw_plan(job, plan)
    assert "done after 1:06:40" in svg
    assert "no plan can end before 0:53:20: this one is at most 25.0 % longer" in svg


def test_pages_are_a4_across_one_below_the_other() -> None:
    root = make_case(*CASES["two hundred"]).root
    pages = len(root.findall(f"{SVG}g"))
    assert pages > 2
    assert float(re.sub("mm$", "", root.get("width") or "")) == pytest.approx(297.0, abs=0.01)  # ISO 216
    assert float(re.sub("mm$", "", root.get("height") or "")) == pytest.approx(210.0 * pages, abs=0.01 * pages)


def test_the_same_plan_gives_the_same_bytes_and_asks_nobody_for_anything(case: Case) -> None:
    assert draw_plan(case.job, case.plan) == case.svg
    assert re.findall(r"https?://[^\"' ]+", case.svg) == ["http://www.w3.org/2000/svg"]
    assert not re.search(r"<(image|use|script|a|foreignObject)\b|@import|@font-face", case.svg)
    assert set(re.findall(r"url\(([^)]*)\)", case.svg)) <= {"#set-up", "#probe"}


def test_kinds_of_bars_differ_without_colour() -> None:
    """By pattern, dashes or lightness: luminance as in Rec. ITU-R BT.709, item 3.2."""

    def look(rect: ElementTree.Element) -> tuple[str, bool]:
        fill = rect.get("fill") or ""
        if fill.startswith("#"):
            red, green, blue = (int(fill[n : n + 2], 16) for n in (1, 3, 5))
            fill = f"lightness {round((0.2126 * red + 0.7152 * green + 0.0722 * blue) / 40)}"
        return fill, rect.get("stroke-dasharray") is not None

    case = make_case(*CASES["two hundred"])
    looks = {rect.get("data-kind"): look(rect) for rect in case.root.iter(f"{SVG}rect") if rect.get("data-kind")}
    assert len(looks) == 5
    assert len(set(looks.values())) == 5


def test_a_name_that_xml_has_no_room_for_still_gives_a_picture() -> None:
    case = make_case(1, (30.0, 30.0))
    svg = draw_plan(case.job.model_copy(update={"title": "a <waltz> & \x01 more"}), case.plan)
    texts = [text.text for text in ElementTree.fromstring(svg).iter(f"{SVG}text")]
    assert "a <waltz> & � more" in texts


def test_nothing_to_print_is_a_page_that_says_so() -> None:
    job = make_job(1)
    svg = draw_plan(job, Plan(makespan_s=0.0, lower_bound_s=0.0, hands_on_s=0.0, entries=()))
    assert "nothing to print" in [text.text for text in ElementTree.fromstring(svg).iter(f"{SVG}text")]


@pytest.mark.parametrize(
    ("text", "regular", "bold"),
    [
        pytest.param("harmonium/reel", 16424, 18381, id="ordinary"),
        pytest.param("0:12:34", 7895, 8763, id="time"),
        pytest.param("Wmmm", 8010, 8661, id="wide"),
        pytest.param("fill", 2428, 2997, id="narrow"),
    ],
)
def test_texts_are_taken_to_be_no_narrower_than_in_a_wide_font(text: str, regular: int, bold: int) -> None:
    """Sums of the advance widths in the `hmtx` tables of DejaVu Sans 2.37, 2048 units to the em, read by fontTools."""
    assert measure_text(text, 2048.0) >= regular
    assert measure_text(text, 2048.0, bold=True) >= bold
