"""Random text and broken presets: reading a voicing raises `FileError` of one line, or gives a voicing."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from voicer.errors import FileError
from voicer.files.resources import presets
from voicer.library import load, parse
from voicer.voicing import Voicing

if TYPE_CHECKING:
    from pathlib import Path

PRESETS = sorted(path.read_text("utf-8") for path in presets().iterdir() if path.name.endswith(".toml"))
BUDGET = settings(
    max_examples=150,
    derandomize=True,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
PIECES = (
    "", "=", "[", "]", "{", "}", "[[line]]", '"', "'", '"""', "'''", "\\", "#", ",", ".", "\n", "\r", "\0",
    "nan", "-inf", "1e999", "0x" + "f" * 5000, "9" * 5000, "9" * 30, "1979-05-27", "1979-05-27 07:32:00", "07:32:00",
    "[" * 3000, "{a=" * 3000, ".a" * 3000, "true", "{}", "[]", "schema = 1\n", "[line]\n", "\ud800", "\u2028", "\x1b[2J",
)  # fmt: skip


def _holds(text: str) -> None:
    try:
        result = parse(text, "some.toml")
    except FileError as error:
        assert str(error).startswith("some.toml")
        assert len(str(error).splitlines()) == 1
        assert len(str(error)) < 1000
    else:
        assert isinstance(result, Voicing)


@BUDGET
@given(st.text(max_size=200))
def test_random_text_is_refused_in_one_line(text: str) -> None:
    """No text at all makes the reader raise anything but `FileError`."""
    _holds(text)


@BUDGET
@given(st.sampled_from(PRESETS), st.data())
def test_a_preset_with_pieces_put_in_or_cut_out_never_crashes(text: str, data: st.DataObject) -> None:
    """A few pieces of TOML in the wrong place are refused in one line, or leave a valid voicing."""
    for _ in range(data.draw(st.integers(1, 4))):
        start = data.draw(st.integers(0, len(text)))
        end = min(len(text), start + data.draw(st.integers(0, 12)))
        text = text[:start] + data.draw(st.sampled_from(PIECES)) + text[end:]
    _holds(text)


@BUDGET
@given(st.sampled_from(PRESETS), st.data())
def test_a_preset_with_a_value_replaced_never_crashes(text: str, data: st.DataObject) -> None:
    """Any piece of TOML in place of any value is refused in one line, or leaves a valid voicing."""
    lines = text.splitlines()
    index = data.draw(st.sampled_from([number for number, line in enumerate(lines) if " = " in line]))
    key = lines[index].split(" = ")[0]
    lines[index] = f"{key} = {data.draw(st.sampled_from(PIECES))}"
    _holds("\n".join(lines))


@BUDGET
@given(st.sampled_from(PRESETS), st.data())
def test_a_file_with_bytes_changed_never_crashes(tmp_path: Path, text: str, data: st.DataObject) -> None:
    """Bytes changed in a file, so that it may be no UTF-8 any more, are refused in one line too."""
    content = bytearray(text.encode())
    for _ in range(data.draw(st.integers(1, 6))):
        content[data.draw(st.integers(0, len(content) - 1))] = data.draw(st.integers(0, 255))
    file = tmp_path / "changed.toml"
    file.write_bytes(content)
    try:
        assert isinstance(load(file), Voicing)
    except FileError as error:
        assert str(error).startswith(f"{file}:")
        assert len(str(error).splitlines()) == 1


@pytest.mark.parametrize("text", [
    "a = " + "[" * 100_000, "x" + ".a" * 50_000 + " = 1", "x" + " . a" * 50_000 + " = 1", "x" + '."a b"' * 50_000 + " = 1",
    "x" + '."\\""' * 50_000 + " = 1", "[" + "a." * 50_000 + "b]", "a = { b" + ".c" * 50_000 + " = 1 }", "x" + ".'..'" * 50_000 + " = 1",
    "[a]\n" * 50_000, "a" * 900_000, '"' * 900_000, '\\"' * 400_000, "a." * 99 + "a = 1\n" * 4000, "n = " + "9" * 900_000,
])
def test_long_hostile_text_is_refused_in_one_line(text: str) -> None:
    """Nesting and repetition beyond reason end in one line too, in a second or two."""
    begun_s = time.process_time()
    _holds(text)
    assert time.process_time() - begun_s < 5
