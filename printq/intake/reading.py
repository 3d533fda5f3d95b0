"""Reading a TOML file into a model, with every problem at its line.

What is wrong is cut out and the rest is tried again, so that one slip does not hide the next ten.
"""

from __future__ import annotations

import copy
import difflib
import re
import tomllib
import types
import typing
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Literal, TypeVar

from pydantic import BaseModel, ValidationError

from printq.intake.locate import KeyPath, Locations, locate_keys
from printq.models.problem import Problem

__all__ = ["Findings", "SourceFile", "read_file", "suggest"]

Model = TypeVar("Model", bound=BaseModel)

LATER_KEYS = frozenset({"sides", "key", "key_sends", "parts", "fingerprint"})
"""Keys of the format that this version does not act on: to accept them would promise what is not done."""
MOST_ROUNDS = 60


class Findings:
    """Collects the problems of all files of a job."""

    def __init__(self) -> None:
        self.problems: list[Problem] = []

    @property
    def has_errors(self) -> bool:
        return any(problem.severity == "error" for problem in self.problems)

    def sorted(self) -> list[Problem]:
        """By file in the order of first mention, then by line; each once."""
        files = list(dict.fromkeys(problem.file for problem in self.problems))
        unique = list(dict.fromkeys(self.problems))
        return sorted(unique, key=lambda p: (files.index(p.file), p.line, p.column))


class SourceFile:
    """A file as it was read: its data, and where each key stands."""

    def __init__(self, path: Path, shown: str, findings: Findings) -> None:
        self.path = path
        self.shown = shown
        self.data: dict[str, Any] = {}
        self._findings = findings
        self._locations: Locations = {}

    def keep(self, data: dict[str, Any], text: str) -> None:
        """Remember what was parsed."""
        self.data = data
        self._locations = locate_keys(text)

    def error(self, where: Sequence[str | int], message: str, hint: str) -> None:
        """Report what keeps the job from running; a text step into a list means the entry of that id."""
        self._report("error", where, message, hint)

    def caution(self, where: Sequence[str | int], message: str, hint: str) -> None:
        """Report what should be known."""
        self._report("caution", where, message, hint)

    def at_line(self, line: int, column: int, message: str, hint: str) -> None:
        """Report something about the text itself."""
        self._findings.problems.append(
            Problem(file=self.shown, line=line, column=column, key="", message=message, hint=hint)
        )

    def _report(
        self, severity: Literal["error", "caution"], where: Sequence[str | int], message: str, hint: str
    ) -> None:
        path = self._resolve(where)
        line, column = self._place_of(path)
        self._findings.problems.append(
            Problem(
                file=self.shown,
                line=line,
                column=column,
                key=self._name(path),
                message=message,
                hint=hint,
                severity=severity,
            )
        )

    def _place_of(self, path: KeyPath) -> tuple[int, int]:
        while path:
            if path in self._locations:
                return self._locations[path]
            path = path[:-1]
        return 1, 1

    def _resolve(self, where: Sequence[str | int]) -> KeyPath:
        node: Any = self.data
        path: KeyPath = ()
        for step in where:
            if isinstance(node, list) and isinstance(step, str):
                step = next(
                    (i for i, item in enumerate(node) if isinstance(item, dict) and item.get("id") == step), step
                )
            path = (*path, step)
            try:
                node = node[step]
            except (KeyError, IndexError, TypeError):
                node = None
        return path

    def _name(self, path: KeyPath) -> str:
        """`unit[opto].control[ratio].range`: entries of lists by their id where they have one."""
        node: Any = self.data
        name = ""
        for step in path:
            inside = node[step] if _has(node, step) else None
            if isinstance(step, int):
                label = inside.get("id", step) if isinstance(inside, dict) else step
                name += f"[{label}]"
            else:
                name += f".{step}" if name else step
            node = inside
        return name


def read_file(path: Path, shown: str, model: type[Model], findings: Findings) -> tuple[SourceFile, Model | None]:
    """Read a file into a model; None where nothing usable is left of it."""
    source = SourceFile(path, shown, findings)
    text = _read_text(source)
    if text is None:
        return source, None
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        line, column, reason = _where_of(error, text)
        source.at_line(line, column, f"not valid TOML: {reason}", "correct the text at or just before this place")
        return source, None
    except RecursionError:
        source.at_line(1, 1, "not valid TOML: nested too deeply", "write the tables one below the other")
        return source, None
    source.keep(data, text)
    return source, _validate(source, copy.deepcopy(data), model)


