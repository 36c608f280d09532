"""TOML text into checked models, and text files read and written whole.

Every complaint names file, line, key, value, rule and remedy. Read a file from top to bottom:
`read_model` (text to model), `key_places` (where each key stands), `load_text` and `write_atomically`.
"""

from __future__ import annotations

import json
import os
import re
import secrets
import stat
import time
import tomllib
from bisect import bisect_right
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, NoReturn, TypeVar, get_args, get_origin

from pydantic import BaseModel, ValidationError

from voicer.errors import FileError, did_you_mean

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from pydantic.fields import FieldInfo
    from pydantic_core import ErrorDetails

M = TypeVar("M", bound=BaseModel)
Loc = tuple[str | int, ...]

LARGEST_BYTES = 1_000_000
"""A text file above this is refused: no voicing or controller map comes near it."""

DEEPEST = 20
"""Tables and lists nested deeper than this are refused before anything walks them."""

STALE_AFTER_S = 60.0
"""A temporary file older than this was left by a killed save, whoever wrote it."""

_LONGEST_MESSAGE = 400
_TEMPORARY = re.compile(r"\.saving-(\d+)-[0-9a-f]+\.tmp")
_GIVEN_TWICE = ("Cannot overwrite", "Cannot declare", "Cannot redefine", "Cannot mutate")
_TABLE_WANTED = {"model_type", "model_attributes_type", "dict_type"}


# --- text to model ------------------------------------------------------------------------------------


def read_model(
    text: str,
    model: type[M],
    *,
    where: str,
    explain: Callable[[ValidationError], tuple[str, str, str]] | None = None,
) -> M:
    """Read TOML text as a model; types are strict (``"2"`` is no number, ``1`` no switch).

    Parameters
    ----------
    text : str
        The whole file.
    model : type[M]
        A pydantic model; a list in the text may fill a list or tuple field.
    where : str
        The file as the user knows it; the message puts ``:line`` behind it.
    explain : callable, optional
        Words for a wrong value: ``(dotted key, what is wrong, remedy)``; by default `explain_value`.
        Unknown keys, missing keys and values where a table belongs are worded here for every model.

    Raises
    ------
    FileError
        For TOML that is not well formed, and for the first thing in it that breaks the model.
    """
    data = read_plain(text, where=where)
    places = key_places(text)
    _check_values(data, (), places, where)
    try:
        return model.model_validate_json(json.dumps(data), strict=True)
    except ValidationError as error:
        raise _complaint(error, model, places, where, explain) from error


def read_plain(text: str, *, where: str) -> dict[str, Any]:
    """TOML text as plain dicts, lists and values; `FileError` with the line where it is not well formed."""
    if _has_endless_key(text):
        raise _too_deep(where)
    try:
        text.encode()
        data = tomllib.loads(text)
    except UnicodeEncodeError as error:
        what = "the text must be UTF-8 (it is not)"
        raise FileError(what, where=where, remedy="save it as UTF-8") from error
    except tomllib.TOMLDecodeError as error:
        raise _syntax_complaint(text, str(error), where) from error
    except RecursionError as error:
        raise _too_deep(where) from error
    except ValueError as error:
        what = f"numbers and dates must be within their range ({error})"
        raise FileError(_one_line(what), where=where, remedy="correct them") from error
    if _depth_exceeds(data, DEEPEST):
        raise _too_deep(where)
    return data


def wrong_value(
    where: str, places: dict[Loc, Place], loc: Loc, what: str, remedy: str = ""
) -> FileError:
    """A `FileError` at the line of ``loc``, or of the nearest table around it, cut to a bearable length."""
    return FileError(_one_line(what), where=f"{where}:{line_of(places, loc)}", remedy=_one_line(remedy))


def _complaint(
    error: ValidationError,
    model: type[BaseModel],
    places: dict[Loc, Place],
    where: str,
    explain: Callable[[ValidationError], tuple[str, str, str]] | None,
) -> FileError:
    first = _foremost(error.errors())
    loc, key = first["loc"], dotted(first["loc"])
    if first["type"] == "missing":
        what, remedy = f"{key} must be present (it is missing)", f"add a line '{loc[-1]} = …'"
    elif first["type"] == "extra_forbidden":
        what, remedy = f"unknown key '{key}'", did_you_mean(str(loc[-1]), _names_beside(model, loc))
    elif first["type"] in _TABLE_WANTED:
        what, remedy = f"{key} must be a table (got {_shown(first['input'])})", f"write it as [{key}]"
    else:
        key, what, remedy = explain(error) if explain else explain_value(error, model)
        loc = _loc_named(what, places) or loc
    return wrong_value(where, places, loc, what, remedy)


