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

import json
import re
from difflib import get_close_matches
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterable

LONGEST_QUOTE = 400
"""Characters of a user's text that a message repeats at most."""

LONGEST_LINE = 4000
"""Characters of a whole message at most."""

UNPRINTABLE = (
    r"\x00-\x1f\x7f-\x9f"  # C0 controls with ESC and BEL, DEL, C1 controls
    r"\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069"  # marks, embeddings, overrides and isolates of direction
    r"\u2028\u2029"  # line and paragraph separators
    r"\ud800-\udfff\ufeff\ufffe\uffff"  # surrogates, byte order mark, noncharacters
)
"""Characters that could move a cursor, break a line or reorder what a person reads, as a regular expression's class."""

_UNPRINTABLE = re.compile(f"[{UNPRINTABLE}]")


class VoicerError(Exception):
    """Root of all errors voicer raises on purpose; ``str()`` is the one line to print, fit for any terminal.

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
        line = printable(f"{line}; {remedy}" if remedy else line)
        super().__init__(line if len(line) <= LONGEST_LINE else line[: LONGEST_LINE - 1] + "…")


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
    return "use one of " + ", ".join(choices) if choices else ""


def printable(text: str) -> str:
    r"""Text that came from outside, made fit to print: what could steer a terminal becomes ``\x1b`` or ``\u202e``.

    Every file name, device name and text of a user's file passes through this before a person sees it; letters,
    marks and symbols of all scripts stay.
    """
    return _UNPRINTABLE.sub(lambda found: repr(found[0])[1:-1], text)


def json_text(data: Any) -> str:
    """Data as JSON for programs and people: letters of all scripts as they are, what could steer a terminal escaped."""
    text = json.dumps(data, indent=2, ensure_ascii=False)
    return "\n".join(_UNPRINTABLE.sub(lambda found: f"\\u{ord(found[0]):04x}", line) for line in text.split("\n"))


def one_line(text: str) -> str:
    """A quote of a user's text: `printable`, and cut to a readable length."""
    safe = printable(text)
    return safe if len(safe) <= LONGEST_QUOTE else safe[: LONGEST_QUOTE - 1] + "…"
