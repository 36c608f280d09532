"""The campaign: attacks on files, contents, names and arguments, each command run as a user runs it.

Short form in the tests; ``VOICER_CAMPAIGN=long uv run pytest tests/campaign`` is the long one: every attack on every
command, 600 random voicings, 200 kills of each writer.
"""

from __future__ import annotations

import io
import os
import resource
import signal
import sys
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

import numpy as np
import pytest
import soundfile

from voicer.cli import main
from voicer.errors import printable

if TYPE_CHECKING:
    from types import FrameType

LONG = os.environ.get("VOICER_CAMPAIGN") == "long"

LONGEST_S, MOST_BYTES = 90 if LONG else 20, 700_000_000
"""What an attack may take before it counts as a hang, and add to the memory of the process."""


@dataclass(frozen=True)
class Done:
    """What a command left behind."""

    code: int
    out: str
    err: str

    def refused(self) -> str:
        """The one line of a refusal; fails for anything else."""
        assert self.code == 2, (self.code, self.out[-300:], self.err[-2000:])
        assert self.err.startswith("voicer: "), self.err[-2000:]
        assert self.err.endswith("\n")
        assert self.err.count("\n") == 1, self.err[-2000:]
        assert len(self.err) < 4500
        return self.err

    def told_safely(self) -> None:
        """Nothing printed could steer a terminal."""
        for text in (self.out, self.err):
            for line in text.split("\n"):
                assert printable(line.replace("\t", " ")) == line.replace("\t", " "), repr(line)


class Scene:
    """A folder with a recording in it, and commands run there in this process, with a time limit."""

    def __init__(self, folder: Path, home: Path) -> None:
        self.folder, self.home = folder, home

    def run(self, *arguments: str) -> Done:
        """Run a command; a hang, a traceback and memory without bound fail the test."""
        out, err = (io.TextIOWrapper(io.BytesIO(), encoding="utf-8", write_through=True) for _ in range(2))
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        signal.signal(signal.SIGALRM, _hang)
        signal.alarm(LONGEST_S)
        code = 0
        try:
            with redirect_stdout(out), redirect_stderr(err):
                sys.argv = ["voicer", *arguments]
                main()
        except SystemExit as left:
            code = int(left.code or 0)
        finally:
            signal.alarm(0)
        after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        assert 1024 * (after - before) < MOST_BYTES, f"{(after - before) / 1024:.0f} MB more"
        return Done(code, *(stream.buffer.getvalue().decode() for stream in (out, err)))  # type: ignore[attr-defined]

    def state(self) -> dict[str, object]:
        """Every path below, with what it is and holds."""
        found: dict[str, object] = {}
        for path in sorted((*self.folder.rglob("*"), *self.home.rglob("*"))):
            info = path.lstat()
            regular = path.is_file() and not path.is_symlink()
            held = path.read_bytes() if regular else os.readlink(path) if path.is_symlink() else None
            found[str(path)] = (info.st_mode, info.st_ino if regular else 0, held)
        return found


def _hang(_number: int, _frame: FrameType | None) -> NoReturn:
    raise AssertionError(f"hangs: more than {LONGEST_S} s")


@pytest.fixture
def scene(tmp_path: Path, voicer_home: Path, monkeypatch: pytest.MonkeyPatch) -> Scene:
    """A folder of its own, with ``in.wav`` in it."""
    folder = tmp_path / "scene"
    folder.mkdir()
    voicer_home.mkdir(parents=True, exist_ok=True)
    tone = 0.3 * np.sin(np.arange(24_000) / 9)
    soundfile.write(folder / "in.wav", tone, 48_000, subtype="PCM_16")
    monkeypatch.chdir(folder)
    monkeypatch.setattr(sys, "argv", ["voicer"])
    monkeypatch.setenv("JACK_DEFAULT_SERVER", "voicer-none")
    return Scene(folder, voicer_home)