def suggest(word: str, known: Sequence[str]) -> str:
    """What might have been meant: `did you mean 'x'?`, or the list of what there is."""
    close = difflib.get_close_matches(word, known, 1, 0.6)
    if close:
        return f"did you mean {close[0]!r}?"
    return f"there is {', '.join(known)}" if known else "there is none"


def _read_text(source: SourceFile) -> str | None:
    path = source.path
    try:
        return path.read_bytes().decode("utf-8-sig").replace("\r\n", "\n")
    except FileNotFoundError:
        source.at_line(1, 1, "the file does not exist", "correct the path, or make the file")
    except IsADirectoryError:
        source.at_line(1, 1, "this is a folder, not a file", "name the file in it")
    except UnicodeDecodeError as error:
        line = path.read_bytes()[: error.start].count(b"\n") + 1
        source.at_line(line, 1, "the text is not UTF-8", "save the file as UTF-8")
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else str(error)
        source.at_line(1, 1, f"the file cannot be read ({reason})", "make it readable")
    return None


def _where_of(error: tomllib.TOMLDecodeError, text: str) -> tuple[int, int, str]:
    """Line and column out of tomllib's message, which is the only place where it tells them."""
    found = re.search(r" \(at line (\d+), column (\d+)\)$", str(error))
    if found:
        return int(found[1]), int(found[2]), str(error)[: found.start()]
    return max(1, text.count("\n")), 1, str(error).removesuffix(" (at end of document)")


def _validate(source: SourceFile, data: dict[str, Any], model: type[Model]) -> Model | None:
    for _ in range(MOST_ROUNDS):
        try:
            return model.model_validate(data)
        except ValidationError as error:
            # Paths are those of what is left; the places come from what was written.
            if not _report_round(source, data, model, error):
                return None
    return None


def _report_round(source: SourceFile, data: dict[str, Any], model: type[BaseModel], error: ValidationError) -> bool:
    """Report the errors of one round and cut out what caused them; False where nothing would be left."""
    grouped: dict[KeyPath, list[Any]] = {}
    for item in error.errors(include_url=False):
        grouped.setdefault(_data_path(data, item), []).append(item)
    doomed: list[KeyPath] = []
    for path, items in grouped.items():
        _report_items(source, data, model, path, items)
        missing = all(item["type"] == "missing" for item in items)
        doomed.append(path[:-1] if missing else path)
    alive = True
    # The last items of a list first, so that the earlier ones keep their places.
    for path in sorted(set(doomed), key=lambda p: [str(step).zfill(8) for step in p], reverse=True):
        alive = _cut(data, path, model) and alive
    return alive


def _cut(data: Any, path: KeyPath, model: type[BaseModel]) -> bool:
    """Take the smallest piece out that the model can do without."""
    while path:
        parent = _follow(data, path[:-1])
        step = path[-1]
        if isinstance(parent, list) and isinstance(step, int) and step < len(parent):
            # An item keeps its place in the list, so that later ones keep theirs, unless it has to go.
            del parent[step]
            return True
        if isinstance(parent, dict) and step in parent:
            del parent[step]
            return True
        path = path[:-1]
    return False


def _report_items(source: SourceFile, data: Any, model: type[BaseModel], path: KeyPath, items: Sequence[Any]) -> None:
    first = items[0]
    kind, key = first["type"], str(path[-1]) if path else ""
    where = _original_path(source.data, data, path)
    models = _models_at(model, path[:-1])
    if kind == "extra_forbidden":
        known = [field.alias or name for each in models for name, field in each.model_fields.items()]
        if key in LATER_KEYS:
            source.error(where, "not available in this version", "take the key out")
        else:
            source.error(where, "unknown key", suggest(key, known))
    elif kind == "missing":
        source.error(where, "missing", _meaning(models, key))
    else:
        value = _follow(data, path)
        source.error(where, _what_is_wrong(items, value), _what_is_right(items, models, key))


def _what_is_wrong(items: Sequence[Any], value: Any) -> str:
    kinds = {item["type"] for item in items}
    shown = _show(value)
    if "string_pattern_mismatch" in kinds:
        return f"{shown} is no id"
    if kinds & {"greater_than_equal", "less_than_equal", "greater_than", "less_than", "finite_number"}:
        return f"{shown} is out of range"
    if kinds & {"too_short", "too_long"}:
        return f"a list of {len(value) if isinstance(value, list) else 0}"
    return f"{shown} is not possible here"


