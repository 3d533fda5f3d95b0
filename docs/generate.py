"""Fills the tables of the reference pages from the program itself, so that they cannot fall behind it.

A page marks where a table goes, and says around it what a table cannot:

    <!-- table: model rig.Insert -->
    (what stands here is replaced)
    <!-- end -->

Kinds of tables: `model MODULE.CLASS` for a record in `printq.models`, `kinds`, `limits`, `findings CHECK` and
`commands`. Run `python docs/generate.py` to write, `python docs/generate.py --check` to only compare.
"""

from __future__ import annotations

import importlib
import inspect
import re
import sys
import types
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Annotated, Any, Literal, Union, get_args, get_origin, get_type_hints

import typer
from pydantic import BaseModel
from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined

from printq.audio.processors.kinds import KINDS
from printq.cli.app import app
from printq.models.limits import CHECK_IDS, DEFAULT_LIMITS, Limit
from printq.verify.findings import FINDINGS

DOCS = Path(__file__).parent
MARKED = re.compile(r"(<!-- table: ([^\n]+?) -->\n).*?(<!-- end -->)", re.DOTALL)
PLAIN = {str: "text", float: "number", int: "whole number", bool: "`true` or `false`"}


def main(arguments: list[str]) -> int:
    """Write the pages, or with `--check` say which ones are out of date and return 1."""
    stale = [path for path, text in rendered_pages() if path.read_text(encoding="utf-8") != text]
    for path in stale:
        if "--check" in arguments:
            print(f"{path.relative_to(DOCS.parent).as_posix()} is out of date: run python docs/generate.py")
        else:
            text = dict(rendered_pages())[path]
            path.write_text(text, encoding="utf-8", newline="\n")
            print(f"wrote {path.relative_to(DOCS.parent).as_posix()}")
    return 1 if stale and "--check" in arguments else 0


def rendered_pages() -> list[tuple[Path, str]]:
    """Every page with marked tables, and the text that it should have."""
    found = []
    for path in sorted(DOCS.rglob("*.md")):
        text = path.read_text(encoding="utf-8")
        if MARKED.search(text):
            found.append((path, MARKED.sub(lambda m: f"{m[1]}{_render(m[2])}{m[3]}", text)))
    return found


def _render(wanted: str) -> str:
    kind, _, rest = wanted.partition(" ")
    tables: dict[str, Callable[[str], Iterable[str]]] = {
        "model": _model_table,
        "kinds": _kinds,
        "limits": _limits_table,
        "findings": _findings_table,
        "commands": _commands,
    }
    return "".join(f"{line}\n" for line in tables[kind](rest))


def _table(head: tuple[str, ...], rows: Iterable[tuple[str, ...]]) -> list[str]:
    def line(cells: tuple[str, ...]) -> str:
        return "| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |"

    return [line(head), line(("---",) * len(head)), *(line(row) for row in rows)]


# ---- records ----


def _model_table(name: str) -> list[str]:
    module, _, class_name = name.partition(".")
    model: type[BaseModel] = getattr(importlib.import_module(f"printq.models.{module}"), class_name)
    return _table(
        ("key", "what it is", "if left out", "meaning"),
        [
            (f"`{field.alias or key}`", _field_type(field), _default(field), field.description or "")
            for key, field in model.model_fields.items()
        ],
    )


def _field_type(field: FieldInfo) -> str:
    bounds = {
        name: getattr(item, name) for item in field.metadata for name in ("ge", "gt", "le") if hasattr(item, name)
    }
    low, above, high = bounds.get("ge"), bounds.get("gt"), bounds.get("le")
    span = ""
    if above is not None:
        span = f" above {above:g}" + (f", up to {high:g}" if high is not None else "")
    elif low is not None and high is not None:
        span = f", {low:g} to {high:g}"
    elif low is not None:
        span = f", {low:g} or more"
    elif high is not None:
        span = f", at most {high:g}"
    is_id = any(getattr(item, "pattern", None) for item in field.metadata)
    return ("id" if is_id else _type(field.annotation)) + span


