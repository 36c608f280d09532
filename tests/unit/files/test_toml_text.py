"""TOML text to models, the place of each key, and files read and written whole."""

from __future__ import annotations

import os
import time
import tomllib
from typing import TYPE_CHECKING, Annotated, Literal

import pytest
from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from voicer.errors import FileError
from voicer.files.text_file import LARGEST_BYTES, load_text, write_atomically
from voicer.files.toml_places import key_places, line_of
from voicer.files.toml_plain import dotted
from voicer.files.toml_text import explain_value, read_model

if TYPE_CHECKING:
    from pathlib import Path

EVERY_FORM = """\
# a comment with [brackets] = and "quotes"
title = "a # b"        # line 2
"quoted key" = 'c:\\'
wide.apart . deep = 1
text = \"\"\"
[no.table] = 1
still \\\"\"\" text\"\"\"\"\"
raw = '''
x = 1'''

[one]
list = [
  1,        # line 13
  { a = 1, b = [2,
    3] },
]
day = 1979-05-27 07:32:00
[one.two]
inline = { shape = "x, }", nested = { cutoff_hz = 5 } }
[[control]]
cc = 1
[control.range]
low = 0
[[control]]
cc = 2
[control.range]
low = 1
[[control.step]]
at = 1
[[control.step]]
at = 2
"""

EXPECTED_LINES = [
    (("title",), 2),
    (("quoted key",), 3),
    (("wide",), 4),
    (("wide", "apart", "deep"), 4),
    (("text",), 5),
    (("raw",), 8),
    (("one",), 11),
    (("one", "list"), 12),
    (("one", "list", 0), 13),
    (("one", "list", 1), 14),
    (("one", "list", 1, "b"), 14),
    (("one", "list", 1, "b", 1), 15),
    (("one", "day"), 17),
    (("one", "two"), 18),
    (("one", "two", "inline", "shape"), 19),
    (("one", "two", "inline", "nested", "cutoff_hz"), 19),
    (("control",), 20),
    (("control", 0), 20),
    (("control", 0, "cc"), 21),
    (("control", 0, "range", "low"), 23),
    (("control", 1), 24),
    (("control", 1, "cc"), 25),
    (("control", 1, "range", "low"), 27),
    (("control", 1, "step", 0, "at"), 29),
    (("control", 1, "step", 1, "at"), 31),
]


@pytest.mark.parametrize("newline", ["\n", "\r\n"])
@pytest.mark.parametrize(("loc", "line"), EXPECTED_LINES)
def test_every_form_of_key_is_found_in_its_line(loc: tuple[str | int, ...], line: int, newline: str) -> None:
    """A key's line is that of its own name, in every form TOML has for it and with either line end."""
    assert key_places(EVERY_FORM.replace("\n", newline))[loc].line == line


def test_the_places_are_those_of_the_values_tomllib_reads() -> None:
    """Each path tomllib finds has a place, each scalar's span reads back as that value, and no other is there."""
    data = tomllib.loads(EVERY_FORM)
    places = key_places(EVERY_FORM)
    expected = dict(_paths(data, ()))
    assert set(places) == set(expected)
    for loc, value in expected.items():
        place = places[loc]
        if not isinstance(value, dict | list):
            assert tomllib.loads("v = " + EVERY_FORM[place.value_start : place.value_end])["v"] == value


def _paths(value: object, loc: tuple[str | int, ...]) -> list[tuple[tuple[str | int, ...], object]]:
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    found: list[tuple[tuple[str | int, ...], object]] = [(loc, value)] if loc else []
    return found + [pair for key, item in inner for pair in _paths(item, (*loc, key))]


@pytest.mark.parametrize(
    ("loc", "line"),
    [
        (("one", "absent"), 11),
        (("absent",), 1),
        (("control", 1, "tag-of-a-union", "cc"), 25),
        (("control", 0, "range", "absent"), 22),
    ],
)
def test_what_is_not_in_the_text_has_the_line_of_the_table_around_it(
    loc: tuple[str | int, ...], line: int
) -> None:
    """A missing key gets its table's line, the root's is 1, and parts only pydantic knows are passed over."""
    assert line_of(key_places(EVERY_FORM), loc) == line


class _Range(BaseModel):
    model_config = ConfigDict(extra="forbid")
    low: Annotated[float, Field(ge=0, le=1, json_schema_extra={"unit": "V"})] = 0
    high: Annotated[float, Field(gt=0)] = 1

    @model_validator(mode="after")
    def _low_below_high(self) -> _Range:
        if self.low >= self.high:
            raise ValueError(f"low must be below high (got {self.low:g}); lower it")
        return self


class _Control(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)
    kind: Literal["knob", "pad"]
    cc: Annotated[int, Field(ge=0, le=127)]
    label: str = ""
    on: bool = True
    range: _Range = _Range()


class _Map(BaseModel):
    model_config = ConfigDict(extra="forbid")
    control: tuple[_Control, ...] = ()
    names: dict[str, int] = {}


