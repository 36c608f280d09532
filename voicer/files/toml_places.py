"""The place of each key in a TOML text: its line and the spans of its name and value.

`tomllib` keeps no places, and `tomlkit` none that survive nesting; complaints need the line, edits the spans.
"""

from __future__ import annotations

import re
import tomllib
from bisect import bisect_right
from dataclasses import dataclass

Loc = tuple[str | int, ...]
"""A path into the text, such as ``("control", 2, "parameter")``."""



@dataclass(frozen=True)
class Place:
    """Place of a key in the text: its line (from 1) and the spans of its name and its value."""

    line: int
    key_start: int
    key_end: int
    value_start: int
    value_end: int


def key_places(text: str) -> dict[Loc, Place]:
    """Place of every table, key and list item of well-formed TOML, by its path as tuple."""
    return _Scanner(text).scan()


def line_of(places: dict[Loc, Place], loc: Loc) -> int:
    """Line of that path or of the innermost table around it; parts that are not in the text are passed over."""
    known: Loc = ()
    for part in loc:
        if (*known, part) in places:
            known = (*known, part)
    return places[known].line if known else 1


_GAP = re.compile(r"(?:\s|#[^\n]*)*")
_BLANK = re.compile(r"[ \t]*")
_QUOTED = r'"(?:\\.|[^"\\])*"|' + r"'[^']*'"
_KEY = re.compile(rf"(?:{_QUOTED}|[A-Za-z0-9_-]+)(?:[ \t]*\.[ \t]*(?:{_QUOTED}|[A-Za-z0-9_-]+))*")
_STRING = re.compile(
    r'"""(?:\\.|[^\\])*?"""(?:"{0,2})|' + r"'''.*?'''(?:'{0,2})|" + _QUOTED, re.DOTALL
)
_SCALAR = re.compile(r"[^\n,\]}#]*[^\s,\]}#]")


class _Scanner:
    """Walks text that tomllib has accepted, so it need not check again, only keep count of places."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.line_ends = [found.start() for found in re.finditer("\n", text)]
        self.places: dict[Loc, Place] = {}
        self.lengths: dict[Loc, int] = {}

    def scan(self) -> dict[Loc, Place]:
        table: Loc = ()
        at = self._skip(_GAP, 0)
        while at < len(self.text):
            if self.text[at] == "[":
                table, at = self._header(at)
            else:
                at = self._key_and_value(table, at)
            at = self._skip(_GAP, at)
        return self.places

    def _skip(self, pattern: re.Pattern[str], at: int) -> int:
        found = pattern.match(self.text, at)
        return found.end() if found else at

    def _header(self, at: int) -> tuple[Loc, int]:
        repeated = self.text.startswith("[[", at)
        start = self._skip(_BLANK, at + 1 + repeated)
        end = self._skip(_KEY, start)
        *around, last = _key_parts(self.text[start:end])
        loc: Loc = ()
        for part in around:
            loc = self._newest((*loc, part), start, end)
        loc = (*loc, last)
        if repeated:
            self._note(loc, start, end)
            self.lengths[loc] = self.lengths.get(loc, 0) + 1
            loc = (*loc, self.lengths[loc] - 1)
        self.places.pop(loc, None)
        self._note(loc, start, end)
        return loc, self.text.index("]", end) + 1 + repeated

    def _newest(self, loc: Loc, start: int, end: int) -> Loc:
        """Enter a table on the way to another: of repeated tables the one opened last."""
        self._note(loc, start, end)
        return (*loc, self.lengths[loc] - 1) if loc in self.lengths else loc

    def _note(self, loc: Loc, start: int, end: int) -> None:
        line = bisect_right(self.line_ends, start - 1) + 1
        self.places.setdefault(loc, Place(line, start, end, end, end))

    def _key_and_value(self, table: Loc, at: int) -> int:
        end = self._skip(_KEY, at)
        *around, last = _key_parts(self.text[at:end])
        for part in around:
            table = (*table, part)
            self._note(table, at, end)
        value = self._skip(_BLANK, self.text.index("=", end) + 1)
        return self._value((*table, last), at, end, value)

    def _value(self, loc: Loc, start: int, end: int, at: int) -> int:
        line = bisect_right(self.line_ends, start - 1) + 1
        self.places[loc] = Place(line, start, end, at, at)
        opening = self.text[at : at + 1]
        if opening == "[":
            after = self._items(loc, at + 1)
        elif opening == "{":
            after = self._pairs(loc, at + 1)
        else:
            after = self._skip(_STRING if opening in "\"'" else _SCALAR, at)
        self.places[loc] = Place(line, start, end, at, after)
        return after

    def _items(self, loc: Loc, at: int) -> int:
        index = 0
        at = self._skip(_GAP, at)
        while self.text[at] != "]":
            at = self._skip(_GAP, self._value((*loc, index), at, at, at))
            at = self._skip(_GAP, at + 1) if self.text[at] == "," else at
            index += 1
        return at + 1

    def _pairs(self, loc: Loc, at: int) -> int:
        at = self._skip(_GAP, at)
        while self.text[at] != "}":
            at = self._skip(_GAP, self._key_and_value(loc, at))
            at = self._skip(_GAP, at + 1) if self.text[at] == "," else at
        return at + 1


def _key_parts(raw: str) -> list[str]:
    if '"' not in raw and "'" not in raw:
        return [part.strip() for part in raw.split(".")]
    parts, inner = [], tomllib.loads(f"{raw} = 0")
    while isinstance(inner, dict):
        ((part, inner),) = inner.items()
        parts.append(part)
    return parts
