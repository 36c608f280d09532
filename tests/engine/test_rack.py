"""Units: found through entry points, guarded, named when they fail, put back; pyo's objects among them."""

from __future__ import annotations

import json
import subprocess
import sys
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from tests.live.measures import lag_frames
from tests.live.players import RATE_HZ, clear_voicing, playing, record
from voicer.engine.link import FAULTS, Link
from voicer.engine.memory import inheritance
from voicer.engine.units import rack_names
from voicer.errors import EngineError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tests.conftest import Jackd

AUDIO = '''
"""Audio halves of units of another package."""
import os, sys, time
import numpy as np
from voicer.engine.units import BlockUnit, GraphUnit

class Gain(BlockUnit):
    def __init__(self, numbers, sample_rate_hz):
        self.gain = numbers[0] if numbers.size else 0.5
        self.blocks = 0
    def glide_to(self, numbers):
        self.gain = numbers[0]
    def process(self, x, y):
        y[:] = self.gain * x

class Failing(Gain):
    """Plays 20 blocks, then fails."""
    def process(self, x, y):
        self.blocks += 1
        y[:] = self.gain * x
        if self.blocks > 20:
            self.fail(x, y)

class Raises(Failing):
    def fail(self, x, y):
        raise RuntimeError("broken")

class Exits(Failing):
    def fail(self, x, y):
        sys.exit(3)

class NoNumber(Failing):
    def fail(self, x, y):
        y[-1] = np.nan

class TooLoud(Gain):
    def process(self, x, y):
        y[:] = 1e300 * x

class WrongShape(Failing):
    def fail(self, x, y):
        y[:] = np.zeros(7)

class Resizes(Failing):
    def fail(self, x, y):
        y.resize(3, refcheck=False)

class SpoilsInput(Failing):
    def fail(self, x, y):
        x[:] = np.nan
        raise ValueError("and gone")

class Slow(Gain):
    def process(self, x, y):
        time.sleep(0.004)
        y[:] = x

class Kills(Failing):
    def fail(self, x, y):
        os._exit(77)

class NoInit(Gain):
    def __init__(self, numbers, sample_rate_hz):
        raise OSError("no such thing")

class WantsFile(Gain):
    def __init__(self, numbers, sample_rate_hz):
        open(os.environ["VOICER_HOME"] + "/wanted").close()
        super().__init__(numbers, sample_rate_hz)

class NoGlide(Gain):
    def glide_to(self, numbers):
        raise ValueError("cannot glide")

class Graph(GraphUnit):
    """A gain made of a pyo object."""
    def __init__(self, numbers, sample_rate_hz):
        self.gain = numbers[0] if numbers.size else 0.5
    def glide_to(self, numbers):
        self.out.mul = float(numbers[0])
    def build(self, source):
        self.out = source * float(self.gain)
        return self.out

class GraphNoGlide(Graph):
    def glide_to(self, numbers):
        raise ValueError("cannot glide")

class GraphNoNumber(Graph):
    def build(self, source):
        return source * float("nan")

class GraphNoBuild(Graph):
    def build(self, source):
        raise KeyError("no wires")

class GraphNothing(Graph):
    def build(self, source):
        return None

class GraphOut(Graph):
    """Sends to the driver what it should hand on, very loud."""
    def build(self, source):
        self.out = (source * 100).out()
        return self.out
'''
PARAMETERS = '''
"""Parameters of units of another package."""
import sys
from dataclasses import dataclass

@dataclass
class Half:
    gain: float = 0.5
    def numbers(self, sample_rate_hz):
        return [self.gain]

@dataclass
class Demanding:
    gain: float
    def numbers(self, sample_rate_hz):
        return [self.gain]

class Raising:
    def numbers(self, sample_rate_hz):
        raise RuntimeError("no numbers\\n\\x1b[31m today")

class Endless:
    def numbers(self, sample_rate_hz):
        return [float("inf")]

class Leaving:
    def numbers(self, sample_rate_hz):
        sys.exit("bye")
'''
CLASSES = ["Gain", "Raises", "Exits", "NoNumber", "TooLoud", "WrongShape", "Resizes", "SpoilsInput", "Slow", "Kills", "NoInit", "WantsFile", "NoGlide", "Graph", "GraphNoGlide", "GraphNoNumber", "GraphNoBuild", "GraphNothing", "GraphOut"]
ENTRY_POINTS = f"""
[voicer.units]
{"".join(f"{name.lower()} = other_units:{name}{chr(10)}" for name in CLASSES)}
nounit = other_parameters:Half
leaves = leaves_at_import:Gain
demanding = other_units:Gain
raising = other_units:Gain
endless = other_units:Gain
leaving = other_units:Gain

[voicer.parameters]
gain = other_parameters:Half
noglide = other_parameters:Half
graph = other_parameters:Half
graphnoglide = other_parameters:Half
demanding = other_parameters:Demanding
raising = other_parameters:Raising
endless = other_parameters:Endless
leaving = other_parameters:Leaving
leaves = other_parameters:Half
"""
PLAY = """
import json, sys
import numpy as np
import voicer
from voicer.engine.stepped import SteppedEngine
from voicer.engine.units import rack_names
from voicer.errors import VoicerError
from voicer.play.session import Session

def play(rack, *then):
    session = Session("quay-slap", voicer.load("quay-slap").changed({"output.blend": 0}))
    engine = SteppedEngine(rack_names(tuple(rack.split(","))), 48_000, 64)
    engine.start(lambda rate_hz: session.numbers_for(engine, rate_hz))
    x = (0.3 * np.sin(np.arange(7680) * 2 * np.pi / 480)).astype(np.float32)
    heard = [engine.play(x)]
    for what in then:
        action, unit, *numbers = what.split(":")
        if action == "put-back":
            engine.put_back(unit)
        elif action == "make":
            open(unit, "w").close()
        else:
            engine.send({unit: np.array([float(number) for number in numbers])})
        heard.append(engine.play(x))
    report = engine.report()
    engine.stop()
    y = np.concatenate(heard)
    last = heard[-1][3840:]
    return {
        "gain": round(float(np.abs(last).max() / np.abs(x).max()), 4),
        "lag": int(np.argmax(np.correlate(last, x[3840:], "full")) - last.size + 1),
        "steepest": float(np.abs(np.diff(y)).max()), "loudest": float(np.abs(y).max()),
        "faults": {unit: fault for unit, fault in zip(engine.rack, report.faults) if fault},
        "errors": report.errors, "running": report.running_unit,
    }

for line in sys.stdin:
    try:
        told = play(*json.loads(line))
    except VoicerError as error:
        told = {"line": str(error)}
    print(json.dumps(told), flush=True)
"""
STEEPEST = 0.3 * 2 * np.pi / 480
"""Between two samples of the tone that `PLAY` plays."""


