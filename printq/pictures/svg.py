"""A few words of SVG: text that is known to fit, patterns that print without colour, a page of exact size.

Lengths are points of 1/72 inch. Nothing refers to anything outside of the file.
"""

from __future__ import annotations

import re
from xml.etree import ElementTree

__all__ = ["INK", "MAKER", "PAGE_HEIGHT", "PAGE_WIDTH", "Drawing", "fit_text", "measure_text", "number_text"]

PAGE_WIDTH, PAGE_HEIGHT = 841.89, 595.28
"""A4 across: 297 by 210 mm."""
MAKER = 'data-made-by="printq"'
INK = "#1f2d38"
FONTS = "'Helvetica Neue', Arial, Helvetica, 'Liberation Sans', 'DejaVu Sans', sans-serif"

_WIDTHS = (
    (0.30, "'ijlIJ"),
    (0.36, " ,./:;\\|f-"),
    (0.46, '()[]t!r"'),
    (0.56, "*_`sz?cLFk"),
    (0.66, "vxyPTYaoeESbdghnpqu$0123456789{}K"),
    (0.73, "AVBRXZCU"),
    (0.84, "HNDG&OQw#+<=>^~"),
    (1.00, "M%mW@"),
)
"""Upper limits of advance widths in ems, read from the tables of DejaVu Sans: the widest of the usual text fonts, so
that a label which fits by them fits in any."""
_WIDTH = {character: width for width, characters in _WIDTHS for character in characters}
_OTHER_WIDTH = 1.0
_BOLD = 1.17
"""How much wider words are in bold."""
_NOT_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
"""What XML 1.0 (section 2.2) has no place for."""


def measure_text(text: str, size: float, *, bold: bool = False) -> float:
    """Width in points that a text needs at most."""
    return size * (_BOLD if bold else 1.0) * sum(_WIDTH.get(character, _OTHER_WIDTH) for character in text)


def fit_text(text: str, size: float, width: float) -> str:
    """The text, cut with an ellipsis where it needs more than `width`; empty where not even that fits."""
    if measure_text(text, size) <= width:
        return text
    while text and measure_text(f"{text}…", size) > width:
        text = text[:-1]
    return f"{text.rstrip()}…" if text else ""


def number_text(value: float) -> str:
    """A coordinate: two places at most, and never a negative nothing."""
    return f"{round(value, 2) + 0.0:.2f}".rstrip("0").rstrip(".")


class Drawing:
    """One or more pages, one below the other.

    Parameters
    ----------
    title : str
        What it shows, for who cannot see it.
    """

    def __init__(self, title: str) -> None:
        self._root = ElementTree.Element("svg", {"xmlns": "http://www.w3.org/2000/svg"})
        self._add(self._root, "title", title)
        style = f"@page {{ size: 297mm 210mm; margin: 0 }} text {{ font-family: {FONTS}; fill: {INK} }}"
        self._add(self._root, "style", style)
        self._definitions = ElementTree.SubElement(self._root, "defs")
        self._page: ElementTree.Element | None = None
        self._heights: list[float] = []

    def page(self, height: float = PAGE_HEIGHT) -> None:
        """Begin a page; everything that follows is placed from its upper left corner."""
        top = sum(self._heights)
        self._heights.append(max(height, PAGE_HEIGHT))
        values = {"class": "page", "transform": f"translate(0 {number_text(top)})"}
        self._page = ElementTree.SubElement(self._root, "g", values)
        self.rect(0.0, 0.0, PAGE_WIDTH, self._heights[-1], fill="#ffffff")

    def stripes(self, name: str, colour: str, paper: str, gap: float = 3.2) -> None:
        """A pattern of slanting lines, to be used as `url(#name)`."""
        pattern = self._pattern(name, gap, paper)
        pattern.set("patternTransform", "rotate(45)")
        ElementTree.SubElement(
            pattern, "rect", {"width": number_text(gap * 0.38), "height": number_text(gap), "fill": colour}
        )

    def dots(self, name: str, colour: str, paper: str, gap: float = 3.4) -> None:
        """A pattern of dots, to be used as `url(#name)`."""
        middle = number_text(gap / 2.0)
        ElementTree.SubElement(
            self._pattern(name, gap, paper), "circle", {"cx": middle, "cy": middle, "r": "0.75", "fill": colour}
        )

    def rect(self, x: float, y: float, width: float, height: float, *, hint: str = "", **values: str) -> None:
        """A rectangle; `hint` is shown while the pointer rests on it."""
        box = {"x": x, "y": y, "width": width, "height": height}
        made = self._shape("rect", {name: number_text(value) for name, value in box.items()}, values)
        if hint:
            self._add(made, "title", hint)

    def line(self, x1: float, y1: float, x2: float, y2: float, **values: str) -> None:
        """A line from one point to another."""
        ends = {"x1": x1, "y1": y1, "x2": x2, "y2": y2}
        self._shape("line", {name: number_text(value) for name, value in ends.items()}, values)

    def text(self, x: float, y: float, text: str, size: float, **values: str) -> None:
        """A line of text that stands on `y`."""
        place = {"x": number_text(x), "y": number_text(y), "font-size": number_text(size)}
        self._shape("text", place, values).text = _clean(text)

    def to_text(self) -> str:
        """The whole file."""
        height = sum(self._heights)
        millimetres = 25.4 / 72.0
        values = {
            "width": f"{number_text(PAGE_WIDTH * millimetres)}mm",
            "height": f"{number_text(height * millimetres)}mm",
            "viewBox": f"0 0 {number_text(PAGE_WIDTH)} {number_text(height)}",
            "data-made-by": "printq",
        }
        for name, value in values.items():
            self._root.set(name, value)
        ElementTree.indent(self._root, " ")
        return '<?xml version="1.0" encoding="UTF-8"?>\n' + ElementTree.tostring(self._root, encoding="unicode") + "\n"

    def _pattern(self, name: str, gap: float, paper: str) -> ElementTree.Element:
        side = number_text(gap)
        values = {"id": name, "width": side, "height": side, "patternUnits": "userSpaceOnUse"}
        pattern = ElementTree.SubElement(self._definitions, "pattern", values)
        ElementTree.SubElement(pattern, "rect", {"width": side, "height": side, "fill": paper})
        return pattern

    def _shape(self, kind: str, place: dict[str, str], values: dict[str, str]) -> ElementTree.Element:
        assert self._page is not None, "a page comes first"
        given = {name.replace("_", "-"): _clean(value) for name, value in values.items()}
        return ElementTree.SubElement(self._page, kind, {**place, **given})

    @staticmethod
    def _add(parent: ElementTree.Element, kind: str, text: str) -> None:
        ElementTree.SubElement(parent, kind).text = _clean(text)


def _clean(text: str) -> str:
    return _NOT_XML.sub("\ufffd", text)
