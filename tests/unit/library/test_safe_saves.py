"""A save is whole or not at all: through kill -9 at any moment, and on a disk that is full."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from voicer.library import load, save, to_text
from voicer.voicing import Voicing

ROOT = Path(__file__).parents[3]
ROUNDS = 200 if os.environ.get("VOICER_CAMPAIGN") == "long" else 60

SAVE_MORE = """
import sys
from voicer.errors import VoicerError
from voicer.library import load, save
try:
    save(load("mine").changed({"notes": "x" * 2000}))
except VoicerError as error:
    print(error)
"""

LIMIT_FILES = "import resource; resource.setrlimit(resource.RLIMIT_FSIZE, (512, 512))\n"


def _environment(home: Path) -> dict[str, str]:
    return os.environ | {"VOICER_HOME": str(home), "PYTHONPATH": str(ROOT)}


def _run(command: list[str], home: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        command, env=_environment(home), capture_output=True, text=True, timeout=120, check=False
    )


def test_a_save_killed_at_any_moment_leaves_the_old_or_the_new_file(home: Path) -> None:
    """60 kills (200 in the long campaign) within the time of four saves: never half a file, and no temporary outlives the next save.

    That some kills left a temporary shows that they hit saves under way.
    """
    script = Path(__file__).with_name("killed_saves.py")
    done = _run([sys.executable, "-W", "error", str(script), str(ROUNDS)], home)
    assert done.stderr == ""
    found = json.loads(done.stdout)
    assert found["broken"] == 0
    assert found["old"] + found["new"] == ROUNDS
    assert min(found["old"], found["new"], found["temporaries"]) > 0
    assert (found["temporaries_after_a_save"], found["listed"]) == (0, 1)


def test_a_file_that_may_grow_no_further_leaves_the_old_one(home: Path) -> None:
    """The system refuses to write on: the old file stays whole, no temporary stays, one line says why."""
    before = save(Voicing(name="Mine"))
    done = _run([sys.executable, "-c", LIMIT_FILES + SAVE_MORE], home)
    expected = (
        f"{before}: the file cannot be written (File too large); nothing was changed; "
        f"free some space or choose another folder\n"
    )
    assert (done.stdout, done.stderr) == (expected, "")
    assert before.read_text() == to_text(Voicing(name="Mine"))
    assert [path.name for path in before.parent.iterdir()] == ["mine.toml"]


def test_a_full_disk_leaves_the_old_file(home: Path) -> None:
    """On a real file system without space: the old file stays whole, no temporary stays, one line says why.

    The file system lives in memory, in a mount name space of the child's own.
    """
    own = shutil.which("unshare")
    if own is None or _run([own, "-rm", "true"], home).returncode != 0:
        pytest.skip("this system allows no mount name space of one's own")
    home.mkdir()
    fill = "dd if=/dev/zero of=$VOICER_HOME/filler bs=1k 2> $VOICER_HOME/said"
    python = f"'{sys.executable}' -c"
    make = f"""{python} 'from voicer.library import save; from voicer.voicing import Voicing; save(Voicing(name="Mine"))'"""
    steps = [
        "mount -t tmpfs -o size=64k none $VOICER_HOME",
        make,
        fill + " || true",
        f'{python} "$SAVE_MORE"',
        "cat $VOICER_HOME/voicings/mine.toml",
        "ls -A $VOICER_HOME/voicings",
    ]
    os_environment = _environment(home) | {"SAVE_MORE": SAVE_MORE}
    done = subprocess.run(
        [own, "-rm", "sh", "-ec", "\n".join(steps)],
        env=os_environment, capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    expected = (
        f"{home / 'voicings' / 'mine.toml'}: the file cannot be written (No space left on device); "
        f"nothing was changed; free some space or choose another folder\n"
    )
    assert (done.stdout, done.stderr) == (expected + to_text(Voicing(name="Mine")) + "mine.toml\n", "")


def test_a_broken_file_survives_a_save_that_fails(home: Path) -> None:
    """Keeping a broken file aside takes nothing away from where it stood."""
    path = save(Voicing(name="Mine"))
    path.write_text("schema = 2\nname = 'Mine'\n# " + "thoughts " * 200 + "\nbroken")
    before = path.read_text()
    code = LIMIT_FILES + SAVE_MORE.replace('load("mine")', 'load("quay-slap").changed({"name": "Mine"})')
    done = _run([sys.executable, "-c", code], home)
    assert (done.stdout.count("\n"), done.stderr) == (1, "")
    assert "nothing was changed" in done.stdout
    assert path.read_text() == before
    assert load("quay-slap").name == "Quay Slap"