TWO_CONTROLS = '[[control]]\nkind = "knob"\ncc = 1\n[[control]]\nkind = "pad"\n'

WRONG = [
    (TWO_CONTROLS, "m.toml:4: control[1].cc is missing; add a line 'cc = …'"),
    (
        TWO_CONTROLS + "cc = 200",
        "m.toml:6: control[1].cc must be a whole number in 0..127 (got 200)",
    ),
    (
        TWO_CONTROLS + "cc = true",
        "m.toml:6: control[1].cc must be a whole number in 0..127 (got true)",
    ),
    (TWO_CONTROLS + "cc = 2.0", "m.toml:6: control[1].cc must be a whole number in 0..127 (got 2.0)"),
    (
        TWO_CONTROLS + 'number = 2\nlable = ""',
        "m.toml:4: control[1].cc is missing; add a line 'cc = …'",
    ),
    (
        TWO_CONTROLS + 'cc = 2\nlable = ""',
        "m.toml:7: unknown key 'control[1].lable'; did you mean 'label'?",
    ),
    (TWO_CONTROLS.replace("pad", "pat") + "cc = 2",
     "m.toml:5: control[1].kind must be one of knob, pad (got 'pat'); did you mean 'pad'?"),
    (TWO_CONTROLS.replace("kind", "kimd") + "cc = 2",
     "m.toml:2: unknown key 'control[0].kimd'; did you mean 'kind'?"),
    (TWO_CONTROLS + "cc = 2\non = 1", "m.toml:7: control[1].on must be true or false (got 1)"),
    (
        TWO_CONTROLS + "cc = 2\nrange = { low = 3 }",
        "m.toml:7: control[1].range.low must be in 0..1 V (got 3)",
    ),
    (
        TWO_CONTROLS + "cc = 2\n\n[control.range]\nhigh = -1",
        "m.toml:9: control[1].range.high must be greater than 0 (got -1)",
    ),
    (
        TWO_CONTROLS + "cc = 2\n\n[control.range]\nhigh = 0.5\nlow = 0.5",
        "m.toml:8: low must be below high (got 0.5); lower it",
    ),
    (TWO_CONTROLS + "cc = 2\nrange = 3", "m.toml:7: control[1].range must be a table (got 3); "
     "write it as [control[1].range]"),
    ("[names]\na = 1\nb = 'x'", "m.toml:3: names.b must be a valid integer (got 'x')"),
    ("[names]\na = 1979-05-27", "m.toml:2: names.a must be a number, text, true or false "
     "(got the date or time 1979-05-27); put text in quotes"),
    ("[names]\na = 99999999999999999999", "m.toml:2: names.a must fit in 64 bits (it is longer); shorten it"),
    ("control = 3", "m.toml:1: control must be a valid array (got 3)"),
    ('"a\\nb" = 3', "m.toml:1: unknown key 'a\\nb'; use one of control, names"),
    ("names = " + "[" * 30 + "]" * 30, "m.toml: tables and lists must be nested at most 20 deep "
     "(they go deeper); flatten them"),
    ("x\ny = 1", "m.toml:1: the line must be TOML such as key = value (got 'x'); "
     "expected '=' after a key in a key/value pair at column 2"),
    ("[names]\na = 1\na = 2", "m.toml:3: a is given twice; remove one of the two"),
    ("[names]\na = 1\n[names]", "m.toml:3: names is given twice; remove one of the two"),
    ("names = { a = 1, a = 2 }", "m.toml:1: a is given twice; remove one of the two"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "message"), WRONG)
def test_a_wrong_text_is_refused_with_line_key_value_and_rule(text: str, message: str) -> None:
    """The message names file, line, key, rule, value and remedy; these are the words."""
    with pytest.raises(FileError) as caught:
        read_model(text, _Map, where="m.toml")
    assert str(caught.value) == message


def test_a_right_text_fills_the_model() -> None:
    """Lists of tables fill tuples of models and whole numbers fill floats."""
    read = read_model(TWO_CONTROLS + "cc = 2\nrange.high = 3", _Map, where="m.toml")
    expected = _Map(
        control=(_Control(kind="knob", cc=1), _Control(kind="pad", cc=2, range=_Range(high=3.0)))
    )
    assert read == expected


def test_a_caller_may_word_the_wrong_values_itself() -> None:
    """The words are the caller's, the line is still that of the key in pydantic's location."""

    def explain(error: ValidationError) -> tuple[str, str, str]:
        key, _, _ = explain_value(error, _Map)
        return key, f"{key} is odd", "ask"

    with pytest.raises(FileError) as caught:
        read_model(TWO_CONTROLS + "cc = 200", _Map, where="m.toml", explain=explain)
    assert str(caught.value) == "m.toml:6: control[1].cc is odd; ask"


def test_a_location_reads_as_in_the_file() -> None:
    """Tables are joined by dots, list items counted in brackets."""
    assert dotted(("control", 2, "range", "low")) == "control[2].range.low"


