"""Older forms of the voicing file, brought to the current one in memory.

A step edits the text itself, within its lines: comments, order and line numbers stay, so a complaint
about a migrated text still points into the user's file. The file is rewritten only by a save.

    schema 1   ``repeats.feedback_percent`` 0..150 %; ``modulation.depth_percent`` from peak to peak, 0..40 %
    schema 2   ``repeats.feedback`` 0..1.5;           ``modulation.depth_percent`` from the middle, 0..20 %
    schema 3   ``modulation.mode`` off, chorus, vibrato becomes ``modulation.range`` off, slow, fast
    schema 4   ``delay.division``, the note value that the time keeps to a tempo, is new
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

from voicer.errors import FileError, did_you_mean
from voicer.files.toml_edits import edited, literal
from voicer.files.toml_places import key_places
from voicer.files.toml_plain import dotted, read_plain, wrong_value

SCHEMA = 4
"""Number of the form that this version writes."""

if TYPE_CHECKING:
    from collections.abc import Callable

    from voicer.files.toml_edits import Edit
    from voicer.files.toml_places import Loc, Place

def migrated(text: str, where: str) -> str:
    """The text in the current form; `FileError` for one without a schema or with a newer one."""
    number = _schema_of(text, where)
    while number < SCHEMA:
        text = _STEPS[number](text, where)
        number += 1
    return text


def without_schema(text: str) -> str:
    """The text with its schema blanked out: what is left are a voicing's own keys, each where it stood."""
    place = key_places(text)[("schema",)]
    length = place.value_end - place.key_start
    return edited(text, [(place.key_start, place.value_end, " " * length)])


def _schema_of(text: str, where: str) -> int:
    data = read_plain(text, where=where)
    if "schema" not in data:
        what = "schema is missing"
        raise FileError(what, where=f"{where}:1", remedy=f"add a line 'schema = {SCHEMA}' at the top")
    number: Any = data["schema"]
    places = key_places(text)
    if type(number) is not int or number < 1:
        what = f"schema must be a whole number in 1..{SCHEMA} (got {number!r})"
        raise wrong_value(where, places, ("schema",), what, f"write schema = {SCHEMA}")
    if number > SCHEMA:
        what = f"schema must be at most {SCHEMA} (got {number})"
        raise wrong_value(where, places, ("schema",), what, "the file was written by a newer voicer: update this one")
    return number


def _one_to_two(text: str, where: str) -> str:
    data, places = read_plain(text, where=where), key_places(text)
    edits = [_value_edit(places[("schema",)], "2")]
    _refuse(("repeats", "feedback"), data, places, where, "feedback_percent", 1)
    feedback: Loc = ("repeats", "feedback_percent")
    percent = _number(feedback, 150, data, places, where)
    if percent is not None:
        edits += [_name_edit(text, places[feedback], "feedback_percent", "feedback"),
                  _value_edit(places[feedback], literal(percent / 100))]
    depth: Loc = ("modulation", "depth_percent")
    percent = _number(depth, 40, data, places, where)
    if percent is not None:
        edits.append(_value_edit(places[depth], literal(percent / 2)))
    return edited(text, edits)


_RANGES = {"off": "off", "chorus": "slow", "vibrato": "fast"}
_OLD_COMMENT = re.compile(r"[ \t]*# off, chorus, vibrato")


def _two_to_three(text: str, where: str) -> str:
    data, places = read_plain(text, where=where), key_places(text)
    edits = [_value_edit(places[("schema",)], "3")]
    _refuse(("modulation", "range"), data, places, where, "mode", 2)
    loc: Loc = ("modulation", "mode")
    old = _value_at(data, loc)
    if old is not None:
        if not isinstance(old, str) or old not in _RANGES:
            what = f"{dotted(loc)} must be one of {', '.join(_RANGES)} (got {old!r})"
            raise wrong_value(where, places, loc, what, did_you_mean(str(old), list(_RANGES)))
        place = places[loc]
        edits += [_name_edit(text, place, "mode", "range"), _value_edit(place, literal(_RANGES[old]))]
        if comment := _OLD_COMMENT.match(text, place.value_end):  # the one voicer itself wrote there
            edits.append((comment.end() - len("off, chorus, vibrato"), comment.end(), "off, slow, fast"))
    return edited(text, edits)


def _three_to_four(text: str, where: str) -> str:
    data, places = read_plain(text, where=where), key_places(text)
    loc: Loc = ("delay", "division")
    if _value_at(data, loc) is not None:
        raise wrong_value(where, places, loc, f"unknown key '{dotted(loc)}' in schema 3", "write schema = 4")
    return edited(text, [_value_edit(places[("schema",)], "4")])


_STEPS: dict[int, Callable[[str, str], str]] = {1: _one_to_two, 2: _two_to_three, 3: _three_to_four}


def _number(
    loc: Loc, most: float, data: dict[str, Any], places: dict[Loc, Place], where: str
) -> float | None:
    """The value of a key of the older form, None if it is not there, `FileError` if it is out of 0..most."""
    value = _value_at(data, loc)
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value <= most:
        raise wrong_value(where, places, loc, f"{dotted(loc)} must be in 0..{most:g} % (got {value!r})")
    return value


def _refuse(loc: Loc, data: dict[str, Any], places: dict[Loc, Place], where: str, older: str, schema: int) -> None:
    if _value_at(data, loc) is not None:
        what = f"unknown key '{dotted(loc)}' in schema {schema}"
        raise wrong_value(where, places, loc, what, did_you_mean(str(loc[-1]), [older]))


def _value_at(data: Any, loc: Loc) -> Any:
    for part in loc:
        data = data.get(part) if isinstance(data, dict) else None
    return data


def _value_edit(place: Place, new: str) -> Edit:
    return place.value_start, place.value_end, new


def _name_edit(text: str, place: Place, old: str, new: str) -> Edit:
    start = text.rindex(old, place.key_start, place.key_end)
    return start, start + len(old), new
