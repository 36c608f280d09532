"""The campaign: attacks on files, contents, names and arguments, each command run as a user runs it.

Short form in the tests; ``VOICER_CAMPAIGN=long uv run pytest tests/campaign`` is the long one: every attack on every
command, 600 random voicings, 200 kills of each writer.
"""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.commands import Done, run_here


class Scene:
    """A folder with a recording in it, and commands run there in this process, with a time limit."""

    def __init__(self, folder: Path, home: Path) -> None:
        self.folder, self.home = folder, home

    def run(self, *arguments: str) -> Done:
        """Run a command in the folder."""
        return run_here(*arguments)

    def state(self) -> dict[str, object]:
        """Every path below, with what it is and holds."""
        found: dict[str, object] = {}
        for path in sorted((*self.folder.rglob("*"), *self.home.rglob("*"))):
            info = path.lstat()
            regular = path.is_file() and not path.is_symlink()
            held = path.read_bytes() if regular else os.readlink(path) if path.is_symlink() else None
            found[str(path)] = (info.st_mode, info.st_ino if regular else 0, held)
        return found


@pytest.fixture
def scene(tmp_path: Path, voicer_home: Path, monkeypatch: pytest.MonkeyPatch) -> Scene:
    """A folder of its own, with ``in.wav`` in it."""
    folder = tmp_path / "scene"
    folder.mkdir()
    voicer_home.mkdir(parents=True, exist_ok=True)
    tone = 0.3 * np.sin(np.arange(24_000) / 9)
    soundfile.write(folder / "in.wav", tone, 48_000, subtype="PCM_16")
    monkeypatch.chdir(folder)
    monkeypatch.setenv("JACK_DEFAULT_SERVER", "voicer-none")
    return Scene(folder, voicer_home)
