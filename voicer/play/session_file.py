"""The session on disk: voicer comes back after a crash or an empty battery as it was.

Written by a thread of its own, whole or not at all, at most once a second, and only when something has changed. One
session of a user's folder has the file; another that plays at the same time leaves it alone.
"""

from __future__ import annotations

import json
import os
import threading
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from voicer.errors import VoicerError, one_line
from voicer.files.safe_write import write_bytes
from voicer.files.text_file import load_text
from voicer.library import home

EVERY_S = 1.0


@dataclass(frozen=True)
class Left:
    """What an earlier session left."""

    session: dict[str, Any]
    """For `Session.restore`."""
    setlist: str | None
    """Name or path of the setlist."""
    rack: tuple[str, ...]


def session_path() -> Path:
    """The file; it need not exist."""
    return home.home_folder() / "session.json"


def read_left() -> tuple[Left | None, str]:
    """What an earlier session left, if it can be read, and a line for the player if not: it is set aside then."""
    path = session_path()
    if not path.exists():
        return None, ""
    try:
        data = json.loads(load_text(str(path)))
        setlist = data["setlist"]
        if data["schema"] != 1 or not (setlist is None or isinstance(setlist, str)):
            raise ValueError
        return Left(dict(data["session"]), setlist, tuple(str(unit) for unit in data["rack"])), ""
    except (VoicerError, ValueError, KeyError, TypeError, RecursionError):
        return None, set_aside()


def set_aside() -> str:
    """Give a file that is of no use another name; the line that says so."""
    path = session_path()
    with suppress(OSError):
        path.replace(path.with_name("session.json.broken"))
    return f"{one_line(str(path))}: the last session cannot be read and is set aside; playing a fresh one"


class SessionFile:
    """Keeps the session on disk. `note` on the control thread, `close` at the end."""

    def __init__(self) -> None:
        self.complaint = ""
        """Why nothing is kept; empty while it is."""
        self._newest: dict[str, Any] | None = None
        self._written = ""
        self._wake = threading.Event()
        self._closing = False
        self._lock = self._locked()
        self._thread = threading.Thread(target=self._run, name="session-file", daemon=True)
        if self._lock is not None:
            self._thread.start()
        else:
            self.complaint = "another voicer plays; what is changed here is not remembered for the next time"

    def note(self, session: dict[str, Any], setlist: str | None, rack: tuple[str, ...]) -> None:
        """The present state; written soon, if it differs from what was written."""
        self._newest = {"schema": 1, "session": session, "setlist": setlist, "rack": list(rack)}

    def close(self) -> None:
        """Write what is new and let the next session have the file."""
        if self._lock is None:
            return
        self._closing = True
        self._wake.set()
        self._thread.join(5.0)
        os.close(self._lock)
        self._lock = None

    def _run(self) -> None:
        while True:
            self._wake.wait(EVERY_S)
            closing = self._closing
            self._write()
            if closing:
                return

    def _write(self) -> None:
        newest = self._newest
        if newest is None:
            return
        text = json.dumps(newest)
        if text == self._written:
            return
        try:
            write_bytes(session_path(), text.encode(), overwrite=True)
            self._written, self.complaint = text, ""
        except (VoicerError, OSError) as error:
            self.complaint = f"the session is not remembered: {one_line(str(error))}"

    @staticmethod
    def _locked() -> int | None:
        """A handle that is this session's alone; None where another has it. The system lets go of it after a crash."""
        try:
            handle = os.open(home.made(home.home_folder()) / ".session.lock", os.O_RDWR | os.O_CREAT, 0o600)
        except (OSError, VoicerError):
            return None
        try:
            import fcntl

            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except ImportError:
            return handle
        except OSError:
            os.close(handle)
            return None
        return handle
