"""Units: found through entry points, bypassed and named when they fail, pyo's objects among them."""

from __future__ import annotations

import subprocess
import sys
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

from tests.live.measures import lag_frames
from tests.live.players import RATE_HZ, clear_voicing, playing, record
from voicer.engine.units import rack_names
from voicer.errors import EngineError

if TYPE_CHECKING:
    from tests.conftest import Jackd

UNITS = '''
"""Units of another package."""
import time
from pydantic import BaseModel
import numpy as np
from voicer.engine.units import BlockUnit, GraphUnit

class Half(BaseModel):
    gain: float = 0.5

class Gain(BlockUnit):
    """Halves."""
    Parameters = Half
    @classmethod
    def numbers(cls, parameters, sample_rate_hz):
        return np.array([parameters.gain])
    def __init__(self, numbers, sample_rate_hz):
        self.gain = numbers[0]
    def glide_to(self, numbers):
        self.gain = numbers[0]
    def process(self, x, y):
        y[:] = self.gain * x

class Raises(Gain):
    def process(self, x, y):
        raise RuntimeError("broken")

class NoNumber(Gain):
    def process(self, x, y):
        y[:] = np.nan

class Slow(Gain):
    def process(self, x, y):
        time.sleep(0.004)
        y[:] = x

class Graph(GraphUnit):
    """A gain made of a pyo object."""
    Parameters = Half
    numbers = Gain.__dict__["numbers"]
    def __init__(self, numbers, sample_rate_hz):
        self.gain = numbers[0]
    def glide_to(self, numbers):
        pass
    def build(self, source):
        return source * float(self.gain)
'''
ENTRY_POINTS = """
[voicer.units]
half = other_units:Gain
raises = other_units:Raises
nonumber = other_units:NoNumber
slow = other_units:Slow
graph = other_units:Graph
nounit = other_units:Half
"""
PLAY = """
import sys
import numpy as np
import voicer
from voicer.engine.link import FAULTS
from voicer.engine.stepped import SteppedEngine
from voicer.engine.units import rack_names
from voicer.play.session import Session

session = Session("quay-slap", voicer.load("quay-slap").changed({"output.blend": 0}))
engine = SteppedEngine(rack_names(tuple(sys.argv[1].split(","))), 48_000, 64)
engine.start(lambda rate_hz: session.numbers_for(engine, rate_hz))
x = 0.4 * np.sin(np.arange(6400) / 7).astype(np.float32)
y = engine.play(x)
late = y[3200:] / np.where(x[3200:] == 0, 1, x[3200:])
faults = dict(zip(engine.rack, engine.report().faults))
engine.stop()
print(round(float(late.min()), 5), round(float(late.max()), 5), {unit: FAULTS[f] for unit, f in faults.items() if f})
"""


@pytest.fixture
def installed(tmp_path: Path) -> Path:
    """A folder on the path that holds a package with units, as pip would have installed it."""
    (tmp_path / "other_units.py").write_text(UNITS)
    info = tmp_path / "other_units-1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: other-units\nVersion: 1.0\n")
    (info / "entry_points.txt").write_text(textwrap.dedent(ENTRY_POINTS))
    return tmp_path


def play(rack: str, installed: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", PLAY, rack], env={"PYTHONPATH": str(installed), "VOICER_HOME": str(installed)},
        capture_output=True, text=True, check=False,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("rack", "told"),
    [
        ("echo", "1.0 1.0 {}"),
        ("half,echo", "0.5 0.5 {}"),
        ("echo,half", "0.5 0.5 {}"),
        ("echo,graph", "0.5 0.5 {}"),
        ("graph,echo,half", "0.25 0.25 {}"),
        ("raises,echo,half", "0.5 0.5 {'raises': 'raised an error'}"),
        ("echo,nonumber,half", "0.5 0.5 {'nonumber': 'put out what is not a number'}"),
        ("half,slow,echo", "0.5 0.5 {'slow': 'took longer than the block lasts, 16 blocks in a row'}"),
    ],
)
def test_racks_of_other_units(rack: str, told: str, installed: Path) -> None:
    """Units of another package play without any delay, block units and pyo graphs in any order; one that fails is
    bypassed and named and the rest plays on.
    """
    done = play(rack, installed)
    assert (done.stdout.strip(), done.stderr) == (told, "")


@pytest.mark.parametrize(
    ("asked", "line"),
    [
        (("echo", "eccho"), "no unit 'eccho' is installed; did you mean 'echo'?"),
        (("echo", "echo"), "each unit must stand in the rack once (got echo, echo)"),
        (("ceiling",), "the rack must hold the echo (got ceiling); add 'echo'"),
    ],
)
def test_wrong_racks_are_refused(asked: tuple[str, ...], line: str) -> None:
    """One line with what was asked for and what to do."""
    with pytest.raises(EngineError) as caught:
        rack_names(asked)
    assert str(caught.value) == line


def test_the_ceiling_is_always_last() -> None:
    """Asked for in another place or not at all, it keeps the end of the rack."""
    assert rack_names(("ceiling", "echo")) == rack_names(("echo",)) == ("echo", "ceiling")


def test_an_entry_point_that_is_no_unit_is_refused(installed: Path) -> None:
    """A class of another kind under the group's name is named in the error."""
    done = play("echo,nounit", installed)
    assert "unit 'nounit' must be a BlockUnit or a GraphUnit" in done.stderr


@pytest.mark.jack
def test_units_of_another_package_in_the_live_engine(
    jackd: Jackd, installed: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The engine's own process finds them too: the broken one is named to the player and bypassed, the pyo graph
    halves the sound, and none of them makes the path a frame longer.
    """
    monkeypatch.setenv("PYTHONPATH", str(installed))
    noise, takes = 0.1 * np.random.default_rng(3).standard_normal(RATE_HZ * 2), []
    for rack in ("echo", "raises,echo,graph,half"):
        with playing(str(clear_voicing(installed, blend=0.0)), "--rack", rack) as voicer_play:
            takes.append(record(installed, noise, 2.0).recorded[RATE_HZ // 2 :])
            voicer_play.terminate()
            _, err = voicer_play.communicate(timeout=15)
        told = "unit 'raises' is bypassed: it raised an error"
        assert (told in err) == ("raises" in rack), err
    plain, other = takes
    assert np.abs(plain).max() > 0.1
    assert lag_frames(plain, other) == pytest.approx(0, abs=0.01)
    assert np.linalg.norm(other) / np.linalg.norm(plain) == pytest.approx(0.25, rel=0.01)