def _foremost(errors: list[ErrorDetails]) -> ErrorDetails:
    """The complaint to print: the first, but a misspelt key goes before the key that it leaves missing."""
    first = errors[0]
    if first["type"] != "missing":
        return first
    strange = {
        str(error["loc"][-1]): error
        for error in errors
        if error["type"] == "extra_forbidden" and error["loc"][:-1] == first["loc"][:-1]
    }
    near = did_you_mean(str(first["loc"][-1]), strange)
    return next((error for name, error in strange.items() if near == f"did you mean '{name}'?"), first)


def _loc_named(what: str, places: dict[Loc, Place]) -> Loc:
    """The key a cross-check's message starts with, if it is a key or would stand in a table of this text."""
    parts: Loc = tuple(what.split(" ", 1)[0].split("."))
    return parts if parts in places or (len(parts) > 1 and parts[:-1] in places) else ()


def explain_value(error: ValidationError, model: type[BaseModel]) -> tuple[str, str, str]:
    """Word pydantic's first complaint by the model's own limits and units: (dotted key, what, remedy).

    A message raised by a validator is taken as it is; a ``"; "`` in it parts what is wrong from the remedy.
    """
    first = error.errors()[0]
    key = dotted(first["loc"])
    if first["type"] == "value_error":
        what, _, remedy = str(first["ctx"]["error"]).partition("; ")
        return key, what, remedy
    rule = "a text" if first["type"] == "string_type" else _rule(_field_at(model, first["loc"]))
    got, remedy = first["input"], ""
    if first["type"] == "literal_error" and isinstance(got, str):
        remedy = did_you_mean(got, re.findall(r"'([^']*)'", first["ctx"]["expected"]))
        remedy = remedy if remedy.startswith("did") else ""
    must = f"be {rule}" if rule else re.sub(r"^\S+ should ", "", first["msg"])
    return key, f"{key} must {must} (got {_shown(got)})", remedy


def _rule(field: FieldInfo | None) -> str:
    """What the field allows, in the words of `voicing.Parameter.rule`; empty when it has no plain rule."""
    if field is None:
        return ""
    if field.annotation is bool:
        return "true or false"
    if get_origin(field.annotation) is Literal:
        return "one of " + ", ".join(str(choice) for choice in get_args(field.annotation))
    limits = {type(rule).__name__: rule for rule in field.metadata}
    if "Ge" not in limits or "Le" not in limits:
        return ""
    extra = field.json_schema_extra
    unit = str(extra.get("unit", "")) if isinstance(extra, dict) else ""
    span = f"{limits['Ge'].ge:g}..{limits['Le'].le:g}" + (f" {unit}" if unit else "")
    return f"a whole number in {span}" if field.annotation is int else f"in {span}"


def _field_at(model: type[BaseModel], loc: Loc) -> FieldInfo | None:
    """The field a pydantic location points at; list indices and union tags in it are passed over."""
    field, models = None, [model]
    for part in loc:
        for candidate in models:
            if part in candidate.model_fields:
                field = candidate.model_fields[str(part)]
                models = list(_models_in(field.annotation)) or models
                break
    return field


def _names_beside(model: type[BaseModel], loc: Loc) -> list[str]:
    around = _field_at(model, loc[:-1])
    models = [model] if around is None else list(_models_in(around.annotation))
    return [name for candidate in models for name in candidate.model_fields]


def _models_in(annotation: Any) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for argument in get_args(annotation):
        yield from _models_in(argument)


def _check_values(value: Any, loc: Loc, places: dict[Loc, Place], where: str) -> None:
    """Refuse what TOML can say and no model of ours takes: dates, and whole numbers beyond 64 bits."""
    if isinstance(value, dict):
        for key, inner in value.items():
            _check_values(inner, (*loc, key), places, where)
    elif isinstance(value, list):
        for index, inner in enumerate(value):
            _check_values(inner, (*loc, index), places, where)
    elif isinstance(value, int) and not -(2**63) <= value < 2**63:
        raise wrong_value(where, places, loc, f"{dotted(loc)} must fit 64 bits (it is longer)", "shorten it")
    elif not isinstance(value, str | int | float):
        what = f"{dotted(loc)} must be a number, text, true or false (got the date or time {value})"
        raise wrong_value(where, places, loc, what, "put a text in quotes")


def _depth_exceeds(value: Any, most: int) -> bool:
    inner = value.values() if isinstance(value, dict) else value if isinstance(value, list) else ()
    return most < 0 or any(_depth_exceeds(item, most - 1) for item in inner)


def _has_endless_key(text: str) -> bool:
    """Whether a dotted key is so long that tomllib, quadratic in it, would take minutes."""
    return any(word.count(".") > 5 * DEEPEST and ".." not in word for word in re.split(r"[\s=]+", text))


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
        return FileError(_one_line(f"{name} must be given once (it is given twice)"), where=place,
                         remedy="remove one of the two")
    what = _one_line(f"the line must be TOML such as key = value (got {line[:80]!r})")
    return FileError(what, where=place, remedy=_one_line(reason[:1].lower() + reason[1:] + column))


