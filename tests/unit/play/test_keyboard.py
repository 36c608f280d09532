"""Keys from a real terminal: a pseudo-terminal with this process at one end and the keyboard at the other."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from contextlib import suppress
from typing import TYPE_CHECKING

import pytest

termios = pytest.importorskip("termios", reason="no POSIX terminals on this system")
import pty  # noqa: E402

from voicer.play import keyboard  # noqa: E402
from voicer.play.keyboard import HANGUP, TerminalKeyboard, open_keyboard  # noqa: E402

if TYPE_CHECKING:
    from collections.abc import Iterator


@pytest.fixture
def ends() -> Iterator[tuple[int, int]]:
    """The player's end and the program's end of a terminal."""
    player, program = pty.openpty()
    yield player, program
    for fd in (player, program):
        with suppress(OSError):
            os.close(fd)


def typed(keys: TerminalKeyboard, player: int, data: bytes) -> list[str]:
    os.write(player, data)
    time.sleep(0.02)
    return keys.read()


@pytest.mark.parametrize(
    ("data", "names"),
    [
        (b"q", ["q"]),
        (b" bp", ["space", "b", "p"]),
        (b"\x1b[A\x1b[B\x1b[C\x1b[D", ["up", "down", "right", "left"]),
        (b"\x1bOA", ["up"]),
        (b"\x1b[1;5C", ["right"]),
        (b"\x1b[200~q\x1b[201~", ["q"]),
        ("ü".encode(), ["ü"]),
        (b"\xff\xfe", ["\ufffd", "\ufffd"]),
        (b"\x13\x1a", ["\x13", "\x1a"]),
    ],
)
def test_keys_have_names(ends: tuple[int, int], data: bytes, names: list[str]) -> None:
    """Characters as they are, cursor keys by name in both forms terminals send; nothing else gets through as a key."""
    keys = TerminalKeyboard(ends[1])
    assert typed(keys, ends[0], data) == names
    keys.close()


def test_a_cursor_key_may_come_in_pieces(ends: tuple[int, int]) -> None:
    """A slow line cuts a control sequence in two; a lone Escape is not waited for for ever."""
    keys = TerminalKeyboard(ends[1])
    assert typed(keys, ends[0], b"b\x1b[") == ["b"]
    assert typed(keys, ends[0], b"Ap") == ["up", "p"]
    assert typed(keys, ends[0], b"\x1b") == []
    assert keys.read() == []
    assert typed(keys, ends[0], b"q") == ["q"]
    keys.close()


def test_a_flood_is_read_in_portions(ends: tuple[int, int]) -> None:
    """A paste never holds up the loop: at most 256 bytes a look, and none are lost."""
    keys = TerminalKeyboard(ends[1])
    first = typed(keys, ends[0], 1000 * b"b")
    assert len(first) == 256
    assert sum(len(keys.read()) for _ in range(4)) == 1000 - 256
    keys.close()


def test_the_terminal_is_given_back_as_it_was(ends: tuple[int, int]) -> None:
    """Echo, line editing and the stop keys are off while playing and back afterwards, also after closing twice."""
    before = termios.tcgetattr(ends[1])
    keys = TerminalKeyboard(ends[1])
    taken = termios.tcgetattr(ends[1])
    assert not taken[3] & (termios.ECHO | termios.ICANON)
    assert taken[3] & termios.ISIG
    keys.close()
    keys.close()
    assert termios.tcgetattr(ends[1]) == before


def test_a_terminal_that_went_is_told(ends: tuple[int, int]) -> None:
    """The window was closed: one key name says so, and giving the terminal back raises nothing."""
    keys = TerminalKeyboard(ends[1])
    os.close(ends[0])
    assert keys.read() == [HANGUP]
    keys.close()


def test_no_terminal_no_keyboard() -> None:
    """With standard input from a pipe or closed there is no keyboard and no error."""
    look = "from voicer.play.keyboard import open_keyboard; print(open_keyboard())"
    for how in ({"input": "q"}, {"stdin": subprocess.DEVNULL}):
        told = subprocess.run([sys.executable, "-c", look], capture_output=True, text=True, check=True, **how)  # type: ignore[call-overload]
        assert told.stdout == "None\n"
    closed = f"import os; os.close(0); {look}"
    told = subprocess.run([sys.executable, "-c", closed], capture_output=True, text=True, check=True)
    assert told.stdout == "None\n"


def test_a_system_without_terminals(monkeypatch: pytest.MonkeyPatch, ends: tuple[int, int]) -> None:
    """With neither of the two modules for single keys, voicer plays without a keyboard."""
    monkeypatch.setattr(keyboard, "termios", None)
    monkeypatch.setattr(keyboard, "msvcrt", None)
    monkeypatch.setattr(sys, "stdin", os.fdopen(os.dup(ends[1])))
    assert open_keyboard() is None
    sys.stdin.close()
