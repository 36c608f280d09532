"""How fast the echo runs on this machine, as multiples of real time measured in one run."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Callable
from time import perf_counter, process_time
from typing import Any

import numpy as np
from numpy.typing import NDArray

from voicer.board import design, design_board
from voicer.board.spread import compute_spread
from voicer.dsp.coefficients import CEILING_DB, ceiling_numbers, echo_coefficients
from voicer.dsp.echo import Echo
from voicer.engine.link import Link, numbers_layout
from voicer.engine.memory import create_memory, inheritance, ticket
from voicer.engine.ring import Ring
from voicer.engine.stepped import SteppedEngine
from voicer.engine.units import CEILING, ECHO
from voicer.errors import EngineError
from voicer.play.sound import Sound
from voicer.voicing import Delay, Line, Modulation, Repeats, Voicing, parameters

SAMPLE_RATE_HZ = 48_000
CLOCKS_KHZ = (7, 20, 50, 100)
_CHUNK = 4800
_RUNS = 60
_START = (
    "import numpy as np, voicer; from voicer.play.session import Session;"
    "from voicer.engine.stepped import SteppedEngine;"
    "from voicer.engine.units import DEFAULT_RACK;"
    "s = Session('quay-slap', voicer.load('quay-slap')); e = SteppedEngine(DEFAULT_RACK);"
    "e.start(lambda rate: s.numbers_for(e, rate)); e.play(np.zeros(64)); e.stop()"
)
_ENGINE = (
    "import json, sys; from voicer.engine.graph import Graph, make_server; from voicer.engine.link import Link;"
    "from voicer.engine.rack import Rack; from voicer.engine.residence import resident_mb, stay_in_memory;"
    "link = Link.attach(int(sys.argv[1])); rack = Rack(('echo',), json.loads(sys.argv[2]), link, 48_000, 64);"
    "server = make_server(48_000, 64, 'manual'); server.boot(); graph = Graph(server, rack, link, live=True);"
    "graph.start(); said = stay_in_memory(); [server.process() for _ in range(1500)];"
    "print(json.dumps([resident_mb(), said]), flush=True); graph.stop()"
)


def measure_speed(progress: Callable[[str], None] = lambda _what: None) -> dict[str, Any]:
    """Measure everything; seconds of work.

    Returns
    -------
    dict
        Multiples of real time under keys that hold ``real_time`` (whole circuit, every flaw, compander, chorus, one
        core, 48 kHz; the best of 60 runs of 0.1 s, and the middle one), ``two_lines_to_one`` (the time of a
        block while an old line rings on, by that of one line), ``snapshot_to_block`` (what keeping the state for a take
        adds to a block, as share of the time it lasts), ``silence_to_burst`` (ratio of the times a
        decaying tail and a loud burst take), ``design_ms``, ``design_parts_ms`` (exact and bought parts of a voicing
        whose filters, time span, low cut and compander are all new; processor time, median and longest of 50),
        ``spread_10000_s``, ``voicings_to_imports`` (processor time of ``voicer voicings`` by that of a Python that only
        imports typer and pydantic, medians of 7 in turn), ``engine_pss_mb`` (the engine's share of memory after 2 s of
        sound, without JACK's; 0 where there is no /proc), and ``start_s`` and ``start_empty_cache_s``, a new process
        from nothing to its first block.
    """
    figures: dict[str, Any] = {}
    for clock_khz in CLOCKS_KHZ:
        progress(f"clock {clock_khz} kHz")
        best, middle = _multiples(_voicing_at(clock_khz), _CHUNK)
        figures[f"real_time_{clock_khz}khz"] = best
        figures[f"real_time_{clock_khz}khz_median"] = middle
    progress("blocks of 64")
    figures["real_time_100khz_blocks_of_64"] = _multiples(_voicing_at(100), 64)[0]
    progress("two lines")
    figures["two_lines_to_one"], figures["snapshot_to_block"] = _two_lines()
    progress("silence after a burst")
    figures["silence_to_burst"] = _silence_to_burst()
    figures["design_ms"] = _design_ms()
    progress("parts")
    figures["design_parts_ms"], figures["design_parts_longest_ms"] = _design_parts_ms()
    figures["spread_10000_s"] = _spread_s()
    progress("start of a command")
    figures["voicings_to_imports"] = voicings_to_imports()
    progress("memory of the engine")
    figures["engine_pss_mb"] = measure_engine_memory()[0]
    progress("start of a new process")
    figures["start_s"] = _start_s(dict(os.environ))
    progress("start with an empty cache")
    with tempfile.TemporaryDirectory() as empty:
        figures["start_empty_cache_s"] = _start_s({**os.environ, "NUMBA_CACHE_DIR": empty})
    return figures


def _voicing_at(clock_khz: float) -> Voicing:
    time_ms = 4096 / 2 / clock_khz
    return Voicing(
        name="Speed",
        line=Line(stages=4096),
        delay=Delay(time_ms=time_ms + 0.3, shortest_ms=time_ms + 0.2, longest_ms=400),
        repeats=Repeats(feedback=0.6),
        modulation=Modulation(range="slow", rate_hz=0.6, depth_percent=0.2),
    )


def _echo(voicing: Voicing) -> Echo:
    return Echo(echo_coefficients(design(voicing), SAMPLE_RATE_HZ), SAMPLE_RATE_HZ)


def _times_s(echo: Echo, x: NDArray[np.float64], block: int, runs: int) -> list[float]:
    y, times = np.empty_like(x), []
    for _ in range(runs):
        begun = perf_counter()
        for at in range(0, x.size, block):
            echo.process(x[at : at + block], y[at : at + block])
        times.append(perf_counter() - begun)
    return times


def _multiples(voicing: Voicing, block: int) -> tuple[float, float]:
    """Multiples of real time: the best and the median run."""
    echo, x = _echo(voicing), 0.2 * np.random.default_rng(1).standard_normal(_CHUNK)
    _times_s(echo, x, block, 3)
    times, lasts = _times_s(echo, x, block, _RUNS), _CHUNK / SAMPLE_RATE_HZ
    return lasts / min(times), lasts / float(np.median(times))


def _two_lines() -> tuple[float, float]:
    """Time of a block of 64 while an old line rings on, by that of one line; and what keeping the state adds to one.

    Medians of blocks in one run; the second as a share of the time a block lasts.
    """
    ring = Ring.prepared(ticket(create_memory("voicer-ring", 0)), 0.5, SAMPLE_RATE_HZ)
    ringing = _voicing_at(20).changed({"repeats.feedback": 0.995})
    engine, sound = SteppedEngine(("echo",), SAMPLE_RATE_HZ, 64, ring), Sound(ringing)
    engine.start(sound.numbers)
    x = 0.2 * np.random.default_rng(1).standard_normal(64).astype(np.float32)

    def median_us(count: int, before: Callable[[], None] = lambda: None) -> float:
        for _ in range(count):
            before()
            engine.play(x)
        return float(np.median(engine.block_times_us()[1 - count :]))

    try:
        median_us(500)
        one = median_us(400)
        keeping = median_us(60, ring.ask_snapshot) if ring is not None else one
        engine.send(sound.changed(line=1, tail=True).numbers(SAMPLE_RATE_HZ))
        two = median_us(400)
        if not engine.report().tail:
            raise EngineError("the old line did not ring on while it was measured")
        return two / one, (keeping - one) * 1e-6 * SAMPLE_RATE_HZ / 64
    finally:
        engine.stop()


def _silence_to_burst() -> float:
    """Time for silence from 2 s to 60 s after a loud burst, against the burst's; the flaws (and noise) are off."""
    voicing = _voicing_at(20).changed({key: 0 for key in parameters() if key.startswith("flaws.")})
    echo, burst = _echo(voicing), np.random.default_rng(1).standard_normal(_CHUNK)
    loud = _times_s(echo, burst, _CHUNK, _RUNS)
    silence = np.zeros(_CHUNK)
    _times_s(echo, silence, _CHUNK, 20)
    return float(np.median(_times_s(echo, silence, _CHUNK, 580)) / np.median(loud))


def _design_ms() -> float:
    """Milliseconds from a moved knob to the kernel's coefficients; the cutoff moves too, so nothing is remembered."""
    voicing, times = _voicing_at(20), []
    for j in range(50):
        begun = perf_counter()
        moved = voicing.changed({"delay.time_ms": 110.0 + j, "filters.anti_alias.cutoff_hz": 3000.0 + j})
        echo_coefficients(design(moved), SAMPLE_RATE_HZ)
        times.append(perf_counter() - begun)
    return 1e3 * float(np.median(times))


def _design_parts_ms() -> tuple[float, float]:
    """Processor time of exact and bought parts together for voicings with nothing in common: median and longest."""
    shapes, times = ("butterworth", "bessel", "chebyshev-0.5db", "chebyshev-1db"), []
    for j in range(-4, 50):
        voicing = _voicing_at(20).changed({
            "delay.shortest_ms": 60.0 + j, "delay.time_ms": 200.0, "filters.low_cut_hz": 50.0 + j,
            "compander.time_constant_ms": 10.0 + 0.1 * j, "filters.anti_alias.shape": shapes[j % 4],
            "filters.anti_alias.cutoff_hz": 2500.0 + 11 * j,
            "filters.reconstruction.shape": shapes[j % 4], "filters.reconstruction.cutoff_hz": 2400.0 + 13 * j,
        })  # fmt: skip
        begun = process_time()
        design(voicing, "exact")
        design(voicing, "E24")
        times.append(process_time() - begun)
    return 1e3 * float(np.median(times[4:])), 1e3 * max(times[4:])


def _spread_s() -> float:
    """Seconds for figures and response of 10000 units, the best of three."""
    made, times = design_board(_voicing_at(20)), []
    for _ in range(3):
        begun = perf_counter()
        compute_spread(made)
        times.append(perf_counter() - begun)
    return min(times)


def voicings_to_imports(runs: int = 7) -> float:
    """Processor time of ``voicer voicings`` as a multiple of that of a Python that only imports typer and pydantic.

    Medians of ``runs``, measured in turn so that both see the same machine.
    """
    commands = (["-m", "voicer", "voicings"], ["-c", "import typer, pydantic"])
    times: list[list[float]] = [[], []]
    for _ in range(runs):
        for command, found in zip(commands, times, strict=True):
            before = os.times()
            subprocess.run([sys.executable, *command], check=True, capture_output=True)
            after = os.times()
            found.append(
                after.children_user + after.children_system - before.children_user - before.children_system
            )
    return float(np.median(times[0]) / np.median(times[1]))


def measure_engine_memory() -> tuple[float, str]:
    """MB that a stepped engine of its own process takes while it plays, and why it is not locked if it is not."""
    coefficients = echo_coefficients(design(_voicing_at(20)), SAMPLE_RATE_HZ)
    numbers = {CEILING: ceiling_numbers(CEILING_DB, SAMPLE_RATE_HZ), ECHO: coefficients}
    link, places = Link.create(), numbers_layout((ECHO,), numbers)
    link.write([(places[unit][0], values) for unit, values in numbers.items()])
    done = subprocess.run(
        [sys.executable, "-c", _ENGINE, str(link.ticket), json.dumps(places)],
        check=True, capture_output=True, text=True, **inheritance(link.ticket),
    )  # fmt: skip
    link.close()
    resident, said = json.loads(done.stdout.splitlines()[-1])
    return resident or 0.0, said


def _start_s(environment: dict[str, str]) -> float:
    begun = perf_counter()
    subprocess.run([sys.executable, "-c", _START], env=environment, check=True, capture_output=True)
    return perf_counter() - begun
