"""How loud the shipped voicings are, what a runaway settles at, and that the output ceiling has no part in it."""

from __future__ import annotations

import numpy as np
import pytest

from voicer import library
from voicer.board import design
from voicer.circuit import remarks
from voicer.dsp.coefficients import echo_coefficients
from voicer.dsp.echo import Echo
from voicer.measure.bench import shipped_riff
from voicer.measure.levels import Levels, measure_levels
from voicer.voicing import Voicing

RATE_HZ = 48_000
SHIPPED = [entry.name for entry in library.listing() if entry.shipped]
FOLDING = {"old-dredger", "long-breakwater", "storm-bell"}
"""Voicings whose notes speak of grain or grit."""


@pytest.fixture(scope="module")
def levels() -> dict[str, Levels]:
    riff = shipped_riff()
    return {name: measure_levels(library.load(name), riff) for name in SHIPPED}


def test_voicings_are_about_as_loud_as_each_other_and_as_the_guitar(levels: dict[str, Levels]) -> None:
    """On the riff they lie within 4.5 LU of each other, and each within 4.5 LU of the guitar alone."""
    over = [one.over_guitar_lu for one in levels.values()]
    assert max(over) - min(over) < 4.5
    assert max(np.abs(over)) < 4.5


def test_the_dry_signal_stays_where_it_is(levels: dict[str, Levels]) -> None:
    """Up to the middle of the blend control neither effect nor bypass changes the dry level by 1 dB."""
    for name, one in levels.items():
        assert abs(one.bypass_db) < 0.01
        assert abs(one.dry_db) < 1 or library.load(name).output.blend > 0.5, name


def test_a_runaway_settles_by_the_circuit(levels: dict[str, Levels]) -> None:
    """With the feedback full up, at both ends and in the middle of the time control, every voicing settles at most
    6 LU above the guitar; the output ceiling stays idle.
    """
    for name, one in levels.items():
        assert one.runaway_over_guitar_lu < 6, name
        assert one.ceiling_reduction_db == 0, name
    assert max(one.runaway_over_guitar_lu for one in levels.values()) > 0


def test_three_voicings_fold_as_part_of_their_character(levels: dict[str, Levels]) -> None:
    """At least a hundredth of what enters their line on the riff is above half the clock; in no other voicing is."""
    assert {name for name, one in levels.items() if one.above_half_clock_db > -20} == FOLDING


def level_db(echo: Echo, seconds: int) -> float:
    """Level of the last second of silence played through an echo, dBFS."""
    y = np.zeros(RATE_HZ)
    for _ in range(seconds):
        y = np.zeros(RATE_HZ)
        echo.process(y, y)
    return 20 * float(np.log10(np.sqrt(np.mean(y**2)) + 1e-15))


def started(voicing: Voicing) -> Echo:
    """An echo into which a tenth of a second of the riff has been played."""
    echo, x = Echo(echo_coefficients(design(voicing), RATE_HZ), RATE_HZ), shipped_riff()[: RATE_HZ // 10].copy()
    echo.process(x, x)
    return echo


@pytest.mark.parametrize("feedback", [1.2, 1.3, 1.5])
def test_storm_bell_howls_and_dies_when_the_time_is_dropped(feedback: float) -> None:
    """At each feedback that its notes name it holds a howl, and at the short end of the time control it dies away."""
    wild = library.load("storm-bell").changed({"repeats.feedback": feedback, "flaws.noise": 0, "flaws.clock_bleed": 0})
    echo = started(wild)
    howl_db = level_db(echo, 25)
    assert howl_db > -40
    assert level_db(echo, 3) == pytest.approx(howl_db, abs=2)
    echo.glide_to(echo_coefficients(design(wild.changed({"delay.time_ms": wild.delay.shortest_ms})), RATE_HZ))
    assert level_db(echo, 10) < howl_db - 60


@pytest.mark.parametrize("loop_gain", [0.92, 0.995])
def test_a_loop_below_its_edge_falls_silent(loop_gain: float) -> None:
    """A minute after a note nothing sings on in the silence below the compander's floor; without the expander's lower
    floor these two settled at -75 and -66 dBV.
    """
    quiet = {"flaws.noise": 0, "flaws.clock_bleed": 0, "modulation.range": "off", "output.blend": 1.0}
    voicing = library.load("lamp-lane").changed(quiet)
    here = design(voicing.changed({"repeats.feedback": 1.0}))
    voicing = voicing.changed({"repeats.feedback": loop_gain / here.loop_gain(here.clock_hz)})
    circuit = design(voicing)
    assert circuit.loop_gain(circuit.clock_hz) == pytest.approx(loop_gain)
    assert circuit.loop_gain_in_silence(circuit.clock_hz) < loop_gain
    assert level_db(started(voicing), 60 if loop_gain < 0.95 else 240) < -100


def test_a_runaway_is_told_where_it_peaks() -> None:
    """The remark names the loop gain at its peak over the time control's span, not at the present time."""
    (line,) = [one.line for one in remarks(design(library.load("storm-bell"))) if one.about == "runaway"]
    assert line.startswith("loop gain reaches 1.30 at 65.8 ms: it runs away")
