"""Edits of TOML text that leave every other character where it is: comments, order, formatting, line ends.

`with_value` sets one key, wherever and in whatever form the text has it or has room for it.
"""

from __future__ import annotations

import json
import re
from typing import TYPE_CHECKING, Any

from voicer.files.toml_places import key_places

if TYPE_CHECKING:
    from voicer.files.toml_places import Loc, Place

Edit = tuple[int, int, str]
"""Start and end of what is replaced, and what comes in its place."""


def edited(text: str, edits: list[Edit]) -> str:
    """The text with all edits made; they must not overlap."""
    for start, end, new in sorted(edits, reverse=True):
        text = text[:start] + new + text[end:]
    return text


def literal(value: Any) -> str:
    """One value as TOML, numbers short: ``12.0``, ``true``, ``"off"``."""
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, bool):
        return "true" if value else "false"
    return repr(value)


def with_value(text: str, loc: Loc, value: Any) -> str:
    """Set one key of well-formed text: in place if it is there, else as a new key of its table.

    Parameters
    ----------
    text : str
        TOML that tomllib reads.
    loc : tuple of str
        Path of the key; its parts must be bare keys, and none of the tables on the way a list.
    value : float, int, bool or str
        What it is to be.
    """
    places = key_places(text)
    if loc in places:
        return edited(text, [_in_its_column(text, places[loc], literal(value))])
    return edited(text, [_new_key(text, places, loc, literal(value))])


def _in_its_column(text: str, place: Place, new: str) -> Edit:
    """Replace a value and, where room allows, leave a comment behind it in its column."""
    gap = re.compile(r"[ \t]*(?=#)").match(text, place.value_end)
    if gap is None:
        return place.value_start, place.value_end, new
    room = gap.end() - place.value_start
    return place.value_start, gap.end(), new.ljust(max(room, len(new) + 1))


def _new_key(text: str, places: dict[Loc, Place], loc: Loc, value: str) -> Edit:
    """Put a key into the innermost table that can take it: an inline one, one with a header, or a new one."""
    known = [loc[:length] for length in range(len(loc) - 1, 0, -1) if loc[:length] in places]
    inline = next((table for table in known if _is_inline(text, places[table])), None)
    if inline:
        return _into_inline(text, places, inline, f"{_joined(loc[len(inline) :])} = {value}")
    headed = next((table for table in known if _header_of(text, places[table]) == table), ())
    dotted = bool(known) and _header_of(text, places[known[0]]) is None
    if not headed and not dotted and len(loc) > 1:
        return _at_the_end(text, [f"[{_joined(loc[:-1])}]", f"{_joined((loc[-1],))} = {value}"])
    around = known[0] if dotted else headed
    at = _end_of_keys(text, places, around, headed)
    return _line_at(text, at, f"{_joined(loc[len(headed) :])} = {value}")


def _is_inline(text: str, place: Place) -> bool:
    return text[place.value_start : place.value_end].startswith("{")


def _header_of(text: str, place: Place) -> Loc | None:
    """The path in the ``[header]`` that named this table first; None if keys with dots did."""
    if not text[: place.key_start].rstrip(" \t").endswith("["):
        return None
    return tuple(part.strip(" \t\"'") for part in text[place.key_start : place.key_end].split("."))


def _into_inline(text: str, places: dict[Loc, Place], table: Loc, pair: str) -> Edit:
    inside = [place.value_end for loc, place in places.items() if loc[:-1] == table or _under(loc, table)]
    if inside:
        at = max(inside)
        return at, at, f", {pair}"
    place = places[table]
    return place.value_start, place.value_end, f"{{ {pair} }}"


def _end_of_keys(text: str, places: dict[Loc, Place], around: Loc, headed: Loc) -> int:
    """Where the last key of ``around`` ends under the header ``headed``; without one, before all headers."""
    begin = places[headed].key_end if headed else 0
    headers = [place.key_start for place in places.values() if _header_of(text, place) is not None]
    end = min((start for start in headers if start > begin), default=len(text))
    ends = [
        place.value_end
        for loc, place in places.items()
        if begin < place.value_end and place.key_start < end and _under(loc, around)
        and _header_of(text, place) is None
    ]  # fmt: skip
    return max(ends, default=begin)


def _under(loc: Loc, table: Loc) -> bool:
    return len(loc) > len(table) and loc[: len(table)] == table


def _line_at(text: str, at: int, line: str) -> Edit:
    """Insert a line after the one that contains ``at``."""
    end = text.find("\n", at)
    if end < 0:
        return _at_the_end(text, [line], gap=False)
    return end + 1, end + 1, line + _newline(text)


def _at_the_end(text: str, lines: list[str], *, gap: bool = True) -> Edit:
    newline = _newline(text)
    before = "" if text.endswith("\n") or not text else newline
    between = newline if gap and text.strip() else ""
    return len(text), len(text), before + between + newline.join(lines) + newline


def _newline(text: str) -> str:
    return "\r\n" if "\r\n" in text else "\n"


def _joined(loc: Loc) -> str:
    return ".".join(str(part) for part in loc)
