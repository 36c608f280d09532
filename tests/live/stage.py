"""`voicer play` in a terminal of its own: a pseudo-terminal that types, looks and can go away."""

from __future__ import annotations

import fcntl
import json
import os
import pty
import re
import struct
import subprocess
import sys
import termios
import threading
import time
from typing import Any

_STYLING = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]")


class Stage:
    """A terminal of 24 lines of 80 columns with `voicer play` in it; standard output is a pipe for the summary."""

    def __init__(self, *arguments: str) -> None:
        self._player, program = pty.openpty()
        fcntl.ioctl(program, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
        self.settings = termios.tcgetattr(program)
        self._program = os.dup(program)
        self._chunks: list[tuple[float, bytes]] = []
        command = [sys.executable, "-W", "error", "-m", "voicer", "play", *arguments, "--audio", "jack", "--json"]
        self.process = subprocess.Popen(
            command, stdin=program, stderr=program, stdout=subprocess.PIPE, text=True, start_new_session=True,
            preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0), env={**os.environ, "TERM": "xterm-256color"},
        )  # fmt: skip
        os.close(program)
        self.reading = threading.Event()
        self.reading.set()
        threading.Thread(target=self._watch, daemon=True).start()

    def _watch(self) -> None:
        while True:
            self.reading.wait()
            try:
                data = os.read(self._player, 65536)
            except OSError:
                return
            if not data:
                return
            self._chunks.append((time.monotonic(), data))

    def seen(self, since_s: float = 0.0) -> str:
        """What was written to the terminal since a moment (`time.monotonic`), without styling."""
        data = b"".join(chunk for at_s, chunk in list(self._chunks) if at_s >= since_s)
        return _STYLING.sub("", data.decode("utf-8", "replace"))

    def frames(self, since_s: float) -> int:
        """How many times the view was drawn since then."""
        return self.seen(since_s).count("q quit")

    def wait_for(self, text: str, within_s: float = 30.0, since_s: float = 0.0) -> None:
        """Wait until the text was seen."""
        until_s = time.monotonic() + within_s
        while text not in self.seen(since_s):
            if time.monotonic() > until_s or self.process.poll() is not None:
                raise AssertionError(f"{text!r} was not seen in:\n{self.seen()[-4000:]}")
            time.sleep(0.02)

    def type(self, keys: str) -> None:
        """Press keys."""
        os.write(self._player, keys.encode())

    def hang_up(self) -> None:
        """Close the window."""
        os.close(self._program)
        os.close(self._player)
        self._program = self._player = -1

    def ended(self, within_s: float = 10.0) -> tuple[float, dict[str, Any]]:
        """Wait for the end; seconds it took from now, and the summary."""
        begun_s = time.monotonic()
        out, _ = self.process.communicate(timeout=within_s)
        return time.monotonic() - begun_s, json.loads(out) if out else {}

    def restored(self) -> bool:
        """Whether the terminal is as it was found."""
        return termios.tcgetattr(self._program) == self.settings

    def close(self) -> None:
        """Let go of everything; a voicer that still runs is killed."""
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        if self.process.stdout:
            self.process.stdout.close()
        for fd in {self._program, self._player} - {-1}:
            os.close(fd)
