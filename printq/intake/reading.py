"""Reading a TOML file into a model, with every problem at its line.

What is wrong is taken out and the rest is tried again, so that one slip does not hide the next ten. What was taken
out is remembered, so that nothing is reported that only follows from it.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Literal, TypeVar, get_args

from pydantic import BaseModel, ValidationError

from printq.intake.locate import KeyPath, Locations, locate_keys
from printq.intake.wording import TYPE_ERRORS, describe, one_line, shorten
from printq.models.problem import Problem

__all__ = ["Findings", "SourceFile", "read_file"]

Model = TypeVar("Model", bound=BaseModel)

MOST_ROUNDS = 60
MOST_BYTES = 20_000_000
"""Larger than any file that a person writes: a stem named as the rig by mistake is not read as text."""

STAND_INS: dict[KeyPath, Any] = {
    ("rig",): "",
    ("interface",): {},
    ("interface", "driver"): "simulated",
    ("interface", "rate"): 48_000,
    ("interface", "sends"): 256,
    ("interface", "returns"): 256,
}
"""Put in the place of required keys that are missing or wrong, so that the rest of the file can be checked.

Rules ask `SourceFile.is_lost` before they rely on one. `format` has its only possible value as stand-in.
"""

SYNTAX_HINTS = {
    "Invalid value": "texts stand in quotes, and numbers use a point",
    "Cannot overwrite a value": "the key is there twice: keep one of them",
    "Cannot declare": "the table is there twice: keep one of them, or write [[ ]] for one entry of several",
    "Unescaped '\\' in a string": "write / in paths, or put the text in single quotes",
}


class Findings:
    """Collects the problems of all files of a job."""

    def __init__(self) -> None:
        self.problems: list[Problem] = []
        self._files: dict[str, int] = {}

    @property
    def has_errors(self) -> bool:
        return any(problem.severity == "error" for problem in self.problems)

    def add_file(self, shown: str) -> None:
        """Remember the order in which files are read."""
        self._files.setdefault(shown, len(self._files))

    def sorted(self) -> list[Problem]:
        """By file in the order of reading, then by line; each once."""
        unique = list(dict.fromkeys(self.problems))
        return sorted(unique, key=lambda p: (self._files[p.file], p.line, p.column))


class _Entries(list[Any]):
    """A list that knows where its items stood in the file, whatever is taken out of it."""

    def __init__(self, items: Sequence[Any]) -> None:
        super().__init__(items)
        self.places = list(range(len(items)))

    def take_out(self, index: int) -> None:
        del self[index]
        del self.places[index]


class SourceFile:
    """A file as it was read: what was written, what is left of it as a model, and where each key stands.

    Places are given as keys and indices of the *model*; a text in the place of an index means the entry of that id.
    """

    def __init__(self, path: Path, shown: str, findings: Findings) -> None:
        self.path = path
        self.shown = one_line(shown)
        self.is_read = False
        self._findings = findings
        self._written: Any = {}
        self._left: Any = {}
        self._lost: set[KeyPath] = set()
        self._locations: Locations = {}
        findings.add_file(self.shown)

    def keep(self, text: str) -> None:
        """Remember what was written. Raises what `tomllib.loads` raises."""
        self._written = tomllib.loads(text)
        self._left = _copy(self._written)
        self._locations = locate_keys(text)
        self.is_read = True

    def error(self, where: Sequence[str | int], message: str, hint: str) -> None:
        """Report what keeps the job from running, unless it only follows from what was taken out."""
        if not self.is_lost(where):
            self.report(self.written_path(where), message, hint)

    def caution(self, where: Sequence[str | int], message: str, hint: str) -> None:
        """Report what should be known."""
        if not self.is_lost(where):
            self.report(self.written_path(where), message, hint, "caution")

    def at_line(self, line: int, column: int, message: str, hint: str) -> None:
        """Report something about the text itself."""
        self._add(line, column, "", message, hint, "error")

    def report(self, path: KeyPath, message: str, hint: str, severity: Literal["error", "caution"] = "error") -> None:
        """Report something at a place of the file as it was written."""
        line, column = self._place_of(path)
        self._add(line, column, self._name(path), message, hint, severity)

    def written_path(self, where: Sequence[str | int]) -> KeyPath:
        """The place in the file of a place in the model."""
        node = self._left
        path: KeyPath = ()
        for step in where:
            place = step
            if isinstance(node, _Entries):
                if isinstance(step, str):
                    step = next((i for i, entry in enumerate(node) if _id_of(entry) == step), step)
                place = node.places[step] if isinstance(step, int) and step < len(node) else step
            path = (*path, place)
            node = node[step] if _has(node, step) else None
        return path

    def written_at(self, where: Sequence[str | int]) -> Any:
        """What was written at a place, with all that is wrong in it; None where nothing was."""
        return _follow(self._written, self.written_path(where))

    def is_lost(self, where: Sequence[str | int]) -> bool:
        """Whether this, an item of it, or what it is a part of was wrong and is not in the model as it was meant."""
        path = self.written_path(where)
        return self._is_gone(path) or any(lost[:-1] == path and isinstance(lost[-1], int) for lost in self._lost)

    def entry_ids(self, where: Sequence[str | int]) -> frozenset[str] | None:
        """Ids in a list in lower case, those of broken entries included; None where the list cannot be read.

        In lower case, because an id with capitals is reported where it stands, not again wherever it is used.
        """
        if not self.is_read or self._is_gone(self.written_path(where)):
            return None
        entries = self.written_at(where)
        return frozenset(name.lower() for entry in entries or [] if (name := _id_of(entry)) is not None)

    def has_entry(self, where: Sequence[str | int], name: str) -> bool:
        """Whether a list has an entry of that id, if only a broken one; True where the list cannot be read."""
        ids = self.entry_ids(where)
        return ids is None or name in ids

    def validate(self, model: type[Model]) -> Model | None:
        """What is usable as a model; every problem is reported. None where nothing usable is left."""
        for _ in range(MOST_ROUNDS):
            try:
                return model.model_validate(self._left)
            except ValidationError as error:
                if not self._take_out(model, error):
                    return None
        return None

    def _take_out(self, model: type[BaseModel], error: ValidationError) -> bool:
        """Report the errors of one round and take out what caused them; False where nothing would be left."""
        grouped = _group_errors(self._left, error)
        if () in grouped:
            return False
        doomed: dict[KeyPath, KeyPath] = {}
        for path, items in grouped.items():
            written = self.written_path(path)
            if not self.is_lost(path):
                self.report(written, *describe(model, path, items, _follow(self._left, path)))
            gone = path
            if items[0]["type"] == "missing":
                if self._put_stand_in(model, path):
                    self._lost.add(written)
                    continue
                gone = path[:-1]
                if not gone:
                    return False
            written = written[: len(gone)]
            if items[0]["type"] != "extra_forbidden":
                self._lost.add(written)
            doomed[written] = gone
        # From the back, so that what is still to go keeps its index.
        for _, path in sorted(doomed.items(), key=lambda pair: [str(step).zfill(9) for step in pair[0]], reverse=True):
            parent = _follow(self._left, path[:-1])
            if isinstance(parent, _Entries) and isinstance(path[-1], int):
                parent.take_out(path[-1])
            elif _has(parent, path[-1]):
                del parent[path[-1]]
        return bool(doomed) or bool(self._lost)

    def _put_stand_in(self, model: type[BaseModel], path: KeyPath) -> bool:
        if path == ("format",):
            stand_in = get_args(model.model_fields["format"].annotation)[0]
        elif path in STAND_INS and path[0] in model.model_fields:
            stand_in = _copy(STAND_INS[path])
        else:
            return False
        _follow(self._left, path[:-1])[path[-1]] = stand_in
        return True

    def _is_gone(self, path: KeyPath) -> bool:
        return any(path[:length] in self._lost for length in range(1, len(path) + 1))

    def _add(
        self, line: int, column: int, key: str, message: str, hint: str, severity: Literal["error", "caution"]
    ) -> None:
        self._findings.problems.append(
            Problem(
                file=self.shown,
                line=line,
                column=column,
                key=one_line(key),
                message=one_line(message),
                hint=one_line(hint),
                severity=severity,
            )
        )

    def _place_of(self, path: KeyPath) -> tuple[int, int]:
        while path:
            if path in self._locations:
                return self._locations[path]
            path = path[:-1]
        return 1, 1

    def _name(self, path: KeyPath) -> str:
        """`unit[opto].control[ratio].range`: entries of lists by their id where they have one."""
        name = ""
        for length, step in enumerate(path, 1):
            if isinstance(step, int):
                name += f"[{shorten(_id_of(_follow(self._written, path[:length])) or str(step))}]"
            else:
                name += f".{shorten(step)}" if name else shorten(step)
        return name


def read_file(path: Path, shown: str, model: type[Model], findings: Findings) -> tuple[SourceFile, Model | None]:
    """Read a file into a model; None where nothing usable is left of it."""
    source = SourceFile(path, shown, findings)
    text = _read_text(source)
    if text is None:
        return source, None
    try:
        source.keep(text)
    except tomllib.TOMLDecodeError as error:
        line, column, reason = _where_of(error, text)
        hint = next((hint for start, hint in SYNTAX_HINTS.items() if reason.startswith(start)), "")
        source.at_line(line, column, f"not valid TOML: {reason}", hint or "correct the text at or just before this")
        return source, None
    except RecursionError:
        source.at_line(1, 1, "not valid TOML: nested too deeply", "write the tables one below the other")
        return source, None
    except ValueError as error:  # a number with thousands of digits
        source.at_line(1, 1, f"not valid TOML: {error}", "correct the number")
        return source, None
    return source, source.validate(model)


def _read_text(source: SourceFile) -> str | None:
    path = source.path
    try:
        if path.is_dir():
            source.at_line(1, 1, "this is a folder, not a file", "name the file in it")
            return None
        if path.stat().st_size > MOST_BYTES or not path.is_file():
            source.at_line(1, 1, "this is no text file", "correct the path")
            return None
        data = path.read_bytes()
    except FileNotFoundError:
        source.at_line(1, 1, "the file does not exist", "correct the path, or make the file")
        return None
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else str(error)
        source.at_line(1, 1, f"the file cannot be read ({reason})", "correct the path, or make the file readable")
        return None
    try:
        return data.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        source.at_line(data[: error.start].count(b"\n") + 1, 1, "the text is not UTF-8", "save the file as UTF-8")
        return None


def _where_of(error: tomllib.TOMLDecodeError, text: str) -> tuple[int, int, str]:
    """Line and column out of tomllib's message, which is the only place where it tells them."""
    # Names of tables come as Python tuples: ('unit', 'model').
    message = re.sub(r"\((?:'[^']*',? ?)+\)", lambda names: ".".join(re.findall(r"'([^']*)'", names[0])), str(error))
    found = re.search(r" \(at line (\d+), column (\d+)\)$", message)
    if found:
        return int(found[1]), int(found[2]), message[: found.start()]
    return max(1, text.count("\n") + (not text.endswith("\n"))), 1, message.removesuffix(" (at end of document)")


# ---- what pydantic says, by its place in the data ----


def _group_errors(data: Any, error: ValidationError) -> dict[KeyPath, list[Any]]:
    """Errors by place; where one member of a union fits better, only what it says."""
    grouped: dict[KeyPath, list[Any]] = {}
    for item in error.errors(include_url=False):
        path = _data_path(data, item)
        if item["type"] == "missing" and isinstance(path[-1], int):
            path, item["type"] = path[:-1], "missing_item"
        grouped.setdefault(path, []).append(item)
    parents = {path[:length] for path in grouped for length in range(len(path))}
    found: dict[KeyPath, list[Any]] = {}
    for path, items in grouped.items():
        nearer = [item for item in items if item["type"] not in TYPE_ERRORS]
        if nearer or path not in parents:
            found[path] = nearer or items
    return found


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


def _copy(data: Any) -> Any:
    """The same with lists that remember the places of their items."""
    if isinstance(data, dict):
        return {key: _copy(value) for key, value in data.items()}
    if isinstance(data, list):
        return _Entries([_copy(item) for item in data])
    return data


def _id_of(entry: Any) -> str | None:
    name = entry.get("id") if isinstance(entry, dict) else None
    return name if isinstance(name, str) and name else None


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
