"""The engine's block: what leaves is bounded, every fault is silence, and nothing is allocated."""

from __future__ import annotations

import gc
import os
import subprocess
import sys
import tracemalloc
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

import voicer
from voicer.dsp.block import BEGIN, ECHO, FINISH
from voicer.dsp.coefficients import ceiling_numbers
from voicer.dsp.echo import Echo
from voicer.engine import rack
from voicer.engine.graph import Graph, make_server
from voicer.engine.link import Link, numbers_layout
from voicer.engine.rack import Rack
from voicer.engine.stepped import SteppedEngine
from voicer.engine.units import CEILING
from voicer.errors import EngineError
from voicer.play.session import Session

RATE_HZ, FRAMES = 48_000, 64


class Player:
    """A rack of the echo alone in a stepped server, with all its parts in reach."""

    def __init__(self, loop: NDArray[np.float32] | None = None, frames: int = FRAMES) -> None:
        self.rack, self.sample_rate_hz = ("echo",), float(RATE_HZ)
        session = Session("quay-slap", voicer.load("quay-slap").changed({"output.blend": 0}))
        numbers = session.numbers_for(self, RATE_HZ)
        self.link, self.places = Link.create(), numbers_layout(self.rack, numbers)
        self.send(numbers)
        self.made = Rack(self.rack, self.places, self.link, RATE_HZ, frames)
        server = make_server(RATE_HZ, frames, "manual")
        server.boot()
        self.graph = Graph(server, self.made, self.link, loop=loop, live=False)
        self.graph.start()
        self.play(np.zeros(16 * frames))

    def send(self, numbers: dict[str, NDArray[np.float64]]) -> int:
        return self.link.write([(self.places[unit][0], values) for unit, values in numbers.items()])

    def play(self, x: NDArray[Any]) -> NDArray[np.float32]:
        heard = []
        for block in x.astype(np.float32).reshape(-1, self.graph.frames):
            self.graph.take_input(block)
            self.graph.server.process()
            heard.append(self.graph.give_output()[::2].copy())
        return np.concatenate(heard)

    def close(self) -> None:
        self.graph.stop()
        self.link.close()


@pytest.fixture
def player() -> Any:
    """Opened and closed around a test."""
    made = Player()
    yield made
    made.close()