def test_an_endless_dotted_key_is_refused_at_once() -> None:
    """A key of 50 000 parts, minutes of work for the TOML reader, is refused before it starts."""
    start = time.process_time()
    with pytest.raises(FileError, match="nested at most 20 deep"):
        read_model("x" + ".a" * 50_000 + " = 1", _Map, where="m.toml")
    assert time.process_time() - start < 2.0


# --- files --------------------------------------------------------------------------------------------


def test_text_is_read_without_its_byte_order_mark_and_with_its_line_ends(tmp_path: Path) -> None:
    """What an editor puts before the text goes, what it puts at the lines' ends stays."""
    file = tmp_path / "a.toml"
    file.write_bytes(b"\xef\xbb\xbfa = 1\r\n# \xc3\xa9\r\n")
    assert load_text(file) == "a = 1\r\n# é\r\n"


def _no_file(folder: Path) -> Path:
    return folder / "absent.toml"


def _folder(folder: Path) -> Path:
    return folder


def _latin(folder: Path) -> Path:
    (folder / "latin.toml").write_bytes(b"a = 1\nb = '\xe9'\n")
    return folder / "latin.toml"


def _long(folder: Path) -> Path:
    (folder / "long.toml").write_bytes(b"#" * (LARGEST_BYTES + 1))
    return folder / "long.toml"


def _pipe(folder: Path) -> Path:
    os.mkfifo(folder / "pipe.toml")
    return folder / "pipe.toml"


def _under_a_file(folder: Path) -> Path:
    (folder / "file").write_text("")
    return folder / "file" / "a.toml"


def _too_long_a_name(folder: Path) -> Path:
    return folder / ("a" * 300)


@pytest.mark.parametrize(
    ("make", "line"),
    [
        (_no_file, "{}: no such file; check the path"),
        (_folder, "{}: the input must be a regular file (got a folder); name a file"),
        (_latin, "{}:2: the file must be UTF-8 text (got byte 0xe9); save it as UTF-8"),
        (_long, "{}: the file must be at most 1000 kB (it is larger); name a text file made for voicer"),
        (_pipe, "{}: the input must be a regular file (got a pipe); name a file"),
        (_under_a_file, "{}: the file cannot be read (Not a directory); check the path and its permissions"),
        (_too_long_a_name, "{}: the file cannot be read (File name too long); check the path and its permissions"),
    ],
)  # fmt: skip
def test_a_file_that_cannot_be_read_is_named_in_one_line(tmp_path: Path, make: object, line: str) -> None:
    """Each thing that can be wrong with a path has its own words."""
    assert callable(make)
    path = make(tmp_path)
    with pytest.raises(FileError) as caught:
        load_text(path)
    assert str(caught.value) == line.format(path)


def test_a_path_with_a_null_byte_is_refused_in_one_line() -> None:
    """A path no system can have is no crash either."""
    with pytest.raises(FileError, match="embedded null byte"):
        load_text("a\0b")


def test_a_write_keeps_permissions_and_links(tmp_path: Path) -> None:
    """The file keeps its mode, and a symbolic link to it stays a link."""
    file, link = tmp_path / "real.toml", tmp_path / "link.toml"
    file.write_text("old")
    file.chmod(0o640)
    link.symlink_to(file)
    write_atomically(link, "new é\r\n")
    assert (file.read_bytes(), file.stat().st_mode & 0o777) == ("new é\r\n".encode(), 0o640)
    assert link.is_symlink()
    assert sorted(path.name for path in tmp_path.iterdir()) == ["link.toml", "real.toml"]


@pytest.mark.parametrize(
    ("target", "reason"),
    [("absent/a.toml", "absent' does not exist"), ("folder", "got a folder"), ("x\0", "null byte")],
)
def test_a_write_that_cannot_be_leaves_nothing_behind(tmp_path: Path, target: str, reason: str) -> None:
    """One line says why; no temporary file stays."""
    (tmp_path / "folder").mkdir()
    with pytest.raises(FileError, match=reason):
        write_atomically(tmp_path / target, "text")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["folder"]


def test_temporaries_of_killed_saves_are_removed_and_those_of_running_ones_are_not(tmp_path: Path) -> None:
    """A temporary goes if its process is gone or it is older than a minute; a fresh one of a live process stays."""
    gone = tmp_path / ".saving-4194305-0a.tmp"
    old = tmp_path / f".saving-{os.getpid()}-0b.tmp"
    live = tmp_path / f".saving-{os.getpid()}-0c.tmp"
    other = tmp_path / ".saving-notes.tmp"
    for file in (gone, old, live, other):
        file.write_text("half")
    os.utime(old, (time.time() - 120,) * 2)
    write_atomically(tmp_path / "a.toml", "whole")
    expected = sorted([live.name, other.name, "a.toml"])
    assert sorted(path.name for path in tmp_path.iterdir()) == expected
