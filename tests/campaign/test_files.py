"""Outputs that must not go where they were sent, and inputs that are no files."""

from __future__ import annotations

import os
import re
import socket
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from tests.campaign.conftest import Scene
from tests.commands import LONG

if TYPE_CHECKING:
    from collections.abc import Callable

RENDER = ("render", "in.wav", "{}", "--tail", "0", "--voicing", "quay-slap")
WRITERS: dict[str, tuple[tuple[str, ...], str]] = {
    "render": (RENDER, "out.wav"),
    "compare": (("compare", "quay-slap", "lamp-lane", "--input", "in.wav", "--tail", "0", "--out", "out"), "out/A.wav"),
    "blind": (("compare", "quay-slap", "lamp-lane", "--input", "in.wav", "--blind", "--out", "out"), "out/B.wav"),
    "parts": (("parts", "quay-slap", "--units", "5", "--out", "out"), "out/bom.csv"),
    "measure": (("measure", "quay-slap", "--out", "out"), "out/figures.json"),
    "explain": (("explain", "quay-slap", "--out", "out"), "out/index.html"),
    "demo": (("demo", "--out", "out"), "out/echo.wav"),
}
"""Command and the file of its output that is looked at."""


def _file(path: Path) -> None:
    path.write_text("somebody's")


def _read_only(path: Path) -> None:
    path.write_text("somebody's")
    path.chmod(0o444)


def _link_to_file(path: Path) -> None:
    real = path.with_name("real")
    real.write_text("somebody's")
    path.symlink_to(real.resolve())


def _socket(path: Path) -> None:
    with socket.socket(socket.AF_UNIX) as one:
        one.bind(os.path.relpath(path))


TAKEN: dict[str, tuple[Callable[[Path], object], bool]] = {
    "file": (_file, True),
    "read-only": (_read_only, False),
    "link to a file": (_link_to_file, True),
    "link to the full device": (lambda path: path.symlink_to("/dev/full"), False),
    "link to the null device": (lambda path: path.symlink_to("/dev/null"), False),
    "link to itself": (lambda path: path.symlink_to(path.name), False),
    "pipe": (os.mkfifo, False),
    "socket": (_socket, False),
    "folder": (Path.mkdir, False),
}
"""What may be there already, and whether --overwrite helps."""


@pytest.mark.parametrize("taken", TAKEN)
@pytest.mark.parametrize("writer", WRITERS)
def test_nothing_is_replaced_unasked(scene: Scene, writer: str, taken: str) -> None:
    """Whatever is in the way of whichever command stays, and one line says so, with --overwrite where that helps."""
    arguments, name = WRITERS[writer]
    make, helps = TAKEN[taken]
    target = scene.folder / name
    target.parent.mkdir(exist_ok=True)
    make(target)
    before = scene.state()
    line = scene.run(*(word.format(name) for word in arguments)).refused()
    assert scene.state() == before
    assert ("add --overwrite" in line) or not helps
    if not helps:
        scene.run(*(word.format(name) for word in arguments), "--overwrite").refused()
        assert scene.state() == before


@pytest.mark.parametrize("taken", ["file", "link to a file"])
@pytest.mark.parametrize("writer", WRITERS if LONG else ["render", "compare"])
def test_overwriting_replaces_the_file_and_keeps_links(scene: Scene, writer: str, taken: str) -> None:
    """Asked for, the old file goes; a link stays one and leads to the new."""
    arguments, name = WRITERS[writer]
    target = scene.folder / name
    target.parent.mkdir(exist_ok=True)
    TAKEN[taken][0](target)
    if writer == "blind":
        pytest.skip("asks a listener")
    done = scene.run(*(word.format(name) for word in arguments), "--overwrite")
    assert done.code == 0, done.err
    assert target.is_symlink() == (taken != "file")
    assert target.read_bytes() != b"somebody's"
    assert not list(scene.folder.rglob(".*"))


