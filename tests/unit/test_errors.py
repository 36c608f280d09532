"""Text that came from outside, made fit to print."""

from __future__ import annotations

import io
import json

import pytest
from rich.table import Table
from rich.text import Text

from voicer.drawing.terminal import console
from voicer.errors import LONGEST_LINE, FileError, VoicerError, json_text, one_line, printable

HOSTILE = "a\x1b[2J\x07\x9b31m\x7f\u202eb\u2066\u2028\u2029\x85\r\n\udc80\ufeff"
"""Escape sequences of 7 and 8 bits, bell, delete, bidi override and isolate, line ends of every kind, a lone surrogate."""

DANGEROUS = set("\x1b\x07\x9b\x7f\u202e\u2066\u2028\u2029\x85\r\udc80\ufeff")


def test_no_control_character_passes_the_gate() -> None:
    """Each one becomes its escape, and nothing else changes."""
    assert printable(HOSTILE) == (
        "a\\x1b[2J\\x07\\x9b31m\\x7f\\u202eb\\u2066\\u2028\\u2029\\x85\\r\\n\\udc80\\ufeff"
    )


@pytest.mark.parametrize("text", ["Œuvre à 12 dB", "日本語　の", "سلام", "👩‍🔧 é", "no\u00a0break", "[/red] :smile:"])
def test_letters_of_every_script_pass(text: str) -> None:
    """Accents, joiners, wide spaces and brackets stay."""
    assert printable(text) == text


def test_every_error_is_one_short_line() -> None:
    """Whatever a file name or a value holds."""
    told = str(FileError(HOSTILE, where=HOSTILE, remedy=HOSTILE))
    assert not DANGEROUS & set(told)
    assert "\n" not in told
    assert len(str(VoicerError("x" * 100_000))) == LONGEST_LINE
    assert len(one_line("é" * 100_000)) == 400


def test_json_reads_back_and_steers_no_terminal() -> None:
    """What JSON allows raw, such as C1 controls and bidi overrides, is escaped; the data stay the same."""
    data = {HOSTILE: [HOSTILE, 1.5, None], "é": "日本"}
    text = json_text(data)
    assert not DANGEROUS & set(text)
    assert json.loads(text) == data
    assert "日本" in text


def test_the_console_prints_text_as_it_is() -> None:
    """Neither markup nor emoji codes nor control characters do anything, in lines, tables and styled text."""
    screen = console()
    screen.file = io.StringIO()
    table = Table("[red]head", title="[/bold]" + HOSTILE)
    table.add_row("[/red] :smile: " + HOSTILE)
    table.add_row(Text(HOSTILE, style="bold"))
    screen.print("[/nothing] :smile:", HOSTILE, style="bold", soft_wrap=True)
    screen.print(table)
    printed = screen.file.getvalue()
    assert not DANGEROUS & set(printed)
    assert printed.count(":smile:") == 2
    assert all(f"[{tag}]" in printed for tag in ("/nothing", "/bold", "/red", "red"))
