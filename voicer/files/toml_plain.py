"""TOML text to plain dicts, lists and values, bounded: hostile text costs neither minutes nor a crash.

`toml_places` knows the lines, `toml_text` checks models, `text_file` reads and writes the files.
"""

from __future__ import annotations

import re
import tomllib
from typing import TYPE_CHECKING, Any

from voicer.errors import FileError, one_line
from voicer.files.toml_places import key_places, line_of

if TYPE_CHECKING:
    from voicer.files.toml_places import Loc, Place

DEEPEST = 20
"""Tables and lists nested deeper than this are refused before anything walks them."""

_GIVEN_TWICE = ("Cannot overwrite", "Cannot declare", "Cannot redefine", "Cannot mutate")


def read_plain(text: str, *, where: str) -> dict[str, Any]:
    """TOML text as plain dicts, lists and values; `FileError` with the line where it is not well formed."""
    if _ENDLESS_KEY.search(text):
        raise _too_deep(where)
    try:
        text.encode()
        data = tomllib.loads(text)
    except UnicodeEncodeError as error:
        what = "the text is not valid UTF-8"
        raise FileError(what, where=where, remedy="save it as UTF-8") from error
    except tomllib.TOMLDecodeError as error:
        raise _syntax_complaint(text, str(error), where) from error
    except RecursionError as error:
        raise _too_deep(where) from error
    except ValueError as error:
        what = f"numbers and dates must be within their range ({error})"
        raise FileError(one_line(what), where=where, remedy="correct them") from error
    if _depth_exceeds(data, DEEPEST):
        raise _too_deep(where)
    _check_values(data, (), text, where)
    return data


def wrong_value(
    where: str, places: dict[Loc, Place], loc: Loc, what: str, remedy: str = ""
) -> FileError:
    """A `FileError` at the line of ``loc``, or of the nearest table around it, cut to a readable length."""
    return FileError(one_line(what), where=f"{where}:{line_of(places, loc)}", remedy=one_line(remedy))


def dotted(loc: Loc) -> str:
    """A location as the user reads it: ``filters.anti_alias.cutoff_hz``, ``control[2].key``."""
    parts = [part for part in loc if part != "[key]"]
    text = "".join(f"[{part}]" if isinstance(part, int) else f".{part}" for part in parts)
    return text.removeprefix(".")


def shown(value: Any) -> str:
    """The value as TOML would write it, short."""
    if isinstance(value, bool):
        return "true" if value else "false"
    text = repr(value)
    return text if len(text) <= 80 else text[:79] + "…"


def _depth_exceeds(value: Any, most: int) -> bool:
    inner = value.values() if isinstance(value, dict) else value if isinstance(value, list) else ()
    return most < 0 or any(_depth_exceeds(item, most - 1) for item in inner)


_KEY_PART = r"""(?:[A-Za-z0-9_-]++|"(?:[^"\\\n]|\\.)*+"|'[^'\n]*+')"""
_ENDLESS_KEY = re.compile(rf"""(?<![A-Za-z0-9_"'\\-])(?:{_KEY_PART}[ \t]*+\.[ \t]*+){{{5 * DEEPEST}}}""")
"""A dotted key of over a hundred parts, bare or quoted, with or without blanks: tomllib is quadratic in its length."""


def _too_deep(where: str) -> FileError:
    what = f"tables and lists must be nested at most {DEEPEST} deep (they go deeper)"
    return FileError(what, where=where, remedy="flatten them")


def _syntax_complaint(text: str, message: str, where: str) -> FileError:
    """Word tomllib's ``Invalid value (at line 2, column 5)`` with the line it means."""
    lines = text.replace("\r\n", "\n").split("\n")
    found = re.search(r"\s*\(at (?:line (\d+), column (\d+)|end of document)\)$", message)
    reason = message[: found.start()] if found else message
    column = f" at column {found[2]}" if found and found[2] else ""
    number = int(found[1]) if found and found[1] else len(text.rstrip().split("\n"))
    line = lines[number - 1].strip()
    place = f"{where}:{number}"
    inline = re.match(r"Duplicate inline table key '(.*)'", reason)
    if inline or reason.startswith(_GIVEN_TWICE):
        header = re.match(r"\[+\s*([^\]]*?)\s*\]", line)
        name = inline[1] if inline else header[1] if header else line.split("=")[0].strip()
        return FileError(one_line(f"{name} is given twice"), where=place,
                         remedy="remove one of the two")
    what = one_line(f"the line must be TOML such as key = value (got {line[:80]!r})")
    return FileError(what, where=place, remedy=one_line(reason[:1].lower() + reason[1:] + column))


def _check_values(value: Any, loc: Loc, text: str, where: str) -> None:
    """Refuse what TOML can say and no file of ours holds: dates, and whole numbers beyond 64 bits."""
    if isinstance(value, dict):
        for key, inner in value.items():
            _check_values(inner, (*loc, key), text, where)
    elif isinstance(value, list):
        for index, inner in enumerate(value):
            _check_values(inner, (*loc, index), text, where)
    elif isinstance(value, int) and not -(2**63) <= value < 2**63:
        what = f"{dotted(loc)} must fit in 64 bits (it is longer)"
        raise wrong_value(where, key_places(text), loc, what, "shorten it")
    elif not isinstance(value, str | int | float):
        what = f"{dotted(loc)} must be a number, text, true or false (got the date or time {value})"
        raise wrong_value(where, key_places(text), loc, what, "put text in quotes")
