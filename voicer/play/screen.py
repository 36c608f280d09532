"""Where the player looks: draws snapshots, or prints lines, in a thread of its own.

A terminal that stands still (a hung connection, a pager that is not read) holds up this thread and nothing else; one
that went away is told by ``gone``. Nothing is shared with the control thread but what is handed over whole.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from contextlib import suppress
from typing import TYPE_CHECKING

from rich.live import Live
from rich.text import Text

from voicer.errors import one_line
from voicer.play.view import View, line

try:
    import termios
except ImportError:  # not a POSIX system
    termios = None  # type: ignore[assignment]

if TYPE_CHECKING:
    from collections.abc import Iterable

    from rich.console import Console

    from voicer.play.session import Said
    from voicer.play.snapshot import Shown

_LINE_EVERY_S = 1.0
_CLOSE_WITHIN_S = 0.2
_MOST_LINES = 200
"""Lines waiting to be printed; the oldest go first."""


class Screen:
    """Full-screen view on a terminal, else a line a second. Every method: control thread.

    Parameters
    ----------
    console : Console

    Attributes
    ----------
    full : bool
        Whether the view is drawn; else lines are printed.
    """

    def __init__(self, console: Console) -> None:
        self._console = console
        self.full = console.is_terminal and not console.is_dumb_terminal
        self._shown: Shown | None = None
        self._lines: deque[Text] = deque(maxlen=_MOST_LINES)
        self._wake, self._closing, self._gone = threading.Event(), False, threading.Event()
        self._thread = threading.Thread(target=self._run, name="screen", daemon=True)
        self._thread.start()

    @property
    def gone(self) -> bool:
        """Whether nothing can be written any more: the window was closed, the reader of the pipe has ended."""
        return self._gone.is_set()

    def show(self, shown: Shown) -> None:
        """Draw this when the thread comes to it; what was not drawn yet is left out."""
        self._shown = shown
        self._wake.set()

    def say(self, said: Iterable[Said]) -> None:
        """Print what happened; the full-screen view shows it anyway, bad news is printed when it closes."""
        self._lines.extend(
            Text(one_line(one.line), "bold red" if one.bad else "") for one in said if one.bad or not self.full
        )

    def close(self) -> None:
        """Leave the full screen. What a terminal that stands still has not taken within 0.2 s is thrown away."""
        self._closing = True
        self._wake.set()
        self._thread.join(_CLOSE_WITHIN_S)
        if self._thread.is_alive():
            self._gone.set()
            _discard_output(self._console)
            self._thread.join(_CLOSE_WITHIN_S)

    def _run(self) -> None:
        """Thread: screen."""
        try:
            if self.full:
                self._draw()
                self._print_lines()
            else:
                self._print()
        except Exception as error:
            if isinstance(error, OSError) or self._console.file.closed:  # the terminal or the pipe has gone
                self._gone.set()
            else:  # of the view itself: no reason to end the sound
                self._print_fault(error)

    def _draw(self) -> None:
        view = View()
        with Live(
            view, console=self._console, screen=True, auto_refresh=False, redirect_stdout=False, redirect_stderr=False
        ) as live:
            while not self._closing:
                self._wake.wait()
                self._wake.clear()
                view.shown = self._shown
                live.refresh()

    def _print(self) -> None:
        told_s = time.monotonic()
        while not self._closing:
            self._wake.wait()
            self._wake.clear()
            now_s, shown = time.monotonic(), self._shown
            if shown is not None and (now_s - told_s >= _LINE_EVERY_S):
                told_s = now_s
                self._console.print(Text(line(shown)), soft_wrap=True)
                self._print_lines("  ")
        self._print_lines("  ")

    def _print_fault(self, error: Exception) -> None:
        with suppress(OSError, ValueError):
            told = f"the view has ended ({one_line(repr(error))}); the sound goes on, Ctrl-C ends it"
            self._console.print(Text(told, "bold red"), soft_wrap=True)

    def _print_lines(self, indent: str = "") -> None:
        while self._lines:
            self._console.print(Text(indent), self._lines.popleft(), sep="", soft_wrap=True)


def _discard_output(console: Console) -> None:
    """Let a write to the terminal return that waits for a terminal that takes nothing."""
    if termios is not None:
        with suppress(OSError, ValueError, termios.error):
            termios.tcflush(console.file.fileno(), termios.TCOFLUSH)
