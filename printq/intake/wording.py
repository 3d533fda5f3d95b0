"""What is wrong with a value, and what would be right, in the words of the person who wrote it."""

from __future__ import annotations

import difflib
import types
import typing
from collections.abc import Mapping, Sequence
from typing import Any, Literal

from pydantic import BaseModel

from printq.intake.locate import KeyPath
from printq.models.job import Options, Through
from printq.models.rig import Insert

__all__ = ["TYPE_ERRORS", "describe", "find_close", "one_line", "shorten", "show_number", "suggest"]

LATER_KEYS: dict[type[BaseModel], frozenset[str]] = {
    Options: frozenset({"fingerprint"}),
    Through: frozenset({"sides", "key", "parts"}),
    Insert: frozenset({"key_sends"}),
}
"""Keys of the format that this version does not act on: to accept them would promise what is not done."""

TYPE_HINTS = {
    "bool_type": "true or false",
    "dict_type": "a table",
    "finite_number": "a finite number",
    "float_type": "a number",
    "int_type": "a whole number",
    "list_type": "a list in [ ]",
    "model_attributes_type": "a table",
    "model_type": "a table",
    "string_type": "a text in quotes",
    "tuple_type": "two items in [ ]",
}
TYPE_ERRORS = frozenset(TYPE_HINTS) | {"literal_error"}
"""Errors that say only that a value is of another type: what other members of a union say is nearer."""

NUMBERS = frozenset({"a number", "a whole number", "a finite number"})
OUT_OF_RANGE = frozenset({"greater_than_equal", "less_than_equal", "greater_than", "less_than", "finite_number"})
LONGEST_SHOWN = 60


def suggest(word: str, known: Sequence[str]) -> str:
    """What might have been meant: `did you mean 'x'?`, or the list of what there is."""
    meant = find_close(word, known)
    if meant is not None:
        return f"did you mean {meant!r}?"
    return f"there is {', '.join(dict.fromkeys(known))}" if known else "there is none"


def find_close(word: str, known: Sequence[str]) -> str | None:
    """The one that a word is most likely a slip of, or None."""
    return next(iter(difflib.get_close_matches(word, known, 1, 0.6)), None)


def describe(model: type[BaseModel], path: KeyPath, items: Sequence[Any], value: Any) -> tuple[str, str]:
    """What is wrong at a place, and what would be right.

    Parameters
    ----------
    model : type
        The model of the whole file.
    path : tuple
        Keys and indices that lead to the place.
    items : sequence
        What pydantic says about it: more than one where several kinds of value are possible.
    value
        What stands there; of no interest where the key is missing.
    """
    kinds = {item["type"] for item in items}
    parents = models_at(model, path[:-1])
    key = str(path[-1]) if path else ""
    if "extra_forbidden" in kinds:
        if any(key in LATER_KEYS.get(parent, ()) for parent in parents):
            return "not available in this version", "take the key out"
        return "unknown key", suggest(key, [name for parent in parents for name in _fields_of(parent)])
    if "missing" in kinds:
        return "missing", _join(_choices(parents, key), _meaning(model, path))
    if any(item["loc"][-1:] == ("[key]",) for item in items):
        return f"{_show(key)} is no id", _hint_of(items[0])
    hints = list(dict.fromkeys(_hint_of(item) for item in items))
    if isinstance(value, str) and _is_number(value):
        hints = [f"{hint} without quotes" if hint in NUMBERS else hint for hint in hints]
    if "list_type" in kinds and isinstance(value, dict) and models_at(model, (*path, 0)):
        header = ".".join(step for step in path if isinstance(step, str))
        hints = [f"[[{header}]] with two brackets for each one, or a list: [{{ … }}]"]
    return _what_is_wrong(kinds, value), _join(" or ".join(hints), _meaning(model, path))


def models_at(model: type[BaseModel], path: KeyPath) -> list[type[BaseModel]]:
    """The models that may stand at a place of the data."""
    found: list[Any] = [model]
    for step in path:
        inside: list[Any] = []
        for each in found:
            if _is_model(each):
                inside += _parts_of(_fields_of(each).get(str(step)))
            else:
                inside += [part for argument in typing.get_args(each)[-1:] for part in _parts_of(argument)]
        found = inside
    return [each for each in found if _is_model(each)]


def one_line(text: str) -> str:
    """A text that may hold anything, fit for one line of a terminal."""
    return "".join(character if character.isprintable() else repr(character)[1:-1] for character in text)


def shorten(text: str) -> str:
    """A text that may be long, fit for a message."""
    return text if len(text) <= LONGEST_SHOWN else text[: LONGEST_SHOWN - 3] + "..."


def show_number(value: float) -> str:
    """A number as a person would write it: no decimals where there are none."""
    return str(int(value)) if value == int(value) and abs(value) < 1e15 else repr(value)


def _what_is_wrong(kinds: set[str], value: Any) -> str:
    shown = _show(value)
    if "string_pattern_mismatch" in kinds:
        return f"{shown} is no id"
    if kinds & OUT_OF_RANGE:
        return f"{shown} is out of range"
    if kinds & {"too_short", "too_long", "missing_item"}:
        count = len(value) if isinstance(value, list) else 0
        return f"a list of {count} item{'s' if count != 1 else ''}"
    return f"{shown} is not possible here"


def _hint_of(item: Mapping[str, Any]) -> str:
    context = item.get("ctx", {})
    match item["type"]:
        case "literal_error":
            return str(context["expected"])
        case "string_pattern_mismatch":
            return "lower-case letters, digits and hyphens, beginning with a letter or digit"
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
        case "too_long" if context.get("field_type") != "Tuple":
            return f"at most {context['max_length']} items"
        case "too_long" | "missing_item":
            return "two items"
        case kind:
            return TYPE_HINTS.get(kind) or str(item["msg"])


def _join(right: str, meaning: str) -> str:
    return f"{right} ({meaning})" if right and meaning else right or meaning


def _choices(parents: Sequence[type[BaseModel]], key: str) -> str:
    """What may be written for a key, where it is one of a few words."""
    for parent in parents:
        for part in _parts_of(_fields_of(parent).get(key)):
            if typing.get_origin(part) is Literal:
                words = [f'"{word}"' if isinstance(word, str) else str(word) for word in typing.get_args(part)]
                return f"{key} = {' or '.join(words)}"
    return ""


def _meaning(model: type[BaseModel], path: KeyPath) -> str:
    """The first sentence of what the nearest key says about itself."""
    while path and isinstance(path[-1], int):
        path = path[:-1]
    for parent in models_at(model, path[:-1]):
        for name, field in parent.model_fields.items():
            if path[-1] in (name, field.alias) and field.description:
                return field.description.split(". ")[0].rstrip(".")
    return ""


def _show(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return repr(shorten(value))
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        return "a list"
    return shorten(str(value))


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def _is_model(part: Any) -> bool:
    return isinstance(part, type) and issubclass(part, BaseModel)


def _fields_of(model: type[BaseModel]) -> dict[str, Any]:
    """Keys as they are written, to their annotations."""
    return {field.alias or name: field.annotation for name, field in model.model_fields.items()}


def _parts_of(annotation: Any) -> list[Any]:
    """The members of a union, and what lies behind annotations."""
    origin = typing.get_origin(annotation)
    if origin in (typing.Union, types.UnionType):
        return [part for argument in typing.get_args(annotation) for part in _parts_of(argument)]
    if origin is typing.Annotated:
        return _parts_of(typing.get_args(annotation)[0])
    return [annotation]
