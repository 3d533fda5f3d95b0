"""Every key of any TOML text is found on the line where it stands."""

from __future__ import annotations

import itertools
import tomllib
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from printq.intake.locate import locate_keys

KEY_DRESSES = ("{0}", '"{0}"', "'{0}'", '"{0} ]] = # [x] {{"', "'{0}.\"q\" ]'", '"{0}\\u00e9\\"\\\\"', '"{0}é"')
SCALAR_DRESSES = (
    "{0}",
    '"v{0}"',
    "'v{0}'",
    '"v{0} # \\" ]"',
    "'v{0} = [[ {{'",
    '"""v{0}\n[no.table]\n"quoted" = 1\n""""',
    "'''v{0}\n# none\nx = 2\n'''''",
    '"""v{0} \\\n   \\""" x"""',
    "{0}.5e3",
    "0x{0}",
)
COMMENTS = ("", "  # plain", ' # [table] = "x', "\n\n", "\n# [[a]]")


@st.composite
def documents(draw: st.DrawFn) -> str:
    """TOML text in which every key and every value holds a number that occurs once."""
    numbers = itertools.count(100)

    def key() -> str:
        return draw(st.sampled_from(KEY_DRESSES)).format(f"k{next(numbers)}")

    def scalar() -> str:
        return draw(st.sampled_from(SCALAR_DRESSES)).format(next(numbers))

    def value(depth: int) -> str:
        kind = draw(st.integers(0, 5 if depth else 3))
        if kind < 4:
            return scalar()
        if kind == 4:
            gap = draw(st.sampled_from(("", " ", "\n  ", " # ], \n")))
            items = [value(depth - 1) for _ in range(draw(st.integers(0, 3)))]
            return (
                "["
                + gap
                + f"{gap},{gap}".join(items)
                + (gap + "," if items and draw(st.booleans()) else "")
                + gap
                + "]"
            )
        return "{ " + ", ".join(pair(depth - 1) for _ in range(draw(st.integers(0, 3)))) + " }"

    def pair(depth: int) -> str:
        dots = draw(st.sampled_from((".", " . ")))
        keys = dots.join(key() for _ in range(draw(st.integers(1, 3))))
        return keys + draw(st.sampled_from((" = ", "=", "\t=\t"))) + value(depth)

    def pairs() -> list[str]:
        return [pair(2) + draw(st.sampled_from(COMMENTS)) for _ in range(draw(st.integers(0, 3)))]

    def tables(prefix: str, depth: int) -> list[str]:
        lines: list[str] = []
        for _ in range(draw(st.integers(0, 2))):
            name = f"{prefix}{key()}"
            if draw(st.booleans()):
                lines += [f"[ {name} ]{draw(st.sampled_from(COMMENTS))}", *pairs()]
                lines += tables(f"{name}.", depth - 1) if depth else []
            else:
                for _ in range(draw(st.integers(1, 2))):
                    lines += [f"  [[{name}]]{draw(st.sampled_from(COMMENTS))}", *pairs()]
                    lines += tables(f"{name} . ", depth - 1) if depth else []
        return lines

    return "\n".join([*pairs(), *tables("", 2)])


def every_place(data: Any, path: tuple[str | int, ...] = ()) -> list[tuple[tuple[str | int, ...], Any]]:
    inside = data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else ()
    return [found for step, each in inside for found in [((*path, step), each), *every_place(each, (*path, step))]]


@settings(max_examples=400, deadline=None)
@given(documents())
def test_every_key_is_found_on_its_line(text: str) -> None:
    data = tomllib.loads(text)
    found = locate_keys(text)
    lines = text.split("\n")
    for path, value in every_place(data):
        assert path in found, path
        line, column = found[path]
        assert 1 <= column <= len(lines[line - 1])
        step = path[-1]
        if isinstance(step, str):
            assert step[:4] in lines[line - 1]
        elif not isinstance(value, dict | list):
            digits = str(value)[1:4] if isinstance(value, str) else None
            assert digits is None or digits in lines[line - 1][column - 1 : column + 7]
