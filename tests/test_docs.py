"""Every block of README.md and DEVELOPERS.md is run, parsed or at least known to the program."""

from __future__ import annotations

import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

from voicer.cli.commands import COMMANDS
from voicer.files.toml_text import read_model
from voicer.library import parse
from voicer.library.setlists import Setlist, faults

ROOT = Path(__file__).parent.parent
BLOCK = re.compile(r"^```(\w+)\n(.*?)^```", re.DOTALL | re.MULTILINE)
README = (ROOT / "README.md").read_text()
BLOCKS = BLOCK.findall(README)


def blocks(language: str) -> list[str]:
    found = [text for kind, text in BLOCKS if kind == language]
    assert found
    return found


@pytest.mark.parametrize("code", blocks("python"))
def test_python_blocks_run(code: str) -> None:
    """A reader may paste any Python of the README and it runs."""
    done = subprocess.run([sys.executable, "-W", "error", "-c", code], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith("clock ")


@pytest.mark.parametrize("text", blocks("toml"))
def test_toml_blocks_can_be_read(text: str) -> None:
    """A voicing or a setlist the README shows loads."""
    if "[[song]]" in text:
        assert not faults(read_model(text, Setlist, where="README.md"))
    else:
        assert parse(text, "README.md").name == "Harbour Dusk"


@pytest.mark.parametrize("line", [line for text in blocks("sh") for line in text.splitlines() if "voicer " in line])
def test_shell_lines_name_known_commands_and_options(line: str) -> None:
    """Each command line of the README uses a command that exists, with options it has."""
    words = shlex.split(line.split("voicer ", 1)[1])
    name, options = words[0], [word for word in words[1:] if word.startswith("--")]
    assert name in COMMANDS
    shown = subprocess.run(
        [sys.executable, "-m", "voicer", name, "--help"], capture_output=True, text=True, check=True
    ).stdout
    assert [option for option in options if option not in shown] == []


def test_readme_begins_with_the_job() -> None:
    """The first paragraph says who it is for and what they must get done."""
    assert README.split("\n\n")[1].startswith("A guitarist-engineer")


def test_files_named_in_the_documents_exist() -> None:
    """A path in backticks or a link that looks like a file of this project is one."""
    text = README + (ROOT / "DEVELOPERS.md").read_text()
    named = set(re.findall(r"[`(]((?:voicer|tests|presets|assets|\.ci)/[\w./-]+)[`)]", text))
    named |= {f"voicer/{name}" for name in re.findall(r"`((?:board|circuit|control|devices|dsp|engine|files|library|measure|play|sheet)/[\w/]+\.py)", text)}
    assert len(named) > 10
    assert [name for name in sorted(named) if not (ROOT / name).exists()] == []
