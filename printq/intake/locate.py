"""Where each key of a TOML file stands: a small scanner beside `tomllib`, which tells no positions.

It only reads text that `tomllib` has accepted, so it need not judge; what it cannot follow it skips.
"""

from __future__ import annotations

import re
from bisect import bisect_right

__all__ = ["KeyPath", "Locations", "locate_keys"]

KeyPath = tuple[str | int, ...]
Locations = dict[KeyPath, tuple[int, int]]
"""Path of keys and indices to (line, column) of the key, or of the value where it is an item of an array."""

BARE = re.compile(r"[A-Za-z0-9_-]+")
PLAIN_VALUE = re.compile(r"[^,\]}#\r\n]*")
ESCAPES = {"b": "\b", "t": "\t", "n": "\n", "f": "\f", "r": "\r", '"': '"', "\\": "\\", "e": "\x1b"}
HEX_DIGITS = {"x": 2, "u": 4, "U": 8}


def locate_keys(text: str) -> Locations:
    """The place of every key, table and array item; lines and columns count from 1."""
    scanner = _Scanner(text)
    scanner.scan_document()
    return scanner.found


class _Scanner:
    def __init__(self, text: str) -> None:
        self.found: Locations = {}
        self._text = text
        self._at = 0
        self._line_starts = [0] + [m.end() for m in re.finditer(r"\n", text)]
        self._implied: set[KeyPath] = set()
        """Tables that are noted at the header of a table within them."""
        self._arrays: dict[KeyPath, int] = {}
        """Paths of arrays of tables, to the index of their last table."""

    def scan_document(self) -> None:
        table: KeyPath = ()
        while self._skip_blank():
            start = self._at
            if self._text.startswith("[[", start):
                self._at += 2
                *parents, last = self._read_keys()
                path = (*self._resolve(parents), last)
                self._arrays[path] = self._arrays.get(path, -1) + 1
                table = (*path, self._arrays[path])
                self._note_table(path, start)
                self._note(table, start)
                self._skip_past("]]")
            elif self._text[start] == "[":
                self._at += 1
                table = self._resolve(self._read_keys())
                self._note_table(table, start)
                self._skip_past("]")
            else:
                before = self._at
                self._scan_pair(table)
                if self._at == before:
                    self._at += 1

    def _scan_pair(self, table: KeyPath) -> None:
        start = self._at
        keys = self._read_keys()
        for depth in range(1, len(keys) + 1):
            self._note((*table, *keys[:depth]), start)
        self._skip_past("=")
        self._scan_value((*table, *keys))

    def _scan_value(self, path: KeyPath) -> None:
        self._skip_spaces()
        character = self._text[self._at : self._at + 1]
        if character in ('"', "'"):
            self._read_string()
        elif character == "[":
            self._scan_items(path)
        elif character == "{":
            self._scan_inline_table(path)
        else:
            found = PLAIN_VALUE.match(self._text, self._at)
            self._at = found.end() if found else self._at + 1

    def _scan_items(self, path: KeyPath) -> None:
        self._at += 1
        index = 0
        while self._skip_blank() and self._text[self._at] != "]":
            before = self._at
            if self._text[self._at] == ",":
                self._at += 1
                continue
            self._note((*path, index), self._at)
            self._scan_value((*path, index))
            index += 1
            if self._at == before:
                self._at += 1
        self._at += 1

    def _scan_inline_table(self, path: KeyPath) -> None:
        self._at += 1
        while self._skip_blank() and self._text[self._at] != "}":
            before = self._at
            if self._text[self._at] == ",":
                self._at += 1
                continue
            self._scan_pair(path)
            if self._at == before:
                self._at += 1
        self._at += 1

    def _read_keys(self) -> list[str]:
        keys: list[str] = []
        while True:
            self._skip_spaces()
            bare = BARE.match(self._text, self._at)
            if bare:
                keys.append(bare[0])
                self._at = bare.end()
            elif self._text[self._at : self._at + 1] in ('"', "'"):
                keys.append(self._read_string())
            self._skip_spaces()
            if self._text[self._at : self._at + 1] != ".":
                return keys or [""]
            self._at += 1

    def _read_string(self) -> str:
        quote = self._text[self._at]
        mark = quote * 3 if self._text.startswith(quote * 3, self._at) else quote
        self._at += len(mark)
        read: list[str] = []
        while self._at < len(self._text):
            if self._text.startswith(mark, self._at):
                self._at += len(mark)
                # Up to two quotes may stand before the three that close.
                while len(mark) == 3 and self._text[self._at : self._at + 1] == quote:
                    self._at += 1
                break
            if quote == '"' and self._text[self._at] == "\\":
                read.append(self._read_escape())
            else:
                read.append(self._text[self._at])
                self._at += 1
        return "".join(read)

    def _read_escape(self) -> str:
        kind = self._text[self._at + 1 : self._at + 2]
        digits = HEX_DIGITS.get(kind, 0)
        code = self._text[self._at + 2 : self._at + 2 + digits]
        self._at += 2 + digits
        return chr(int(code, 16)) if digits else ESCAPES.get(kind, "")

    def _resolve(self, keys: list[str]) -> KeyPath:
        """Put the index of the last table in where the path goes through an array of tables."""
        path: KeyPath = ()
        for key in keys:
            path = (*path, key)
            if path in self._arrays:
                path = (*path, self._arrays[path])
        return path

    def _note_table(self, path: KeyPath, place: int) -> None:
        """Note a table, and those around it that have no header of their own so far."""
        for length in range(1, len(path)):
            if path[:length] not in self.found:
                self._note(path[:length], place)
                self._implied.add(path[:length])
        if path in self._implied:
            self._implied.remove(path)
            del self.found[path]
        self._note(path, place)

    def _note(self, path: KeyPath, place: int) -> None:
        line = bisect_right(self._line_starts, place)
        self.found.setdefault(path, (line, place - self._line_starts[line - 1] + 1))

    def _skip_spaces(self) -> None:
        while self._text[self._at : self._at + 1] in (" ", "\t"):
            self._at += 1

    def _skip_blank(self) -> bool:
        """Skip white space, ends of lines and comments; whether anything is left."""
        while self._at < len(self._text):
            if self._text[self._at] in " \t\r\n":
                self._at += 1
            elif self._text[self._at] == "#":
                end = self._text.find("\n", self._at)
                self._at = len(self._text) if end < 0 else end
            else:
                return True
        return False

    def _skip_past(self, mark: str) -> None:
        found = self._text.find(mark, self._at)
        self._at = len(self._text) if found < 0 else found + len(mark)