@pytest.mark.parametrize("name", ["in.wav", "./in.wav", "link.wav", "hard.wav", "folder/../in.wav"])
def test_an_input_is_never_the_output(scene: Scene, name: str) -> None:
    """By no name, not even with --overwrite."""
    (scene.folder / "folder").mkdir()
    (scene.folder / "link.wav").symlink_to("in.wav")
    os.link(scene.folder / "in.wav", scene.folder / "hard.wav")
    before = scene.state()
    line = scene.run("render", "in.wav", name, "--overwrite").refused()
    assert "must not be the input" in line
    assert scene.state() == before


def test_an_input_in_the_folder_of_the_output_stays(scene: Scene) -> None:
    """A comparison over its own A.wav, measured values out of the sheet's own list."""
    out = scene.folder / "out"
    out.mkdir()
    (scene.folder / "in.wav").rename(out / "A.wav")
    (scene.folder / "sheet").mkdir()
    (scene.folder / "sheet" / "bom.csv").write_text("reference,value\nR1,10k\n")
    before = scene.state()
    scene.run("compare", "quay-slap", "lamp-lane", "--input", "out/A.wav", "--out", "out", "--overwrite").refused()
    scene.run("parts", "quay-slap", "--units", "5", "--measured", "sheet/bom.csv", "--out", "sheet", "--overwrite").refused()
    assert scene.state() == before


PLACES = ["absent/out.wav", "in.wav/out.wav", "/proc/out.wav", "a" * 252 + ".wav", "out.mp3", "out", "", "x\udc80/out.wav"]


@pytest.mark.parametrize("place", PLACES)
def test_places_that_cannot_be_are_refused(scene: Scene, place: str) -> None:
    """Absent folders, files for folders, names too long or of no known ending."""
    before = scene.state()
    done = scene.run("render", "in.wav", place)
    done.refused()
    done.told_safely()
    assert scene.state() == before


@pytest.mark.parametrize("name", ["a" * 250 + ".wav", "\udcff\udc80.wav", "[/red].wav", "[bold] :smile:.wav", "a\nb.wav", "é 日.wav", "\x1b[2J.wav"])
def test_odd_names_are_written_and_printed_safely(scene: Scene, name: str) -> None:
    """Names as long as a system allows, that are no UTF-8, with markup, line ends and escapes in them."""
    (scene.folder / name).parent.mkdir(exist_ok=True)
    done = scene.run(*(word.format(name) for word in RENDER))
    assert done.code == 0, done.err
    done.told_safely()
    assert done.out.count("\n") == 1
    assert (scene.folder / name).stat().st_size > 10_000
    assert scene.run("render", name, "again.wav", "--tail", "0").code == 0


READERS = {
    "show": ("show", "./{}"), "check": ("check", "./{}"), "render by": ("render", "in.wav", "o.wav", "--voicing", "./{}"),
    "play": ("play", "./{}"), "play over": ("play", "--input", "{}"), "map": ("play", "--map", "{}"),
    "render": ("render", "{}", "o.wav"), "compare over": ("compare", "quay-slap", "lamp-lane", "--input", "{}"),
    "measure": ("measure", "quay-slap", "--input", "{}"), "measured": ("parts", "quay-slap", "--measured", "{}"),
    "calibrate": ("calibrate", "--level-v", "0.1", "--name", "x", "--input", "{}"),
    "answers": ("compare", "--result", "--answers", "{}"),
}  # fmt: skip
NO_FILES: dict[str, Callable[[Path], object]] = {
    "nothing": lambda path: None, "pipe": os.mkfifo, "folder": Path.mkdir, "socket": _socket,
    "link to a device": lambda path: path.symlink_to("/dev/zero"), "link to itself": lambda path: path.symlink_to(path.name),
    "empty": Path.touch,
}  # fmt: skip


@pytest.mark.parametrize("kind", NO_FILES)
@pytest.mark.parametrize("reader", READERS)
def test_what_is_no_file_is_not_read(scene: Scene, reader: str, kind: str) -> None:
    """Pipes, devices, folders, links to nowhere: one line at once, from every command that reads."""
    if kind == "socket" and not re.match("check|render$", reader) and not LONG:
        pytest.skip("long form")
    NO_FILES[kind](scene.folder / "x.toml")
    before = scene.state()
    done = scene.run(*(word.format("x.toml") for word in READERS[reader]))
    done.refused()
    assert scene.state() == before
