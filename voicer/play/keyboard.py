"""Single keys from the terminal that voicer was started in. Thread of everything: control.

On POSIX systems the terminal is put into a mode in which keys arrive at once and are not echoed; it is put back by
`Keyboard.close`, which also runs when the interpreter ends. Ctrl-C stays a signal. Ctrl-Z and Ctrl-S do nothing while
playing: the one would take the controls away while the sound goes on, the other would freeze the view. Windows has
single keys too, but only those of the console, and Ctrl-S freezes the view there. Anywhere else there is no keyboard.
"""

from __future__ import annotations

import atexit
import os
import sys
from contextlib import suppress
from typing import Any, Protocol

try:
    import select
    import termios
except ImportError:  # not a POSIX system
    termios = None  # type: ignore[assignment]
try:
    import msvcrt
except ImportError:  # not Windows
    msvcrt = None  # type: ignore[assignment]

_MOST_BYTES = 256
"""Read at once; the rest waits for the next look."""

_NAMES = {" ": "space", "\r": "enter", "\n": "enter", "\t": "tab"}
_SEQUENCES = {"A": "up", "B": "down", "C": "right", "D": "left"}
"""Final letters of the cursor keys' control sequences (ECMA-48: CUU, CUD, CUF, CUB)."""

_SCAN_CODES = {"H": "up", "P": "down", "M": "right", "K": "left"}
"""Second character of the cursor keys in a Windows console."""

HANGUP = "hangup"
"""The key name that says the terminal has gone."""


class Keyboard(Protocol):
    """A source of keys."""

    def read(self) -> list[str]:
        """Keys pressed since the last call: a character, or ``space``, ``up``, ``down``, ``left``, ``right``.

        `HANGUP` when the terminal has gone. Never waits.
        """

    def resume(self) -> None:
        """Take the terminal again after the process was stopped and continued."""

    def close(self) -> None:
        """Give the terminal back as it was."""


def open_keyboard() -> Keyboard | None:
    """Open the keyboard of the terminal on standard input.

    Returns
    -------
    Keyboard or None
        None when standard input is no terminal, when another program has it (``voicer play &``), or on a system with
        neither ``termios`` nor ``msvcrt``.
    """
    try:
        fd = sys.stdin.fileno()
        if not os.isatty(fd):
            return None
    except (AttributeError, OSError, ValueError):  # standard input is closed or replaced
        return None
    if termios is not None:
        return TerminalKeyboard(fd) if _in_foreground(fd) else None
    return ConsoleKeyboard() if msvcrt is not None else None


class TerminalKeyboard:
    """Keys of a POSIX terminal.

    Parameters
    ----------
    fd : int
        File descriptor of the terminal.
    """

    def __init__(self, fd: int) -> None:
        self._fd = fd
        self._before: list[Any] | None = termios.tcgetattr(fd)
        self._text = ""
        atexit.register(self.close)
        self.resume()

    def resume(self) -> None:
        """Take the terminal: keys at once, no echo, no Ctrl-Z, no Ctrl-S."""
        if self._before is None or not _in_foreground(self._fd):
            return
        settings = [*self._before[:6], list(self._before[6])]
        settings[0] &= ~termios.IXON
        settings[3] &= ~(termios.ICANON | termios.ECHO)
        disabled = os.fpathconf(self._fd, "PC_VDISABLE")
        settings[6][termios.VSUSP] = bytes((disabled,))
        settings[6][termios.VMIN], settings[6][termios.VTIME] = 0, 0
        with suppress(termios.error):
            termios.tcsetattr(self._fd, termios.TCSANOW, settings)

    def read(self) -> list[str]:
        """See `Keyboard.read`."""
        if not _in_foreground(self._fd):
            return []  # reading would stop the process
        try:
            if not select.select((self._fd,), (), (), 0)[0]:
                return self._keys(complete=True)
            data = os.read(self._fd, _MOST_BYTES)
        except OSError:
            return [HANGUP]
        if not data:
            return [HANGUP]
        self._text += data.decode("utf-8", "replace")
        return self._keys(complete=False)

    def close(self) -> None:
        """See `Keyboard.close`."""
        before, self._before = self._before, None
        if before is not None and _in_foreground(self._fd):
            with suppress(termios.error):
                termios.tcsetattr(self._fd, termios.TCSANOW, before)
        atexit.unregister(self.close)

    def _keys(self, *, complete: bool) -> list[str]:
        """Keys of the text read so far; the beginning of a control sequence waits for its rest, unless complete."""
        keys, text = [], self._text
        while text:
            if text[0] != "\x1b":
                keys.append(_NAMES.get(text[0], text[0]))
                text = text[1:]
                continue
            end = _sequence_end(text)
            if end is None and not complete:
                break
            sequence, text = (text[:end], text[end:]) if end else (text, "")
            if sequence[1:2] in ("[", "O") and sequence[-1] in _SEQUENCES:
                keys.append(_SEQUENCES[sequence[-1]])
        self._text = text
        return keys


class ConsoleKeyboard:
    """Keys of a Windows console."""

    def read(self) -> list[str]:
        """See `Keyboard.read`."""
        keys: list[str] = []
        while msvcrt.kbhit() and len(keys) < _MOST_BYTES:  # type: ignore[attr-defined,unused-ignore]
            key = msvcrt.getwch()  # type: ignore[attr-defined,unused-ignore]
            if key in ("\x00", "\xe0"):
                key = _SCAN_CODES.get(msvcrt.getwch(), "")  # type: ignore[attr-defined,unused-ignore]
            keys += [_NAMES.get(key, key)] if key else []
        return keys

    def resume(self) -> None:
        """See `Keyboard.resume`; there is nothing to do."""

    def close(self) -> None:
        """See `Keyboard.close`; there is nothing to do."""


def _in_foreground(fd: int) -> bool:
    """Whether this process may use the terminal now: one that may not is stopped by the system when it tries."""
    try:
        return os.tcgetpgrp(fd) == os.getpgrp()
    except OSError:  # the terminal has gone, or is not the one that controls this process
        return True


def _sequence_end(text: str) -> int | None:
    """Length of the control sequence that a text starts with (ECMA-48, 5.4), None while its end has not come."""
    if len(text) < 2:
        return None
    if text[1] == "O":
        return 3 if len(text) > 2 else None
    if text[1] != "[":
        return 1
    return next((at + 1 for at in range(2, len(text)) if "@" <= text[at] <= "~"), None)