def _what_is_right(items: Sequence[Any], models: Sequence[type[BaseModel]], key: str) -> str:
    hints = list(dict.fromkeys(filter(None, (_hint_of(item) for item in items))))
    meaning = _meaning(models, key)
    return " or ".join(hints) + (f": {meaning}" if meaning and hints else meaning)


def _hint_of(item: Any) -> str:
    context = item.get("ctx", {})
    match item["type"]:
        case "literal_error":
            return str(context["expected"])
        case "string_pattern_mismatch":
            return "lower-case letters, digits and hyphens, beginning with a letter or digit"
        case "int_type":
            return "a whole number"
        case "float_type" | "float_parsing":
            return "a number"
        case "finite_number":
            return "a finite number"
        case "bool_type":
            return "true or false"
        case "string_type":
            return "a text in quotes"
        case "list_type":
            return "a list in [ ]"
        case "tuple_type":
            return "two items in [ ]"
        case "dict_type" | "model_type" | "model_attributes_type":
            return "a table"
        case "greater_than_equal":
            return f"{context['ge']:g} or more"
        case "greater_than":
            return f"more than {context['gt']:g}"
        case "less_than_equal":
            return f"{context['le']:g} or less"
        case "less_than":
            return f"less than {context['lt']:g}"
        case "too_short":
            return f"at least {context['min_length']} item{'s' if context['min_length'] != 1 else ''}"
        case "too_long":
            return f"at most {context['max_length']} items"
    return str(item["msg"])


def _meaning(models: Sequence[type[BaseModel]], key: str) -> str:
    for model in models:
        for name, field in model.model_fields.items():
            if key in (name, field.alias) and field.description:
                return field.description.split(". ")[0].rstrip(".")
    return ""


def _show(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return repr(value) if len(value) < 60 else repr(value[:57] + "...")
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        return "a list"
    return str(value)


# ---- paths: from what pydantic says to what is in the data, and to the models there ----


def _data_path(data: Any, item: Any) -> KeyPath:
    """The steps of an error's place that exist in the data; names of union members are left out."""
    path: KeyPath = ()
    node = data
    location = item["loc"]
    for position, step in enumerate(location):
        if _has(node, step):
            path, node = (*path, step), node[step]
        elif item["type"] == "missing" and position == len(location) - 1:
            path = (*path, step)
    return path


def _original_path(original: Any, data: Any, path: KeyPath) -> KeyPath:
    """The same place in the data as it was written: items that were cut out have moved those behind them."""
    where: KeyPath = ()
    before, now = original, data
    for step in path:
        place: str | int = step
        inside = now[step] if _has(now, step) else None
        if isinstance(step, int) and isinstance(before, list):
            same = [i for i, item in enumerate(before) if i >= step and _alike(item, inside)]
            place = same[0] if same else step
        where = (*where, place)
        before = before[place] if _has(before, place) else None
        now = inside
    return where


def _alike(before: Any, now: Any) -> bool:
    if isinstance(before, dict) and isinstance(now, dict):
        return bool(before.get("id") == now.get("id") and set(now) <= set(before))
    return bool(before == now)


def _follow(data: Any, path: KeyPath) -> Any:
    node = data
    for step in path:
        if not _has(node, step):
            return None
        node = node[step]
    return node


def _has(node: Any, step: str | int) -> bool:
    if isinstance(node, dict):
        return step in node
    return isinstance(node, list) and isinstance(step, int) and 0 <= step < len(node)


def _models_at(model: type[BaseModel], path: KeyPath) -> list[type[BaseModel]]:
    """The models that may stand at a place of the data."""
    found: list[Any] = [model]
    for step in path:
        inside: list[Any] = []
        for each in found:
            if isinstance(each, type) and issubclass(each, BaseModel):
                fields = {field.alias or name: field.annotation for name, field in each.model_fields.items()}
                inside += _parts_of(fields.get(str(step)))
            else:
                inside += [part for argument in typing.get_args(each)[-1:] for part in _parts_of(argument)]
        found = inside
    return [each for each in found if isinstance(each, type) and issubclass(each, BaseModel)]


def _parts_of(annotation: Any) -> list[Any]:
    """The members of a union, and what lies behind annotations."""
    origin = typing.get_origin(annotation)
    if origin in (typing.Union, types.UnionType):
        return [part for argument in typing.get_args(annotation) for part in _parts_of(argument)]
    if origin is typing.Annotated:
        return _parts_of(typing.get_args(annotation)[0])
    return [annotation]
