"""Every error a user can cause, one line each.

    VoicerError
    ├── FileError(ValueError)      a voicing, controller map or audio file holds something wrong
    ├── VoicingError(ValueError)   values that do not make a voicing
    ├── CircuitError(ValueError)   a voicing that no circuit can be built for
    ├── PortError(OSError)         an audio or MIDI port that is absent or ambiguous
    └── EngineError(RuntimeError)  the sound engine cannot start or has stopped

The text of each is ``<where>: <what> must be <rule> (got <value>); <remedy>``. The commands print that
line and leave with exit code 2; a traceback is a bug.
"""

from __future__ import annotations

from difflib import get_close_matches
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

LONGEST_LINE = 400
"""Characters of a user's text that a message repeats at most."""


class VoicerError(Exception):
    """Root of all errors voicer raises on purpose; ``str()`` is the one line to print.

    Parameters
    ----------
    what : str
        What is wrong, as a sentence part: ``filters.low_cut_hz must be in 10..500 Hz (got 5)``.
    where : str
        File and line, port or command it was found in; may be empty.
    remedy : str
        What to do about it; may be empty.
    """

    def __init__(self, what: str, *, where: str = "", remedy: str = "") -> None:
        self.what = what
        self.where = where
        self.remedy = remedy
        line = f"{where}: {what}" if where else what
        super().__init__(f"{line}; {remedy}" if remedy else line)


class FileError(VoicerError, ValueError):
    """A file the user named is absent, unreadable or holds something wrong."""


class VoicingError(VoicerError, ValueError):
    """Values that do not make a voicing, with no file to blame."""


class CircuitError(VoicerError, ValueError):
    """A voicing that no circuit can be built for."""


class PortError(VoicerError, OSError):
    """An audio or MIDI port, or the server that owns it, is absent or ambiguous."""


class EngineError(VoicerError, RuntimeError):
    """The sound engine cannot start, or has stopped and cannot be brought back."""


def did_you_mean(name: str, known: Iterable[str]) -> str:
    """Offer the nearest right name: ``did you mean 'cutoff_hz'?``, or list what there is."""
    choices = list(known)
    near = get_close_matches(name, choices, n=1, cutoff=0.6)
    if near:
        return f"did you mean '{near[0]}'?"
    return "known are " + ", ".join(choices) if choices else ""


def one_line(text: str) -> str:
    """Text of a user's file made fit to print: unprintable characters escaped, and of a bearable length."""
    safe = "".join(char if char.isprintable() else repr(char)[1:-1] for char in text)
    return safe if len(safe) <= LONGEST_LINE else safe[: LONGEST_LINE - 1] + "…"