class Stage:
    """A process that plays racks of units which another package has brought, as pip would have installed it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        (folder / "other_units.py").write_text(AUDIO)
        (folder / "other_parameters.py").write_text(PARAMETERS)
        (folder / "leaves_at_import.py").write_text("raise SystemExit('bye')\n")
        info = folder / "other_units-1.0.dist-info"
        info.mkdir()
        (info / "METADATA").write_text("Metadata-Version: 2.1\nName: other-units\nVersion: 1.0\n")
        (info / "entry_points.txt").write_text(textwrap.dedent(ENTRY_POINTS))
        self.environment = {"PYTHONPATH": str(folder), "VOICER_HOME": str(folder), "PYO_GUI_WX": "0"}
        self.errors = (folder / "errors").open("w+")
        self.process = subprocess.Popen(
            [sys.executable, "-c", PLAY], env=self.environment, stdin=subprocess.PIPE, stdout=subprocess.PIPE,
            stderr=self.errors, text=True,
        )  # fmt: skip

    def play(self, rack: str, *then: str) -> dict[str, Any]:
        """What a rack did with a tone, and again after each of ``then``."""
        assert self.process.stdin
        assert self.process.stdout
        self.process.stdin.write(json.dumps([rack, *then]) + "\n")
        self.process.stdin.flush()
        told: dict[str, Any] = json.loads(self.process.stdout.readline())
        assert (self.folder / "errors").read_text() == ""
        return told

    def close(self) -> None:
        self.process.communicate("")
        self.errors.close()


@pytest.fixture(scope="module")
def stage(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stage]:
    """One process for all racks."""
    made = Stage(tmp_path_factory.mktemp("installed"))
    yield made
    made.close()


@pytest.mark.parametrize(
    ("rack", "gain"),
    [("echo", 1.0), ("gain,echo", 0.5), ("echo,graph", 0.5), ("graph,echo,gain", 0.25), ("graph,gain,echo", 0.25)],
)
def test_racks_of_foreign_units(rack: str, gain: float, stage: Stage) -> None:
    """Units of another package play without any delay, block units and pyo graphs in any order."""
    told = stage.play(rack)
    assert (told["gain"], told["lag"], told["faults"]) == (gain, 0, {})


@pytest.mark.parametrize(
    ("rack", "reason"),
    [
        ("raises,echo", "raised an error"),
        ("exits,echo", "raised an error"),
        ("echo,nonumber", "put out values that are not numbers"),
        ("wrongshape,echo", "raised an error"),
        ("resizes,echo", "raised an error"),
        ("spoilsinput,echo", "raised an error"),
        ("slow,echo", "took longer than the block lasts, 16 blocks in a row"),
        ("noinit,echo", "raised an error when it was made"),
        ("echo,tooloud", "put out values that are not numbers"),
        ("echo,graphnonumber", "put out values that are not numbers"),
        ("echo,graphnobuild", "raised an error when it was made"),
        ("graphnothing,echo", "raised an error when it was made"),
        ("echo,graphout", "sent sound to the driver past the ceiling"),
    ],
)
def test_a_unit_that_fails_is_left_by_a_fade_and_named(rack: str, reason: str, stage: Stage) -> None:
    """Whatever a unit of either kind does, the signal goes past it without a click and without a failed block, and
    the units around it play on.
    """
    told = stage.play(f"graph,{rack},gain")
    assert told["gain"] == 0.25
    assert [FAULTS[fault] for fault in told["faults"].values()] == [reason]
    assert list(told["faults"]) == [name for name in rack.split(",") if name != "echo"]
    assert told["steepest"] < 1.6 * STEEPEST
    assert (told["errors"], told["running"]) == (0, None)


@pytest.mark.parametrize("unit", ["noglide", "graphnoglide"])
def test_a_unit_that_cannot_take_new_numbers_is_bypassed(unit: str, stage: Stage) -> None:
    """A raising `glide_to` of either kind silences the unit too, by a fade, and does not leave it sounding on."""
    told = stage.play(f"echo,{unit}", f"send:{unit}:0.25")
    assert (told["gain"], list(told["faults"])) == (1.0, [unit])
    assert told["steepest"] < 1.6 * STEEPEST


@pytest.mark.parametrize("unit", ["gain", "graph"])
def test_new_numbers_reach_a_unit(unit: str, stage: Stage) -> None:
    """What the host sends is what the unit plays with."""
    assert stage.play(f"echo,{unit}", f"send:{unit}:0.25")["gain"] == 0.25


@pytest.mark.parametrize(("unit", "gain"), [("raises", 1.0), ("nonumber", 1.0), ("noinit", 1.0)])
def test_a_unit_is_put_back(unit: str, gain: float, stage: Stage) -> None:
    """Put back, a unit is made anew and faded in; one that fails again is bypassed again, and nothing clicks."""
    told = stage.play(f"echo,{unit}", f"put-back:{unit}")
    assert told["gain"] == gain
    assert list(told["faults"]) == [unit]
    assert told["steepest"] < 1.6 * STEEPEST


def test_a_mended_unit_plays_again(stage: Stage) -> None:
    """A unit that raised for want of a file plays as soon as it is put back and the file is there."""
    told = stage.play("echo,wantsfile", f"make:{stage.folder}/wanted", "put-back:wantsfile")
    assert (told["gain"], told["faults"]) == (0.5, {})
    assert told["steepest"] < 1.6 * STEEPEST


def test_the_running_unit_is_on_record_when_the_process_ends(stage: Stage) -> None:
    """A unit that takes the process with it is named by the link, which outlives the process."""
    link = Link.create()
    code = (
        "import os, sys; from voicer.engine.link import Link; import voicer.engine.stepped as stepped;"
        "stepped.Link.create = classmethod(lambda cls: Link.attach(int(sys.argv[1])));"
    )
    done = subprocess.run(
        [sys.executable, "-c", f"{code}exec({PLAY!r})", str(link.ticket)], env=stage.environment, check=False,
        input=json.dumps(["gain,kills,echo"]) + "\n", text=True, **inheritance(link.ticket),
    )  # fmt: skip
    assert (done.returncode, link.report().running_unit) == (77, 1)
    link.close()


@pytest.mark.parametrize(
    ("asked", "line"),
    [
        (("echo", "eccho"), "no unit 'eccho' is installed; did you mean 'echo'?"),
        (("echo", "echo"), "each unit can be used only once in a rack (got echo, echo)"),
        (("ceiling",), "the rack must include the echo (got ceiling); add 'echo'"),
    ],
)
def test_wrong_racks_are_refused(asked: tuple[str, ...], line: str) -> None:
    """One line with what was asked for and what to do."""
    with pytest.raises(EngineError) as caught:
        rack_names(asked)
    assert str(caught.value) == line


def test_the_ceiling_is_no_unit() -> None:
    """A rack that still names it, anywhere or twice, is the same as one that does not."""
    assert rack_names(("ceiling", "echo", "ceiling")) == rack_names(("echo",)) == ("echo",)


@pytest.mark.parametrize(
    ("unit", "line"),
    [
        ("nounit", "unit 'nounit' must be a BlockUnit or a GraphUnit (got <class 'other_parameters.Half'>)"),
        ("leaves", "unit 'leaves' must load (got SystemExit('bye')); repair its package, or leave it out of --rack"),
        ("demanding", "unit 'demanding' must have numbers for its default parameters (got TypeError("),
        ("raising", "unit 'raising' must have numbers for its default parameters (got RuntimeError("),
        ("endless", "the numbers of unit 'endless' must be one row of finite numbers (got shape (1,))"),
        ("leaving", "unit 'leaving' must have numbers for its default parameters (got SystemExit('bye'))"),
    ],
)
def test_a_broken_package_is_refused_in_one_line(unit: str, line: str, stage: Stage) -> None:
    """The unit is named, whichever half of it is broken, and nothing it printed reaches the line raw."""
    told = stage.play(f"echo,{unit}")["line"]
    assert told.startswith(line)
    assert told.isprintable()


@pytest.mark.jack
def test_units_of_another_package_in_the_live_engine(
    jackd: Jackd, stage: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The engine's own process finds them too: the broken one is named to the player and bypassed, the pyo graph
    halves the sound, and none of them makes the path a frame longer.
    """
    monkeypatch.setenv("PYTHONPATH", str(stage.folder))
    noise, takes = 0.1 * np.random.default_rng(3).standard_normal(RATE_HZ * 2), []
    for rack in ("echo", "raises,echo,graph,gain"):
        with playing(str(clear_voicing(stage.folder, blend=0.0)), "--rack", rack) as voicer_play:
            takes.append(record(stage.folder, noise, 2.0).recorded[RATE_HZ // 2 :])
            voicer_play.terminate()
            _, err = voicer_play.communicate(timeout=15)
        told = "unit 'raises' is bypassed: it raised an error"
        assert (told in err) == ("raises" in rack), err
    plain, other = takes
    assert np.abs(plain).max() > 0.1
    assert lag_frames(plain, other) == pytest.approx(0, abs=0.01)
    assert np.linalg.norm(other) / np.linalg.norm(plain) == pytest.approx(0.25, rel=0.01)


@pytest.mark.jack
def test_a_unit_that_ends_the_engine_is_left_out(jackd: Jackd, stage: Stage, monkeypatch: pytest.MonkeyPatch) -> None:
    """A unit that takes the engine process with it again and again is named and left out, and the sound goes on."""
    monkeypatch.setenv("PYTHONPATH", str(stage.folder))
    noise = 0.1 * np.random.default_rng(3).standard_normal(RATE_HZ * 2)
    lines: list[str] = []
    with playing(str(clear_voicing(stage.folder, blend=0.0)), "--rack", "kills,echo,gain") as voicer_play:
        assert voicer_play.stderr
        for line in voicer_play.stderr:
            lines.append(line)
            if "sound is back" in line and any("is left out" in earlier for earlier in lines):
                break
        heard = record(stage.folder, noise, 2.0, hold=True).recorded
        voicer_play.terminate()
        voicer_play.communicate(timeout=15)
    assert any("unit 'kills' is left out" in line for line in lines)
    assert np.abs(heard).max() > 0.02
