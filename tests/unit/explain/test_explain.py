"""The set for showing others: what it writes, what it says, and that its sounds are fit to compare."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

from voicer import library
from voicer.board import design
from voicer.errors import VoicingError
from voicer.explain import sounds as explain_sounds
from voicer.explain.page import explain
from voicer.measure.meters import loudness_lufs

FLAWS = ["no-flaws", "only-transfer-loss", "only-saturation", "only-leakage", "only-noise", "only-clock-bleed",
         "all-flaws"]  # fmt: skip


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("explained")
    explain(library.load("quay-slap"), made)
    return made


def test_the_page_names_every_file_and_none_that_is_absent(folder: Path) -> None:
    """Pictures and sounds beside the page, each shown or offered on it; SVG on the page, PNG for slides."""
    page = (folder / "index.html").read_text()
    named = set(re.findall(r'src="([^"]+)"', page))
    there = {path.name for path in folder.iterdir()}
    assert named <= there
    assert there - named == {"index.html"} | {f"{Path(name).stem}.png" for name in named if name.endswith(".svg")}
    assert "<script" not in page
    assert "Caution" in page


def test_captions_carry_the_circuits_numbers(folder: Path) -> None:
    """Clock, half of it, and where the tone above it comes out."""
    circuit = design(library.load("quay-slap"))
    page = (folder / "index.html").read_text()
    assert f"A clock of {circuit.clock_hz / 1e3:.2f} kHz" in page
    assert f"half the clock ({circuit.clock_hz / 2:.0f} Hz)" in page
    assert f"those of {0.2 * circuit.clock_hz:.0f} Hz" in page


def test_snippets_are_equally_loud_and_differ(folder: Path) -> None:
    """Within half a LU of each other, below full scale; each flaw changes the sound, the ideal delay is another."""
    sounds = {name: soundfile.read(folder / f"{name}.wav")[0] for name in ["ideal", *FLAWS]}
    loudness = [loudness_lufs(y, 48_000) for y in sounds.values()]
    assert np.ptp(loudness) < 0.5
    assert max(float(np.abs(y).max()) for y in sounds.values()) < 1
    for name in ["ideal", *FLAWS[1:]]:
        assert np.abs(sounds[name] - sounds["no-flaws"]).max() > 1e-5, name


def test_the_ideal_delay_is_one() -> None:
    """Copies of the phrase at whole multiples of the time, each weaker by the feedback."""
    voicing = library.load("quay-slap").changed({"repeats.feedback": 0.5, "output.blend": 1.0})
    x = np.zeros(48_000)
    x[0] = 1.0
    y = explain_sounds._ideal_delay(voicing, x)
    period = round(48 * voicing.delay.time_ms)
    assert np.flatnonzero(y).tolist() == list(range(period, x.size, period))
    assert y[period :: period][:4].tolist() == [1, 0.5, 0.25, 0.125]


def test_the_runaway_grows_and_is_dropped() -> None:
    """It is louder before the time is dropped than at the start, and far softer at the end where the loop dies."""
    y, dropped_s, before, after = explain_sounds.runaway(library.load("harbour-dusk"))
    at = int(dropped_s * 48_000)
    levels = [float(np.std(piece)) for piece in (y[48_000:96_000], y[at - 48_000 : at], y[-48_000:])]
    assert levels[1] > 2 * levels[0]
    assert levels[2] < 0.01 * levels[1]
    assert before.loop_gain(before.clock_hz) > 1 > after.loop_gain(after.clock_hz)


def test_a_fast_clock_has_no_picture_of_folding(tmp_path: Path) -> None:
    """What folds there cannot be heard."""
    names = {path.name for path in explain(library.load("net-loft"), tmp_path)}
    assert "folding.svg" not in names
    assert "sampling.svg" in names


def test_a_tone_above_half_the_clock_is_refused(tmp_path: Path) -> None:
    """For the picture of sampling; nothing is written."""
    with pytest.raises(VoicingError, match=r"--tone-hz must be in 20\.\.5706 Hz, half the clock \(got 9000\)"):
        explain(library.load("quay-slap"), tmp_path / "out", tone_hz=9000.0)
    assert not (tmp_path / "out").exists()


def test_a_name_is_drawn_as_it_is_written(tmp_path: Path) -> None:
    """Dollars are no formula, angle brackets no tag."""
    explain(library.load("net-loft").changed({"name": "5 $ <b> _x^"}), tmp_path)
    assert "<h1>5 $ &lt;b&gt; _x^</h1>" in (tmp_path / "index.html").read_text()


def test_the_command(tmp_path: Path) -> None:
    """It tells what it wrote and to be careful."""
    command = [sys.executable, "-W", "error", "-m", "voicer", "explain", "gull-vibrato", "--out", "shown"]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False, timeout=120)
    assert done.returncode == 0, done.stderr
    assert "shown/index.html" in done.stdout
    assert "Caution" in done.stdout