def dotted(loc: Loc) -> str:
    """A location as the user reads it: ``filters.anti_alias.cutoff_hz``, ``control[2].key``."""
    parts = [part for part in loc if part != "[key]"]
    text = "".join(f"[{part}]" if isinstance(part, int) else f".{part}" for part in parts)
    return text.removeprefix(".")


def _shown(value: Any) -> str:
    """The value as TOML would write it, short."""
    if isinstance(value, bool):
        return "true" if value else "false"
    text = repr(value)
    return text if len(text) <= 80 else text[:79] + "…"


def _one_line(text: str) -> str:
    safe = "".join(char if char.isprintable() else repr(char)[1:-1] for char in text)
    return safe if len(safe) <= _LONGEST_MESSAGE else safe[: _LONGEST_MESSAGE - 1] + "…"


# --- where each key stands ----------------------------------------------------------------------------


@dataclass(frozen=True)
class Place:
    """Where a key stands in the text: its line (from 1) and the spans of its name and its value."""

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


# --- files, whole -------------------------------------------------------------------------------------


def load_text(path: str | os.PathLike[str]) -> str:
    """Text of a UTF-8 file; `FileError` if it is absent, a folder, unreadable, too long or not text."""
    where = os.fspath(path)
    try:
        data = _bytes_of_a_file(where)
        return data.decode("utf-8-sig")
    except FileError:
        raise
    except FileNotFoundError as error:
        raise FileError("no such file", where=where, remedy="check the path") from error
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        what = f"the file must be UTF-8 text (got byte 0x{data[error.start]:02x})"
        raise FileError(what, where=f"{where}:{line}", remedy="save it as UTF-8") from error
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise FileError(f"the file must be readable ({reason})", where=_one_line(where),
                        remedy="check the path and its permissions") from error


def _bytes_of_a_file(where: str) -> bytes:
    mode = os.stat(where).st_mode
    if not stat.S_ISREG(mode):
        kind = "a folder" if stat.S_ISDIR(mode) else "a device or pipe"
        raise FileError(f"the path must be a file (it is {kind})", where=where, remedy="give a file")
    with open(where, "rb") as file:
        data = file.read(LARGEST_BYTES + 1)
    if len(data) > LARGEST_BYTES:
        raise FileError(f"the file must be at most {LARGEST_BYTES // 1000} kB (it is longer)", where=where,
                        remedy="give a text file of voicer")
    return data


def write_atomically(path: str | os.PathLike[str], text: str) -> None:
    """Write a file so that a kill or a power cut leaves the old text or the new one, whole.

    The text goes into a temporary file beside the target, onto the disk, and then takes the target's name.
    Temporaries left by killed saves are removed on the way. A symbolic link is followed and kept.

    Raises
    ------
    FileError
        When the folder is absent or not writable or the disk is full; the old file is untouched.
    """
    try:
        target = Path(os.path.realpath(path))
        data = text.encode()
        _remove_stale_temporaries(target.parent)
        temporary = target.parent / f".saving-{os.getpid()}-{secrets.token_hex(6)}.tmp"
        try:
            _write_to_disk(temporary, data, target)
            os.replace(temporary, target)
        except BaseException:
            with suppress(OSError):
                temporary.unlink(missing_ok=True)
            raise
        _flush_folder(target.parent)
    except (OSError, ValueError) as error:
        _not_written(path, error)


def _not_written(path: str | os.PathLike[str], error: Exception) -> NoReturn:
    reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
    raise FileError(
        f"the file must be writable ({reason}); nothing was changed",
        where=_one_line(os.fspath(path)),
        remedy="free some space or give another folder",
    ) from error


def _write_to_disk(temporary: Path, data: bytes, target: Path) -> None:
    handle = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o666)
    with open(handle, "wb") as file:
        if target.exists():
            os.chmod(temporary, stat.S_IMODE(target.stat().st_mode))
        file.write(data)
        file.flush()
        os.fsync(file.fileno())


def _flush_folder(folder: Path) -> None:
    """Put the new name on the disk; file systems and systems that cannot do it for a folder are let be."""
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _remove_stale_temporaries(folder: Path) -> None:
    for name in os.listdir(folder):
        found = _TEMPORARY.fullmatch(name)
        if found:
            with suppress(OSError):
                left = folder / name
                if _is_gone(int(found[1])) or time.time() - left.stat().st_mtime > STALE_AFTER_S:
                    left.unlink()


def _is_gone(process_id: int) -> bool:
    """Whether no process has that number; only asked where asking does no harm (on Windows it would kill)."""
    if os.name != "posix":
        return False
    try:
        os.kill(process_id, 0)
    except ProcessLookupError:
        return True
    except (OSError, OverflowError):
        return False
    return False