def test_the_ceiling_stays_whatever_its_numbers(player: Player) -> None:
    """Samples of 5.0 leave at -3 dB; after numbers that make no ceiling there is silence, never 5.0; with good numbers
    the sound is back under its ceiling.
    """
    loud, good = np.full(RATE_HZ // 10 // FRAMES * FRAMES, 5.0), player.link.newest()[2][:2].copy()
    assert np.abs(player.play(loud)).max() == pytest.approx(10 ** (-3 / 20), rel=1e-6)
    for bad in ([np.nan, 0.1], [5.0, 0.1], [np.inf, np.inf], [0.5, np.nan]):
        player.send({CEILING: np.array(bad)})
        assert not player.play(loud).any()
        assert player.link.report().errors > 0
        player.send({CEILING: good})
        heard = player.play(loud)
        assert 0.5 < np.abs(heard).max() <= np.float32(10 ** (-3 / 20))


@pytest.mark.parametrize("part", ["_step", "_stamps"])
def test_a_block_that_fails_is_silent_and_counted(player: Player, part: str) -> None:
    """Whatever raises in a block, nothing of it is heard, it is counted at once, and the next plays on."""
    loud = np.full(4 * FRAMES, 5.0)
    player.play(loud)
    kept, before = getattr(player.graph, part), player.link.report()
    setattr(player.graph, part, None)
    assert not player.play(loud).any()
    setattr(player.graph, part, kept)
    after = player.link.report()
    assert after.errors - before.errors == after.blocks - before.blocks == 4
    assert player.play(loud).all()
    assert player.link.report().errors == after.errors


def test_the_ceiling_says_what_it_does(player: Player) -> None:
    """A single sample of 2.0 shows as its gain of -9 dB for 0.3 s, long enough for a view that looks ten times a
    second, then goes back to 0; the blocks it was turned down in are counted.
    """
    quiet = np.full(FRAMES, 0.1)
    player.play(quiet)
    assert (player.link.report().ceiling_db, player.link.report().limited) == (0.0, 0)
    hit = quiet.copy()
    hit[10] = 2.0
    player.play(hit)
    expected_db = -3.0 - 20 * np.log10(2.0)
    for _ in range(round(0.28 * RATE_HZ / FRAMES)):
        player.play(quiet)
        assert player.link.report().ceiling_db == pytest.approx(expected_db, abs=0.01)
    player.play(np.tile(quiet, 2 * RATE_HZ // FRAMES))
    report = player.link.report()
    assert report.ceiling_db == 0.0
    assert 100 < report.limited < 2 * RATE_HZ / FRAMES


@pytest.mark.parametrize("frames", [1, 7, 63, 64, 65, 1000])
def test_a_loop_of_any_length_plays_round_and_round(frames: int) -> None:
    """Shorter than a block, as long, or no multiple of it: each sample follows the last, and no block fails."""
    loop = (0.3 + 0.1 * np.sin(np.arange(frames))).astype(np.float32)
    player = Player(loop)
    heard = player.play(np.zeros(40 * FRAMES))
    at = 16 * FRAMES
    assert heard == pytest.approx(loop[np.arange(at, at + heard.size) % frames], rel=1e-5)
    assert player.link.report().errors == 0
    player.close()


def test_a_block_allocates_nothing(player: Player) -> None:
    """Over 10 000 blocks, with numbers arriving in every tenth, neither objects nor memory grow."""
    callback, numbers = player.graph._block, player.link.newest()[2][player.places["echo"][0] :].copy()
    player.play(np.full(4 * FRAMES, 0.2))
    gc.collect()
    tracemalloc.start()
    callback()
    tracemalloc.reset_peak()
    before = tracemalloc.get_traced_memory()[0]
    for _ in range(100):
        callback()
    peak = tracemalloc.get_traced_memory()[1] - before
    tracemalloc.stop()
    blocks = sys.getallocatedblocks()
    for k in range(10_000):
        if k % 10 == 0:
            numbers[2] += 1e-9
            player.send({"echo": numbers})
        callback()
    grown = sys.getallocatedblocks() - blocks
    assert peak < 512, "a few passing integers, no array"
    assert abs(grown) < 20


HIDDEN = ["memfd_create", "sched_getscheduler", "sched_setscheduler", "sched_getparam", "sched_param", "posix_fallocate", "fork", "sched_getaffinity", "sched_setaffinity", "mlockall"]


def test_the_engine_plays_without_what_only_linux_has() -> None:
    """Shared memory, scheduling and locking calls hidden: the stepped engine plays the same samples."""
    code = """
import os, signal, sys
for name in sys.argv[1:]:
    if hasattr(os, name):
        delattr(os, name)
for name in ("SIGHUP", "SIGUSR1", "SIGUSR2", "SIGPIPE", "pthread_sigmask"):
    if hasattr(signal, name):
        delattr(signal, name)
import numpy as np, voicer
from voicer.engine.stepped import SteppedEngine
from voicer.engine.units import DEFAULT_RACK
from voicer.play.session import Session
session = Session("quay-slap", voicer.load("quay-slap"))
engine = SteppedEngine(DEFAULT_RACK)
engine.start(lambda rate_hz: session.numbers_for(engine, rate_hz))
heard = engine.play((0.3 * np.random.default_rng(1).standard_normal(9600)).astype(np.float32))
engine.stop()
print(heard.tobytes().hex())
"""
    done = [
        subprocess.run([sys.executable, "-c", code, *names], capture_output=True, text=True, check=True).stdout
        for names in ((), HIDDEN)
    ]
    assert done[0] == done[1]
    assert len(done[0]) > 9600


def test_the_engine_process_imports_no_models_and_no_circuit() -> None:
    """Its modules are the audio half: neither voicings, circuits, boards nor what checks and solves them."""
    heavy = [
        "pydantic", "scipy.signal", "scipy.special", "rich", "typer", "matplotlib", "mido", "rtmidi", "soundfile", "soxr",
        "voicer.voicing", "voicer.circuit", "voicer.board", "voicer.play", "voicer.control",
    ]  # fmt: skip
    code = (
        "import sys, voicer.engine.process, voicer.engine.graph, voicer.engine.rack;"
        f"print([name for name in {heavy} if name in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True,
        env={**os.environ, "PYO_GUI_WX": "0"},
    )  # fmt: skip
    assert done.stdout.strip() == "[]"


def test_the_stepped_engine_puts_a_unit_back_by_name() -> None:
    """A unit that is not in the rack cannot be asked for."""
    engine = SteppedEngine(("echo",))
    with pytest.raises(EngineError, match="no unit 'ecco' is in the rack; did you mean 'echo'"):
        engine.put_back("ecco")
    engine.stop()


def test_numbers_that_come_while_the_echo_is_made_anew_are_played(
    player: Player, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An echo that failed is put back; a mute sent while it is being made is not lost with the echo before."""
    session = Session("quay-slap", voicer.load("quay-slap").changed({"output.blend": 0}))
    sound = np.full(20 * FRAMES, 0.1)
    spoiled = session.numbers_for(player, RATE_HZ)["echo"]
    spoiled[:] = np.nan
    player.send({"echo": spoiled})
    player.play(sound)
    assert player.link.report().faults[0]
    player.send({"echo": session.numbers_for(player, RATE_HZ)["echo"]})
    session.panic()
    muted = session.numbers_for(player, RATE_HZ)["echo"]

    def made_slowly(numbers: NDArray[np.float64], rate_hz: float) -> Echo:
        echo = Echo(numbers, rate_hz)
        player.send({"echo": muted})
        player.made.work.step(BEGIN | ECHO | FINISH, 0)
        return echo

    monkeypatch.setattr(rack, "Echo", made_slowly)
    player.play(sound)
    player.link.put_back(0)
    player.play(sound)
    assert not player.link.report().faults[0]
    assert not player.play(sound)[-FRAMES:].any()


def test_an_engine_that_starts_muted_lets_nothing_through(player: Player) -> None:
    """Not even the first block, with no echo to mute itself: the mute of a fresh ceiling is closed."""
    player.send({CEILING: ceiling_numbers(-3.0, RATE_HZ, muted=True)})
    work = Rack(player.rack, player.places, player.link, RATE_HZ, FRAMES).work
    x, y = np.full(FRAMES, 0.5, np.float32), np.ones(FRAMES, np.float32)
    work.take_ports(x.ctypes.data, y.ctypes.data)
    work.step(BEGIN | FINISH, 0)
    assert not y.any()