def _type(annotation: Any) -> str:
    """A type in the words of somebody who writes TOML."""
    origin, inner = get_origin(annotation), get_args(annotation)
    if origin is Annotated:
        base, *rest = inner
        bounds = FieldInfo.from_annotation(annotation)
        return _field_type(bounds) if rest and bounds.annotation is base else _type(base)
    if origin is Literal:
        return ", ".join(f"`{_toml(value)}`" for value in inner)
    if origin in (Union, types.UnionType):
        # "or" last, so that it does not read as part of what a table is described by.
        kinds = sorted((each for each in inner if each is not type(None)), key=_is_table)
        return " or ".join(_type(each) for each in kinds)
    if origin is list:
        return f"list of {_type(inner[0])}".replace("list of table", "tables", 1)
    if origin is tuple:
        return f"pair of {_type(inner[0])}"
    if origin is dict:
        return f"table: {_type(inner[0])} to {_type(inner[1])}"
    if annotation in PLAIN:
        return PLAIN[annotation]
    if _is_table(annotation):
        return f"table, see [{annotation.__name__}](#{annotation.__name__.lower()})"
    return str(annotation)


def _is_table(annotation: Any) -> bool:
    return inspect.isclass(annotation) and issubclass(annotation, BaseModel)


def _default(field: FieldInfo) -> str:
    if field.is_required():
        return "required"
    default = field.get_default(call_default_factory=True)
    if default is None or default is PydanticUndefined:
        return "-"
    if isinstance(default, BaseModel):
        return "defaults"
    return f"`{_toml(default)}`"


def _toml(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return f'"{value}"'
    if isinstance(value, float):
        return f"{value:g}"
    return "{}" if value == {} else str(value)


# ---- checks ----


def _limits_table(_: str) -> list[str]:
    rows = []
    for check in CHECK_IDS:
        limit = DEFAULT_LIMITS.get(check)
        if isinstance(limit, Limit):
            warn, fail = (f"over {level:g}" if level is not None else "-" for level in (limit.warn, limit.fail))
        else:
            warn = fail = "off"
        rows.append((f"`{check}`", warn, fail))
    return _table(("check", "warns", "fails"), rows)


def _findings_table(check: str) -> list[str]:
    found = [finding for name, finding in FINDINGS.items() if name.partition(".")[0] == check]
    return _table(("likely cause", "what to do"), [(finding.cause, finding.remedy) for finding in found])


# ---- processors of the simulated rack ----


def _kinds(_: str) -> Iterable[str]:
    for name, kind in KINDS.items():
        yield ""
        yield f"## {name}"
        yield ""
        yield f"{kind.description}."
        yield ""
        if not kind.parameters:
            yield "No parameters."
            continue
        yield from _table(
            ("parameter", "range", "default", "meaning"),
            [
                (f"`{p.name}`", f"{p.low:g} to {p.high:g} {p.measure}".rstrip(), f"{p.default:g}", p.meaning)
                for p in kind.parameters
            ],
        )
    yield ""


# ---- commands ----


def _commands(_: str) -> Iterable[str]:
    group: Any = typer.main.get_command(app)
    for name, command in group.commands.items():
        about, _, example = inspect.cleandoc(command.callback.__doc__ or "").partition("Example: ")
        hints = get_type_hints(command.callback)
        arguments = [p for p in command.params if not p.opts[0].startswith("-")]
        usage = [_metavar(p, hints) if p.required else f"[{_metavar(p, hints)}]" for p in arguments]
        yield ""
        yield f"## printq {name}"
        yield ""
        yield from about.strip().splitlines()
        yield ""
        yield "```sh"
        yield " ".join(example.split())
        yield "```"
        yield ""
        yield from _table(
            (f"`{' '.join(['printq', name, *usage])}`", "meaning", "if left out"),
            [(_option(p, hints), p.help or "", _option_default(p, hints)) for p in command.params],
        )
    yield ""


def _metavar(parameter: Any, hints: dict[str, Any]) -> str:
    given = str(parameter.metavar or "").strip("[]")
    words = {int: "NUMBER", Path: "PATH"}
    return given or next((word for kind, word in words.items() if kind in _kinds_of(parameter, hints)), "TEXT")


def _kinds_of(parameter: Any, hints: dict[str, Any]) -> tuple[Any, ...]:
    hint = hints[parameter.name]
    return get_args(hint) or (hint,)


def _option(parameter: Any, hints: dict[str, Any]) -> str:
    if not parameter.opts[0].startswith("-"):
        return f"`{_metavar(parameter, hints)}`"
    names = ", ".join(parameter.opts)
    return f"`{names}`" if bool in _kinds_of(parameter, hints) else f"`{names} {_metavar(parameter, hints)}`"


def _option_default(parameter: Any, hints: dict[str, Any]) -> str:
    if parameter.required:
        return "required"
    if bool in _kinds_of(parameter, hints):
        return "off"
    if isinstance(parameter.default, Path):
        return "this folder"
    return str(parameter.default) if isinstance(parameter.default, int) else "-"


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
