"""ngspice on our own netlists against the closed forms the sound is computed from, and against the sound itself."""

from __future__ import annotations

from dataclasses import fields, replace
from pathlib import Path
from typing import Any, get_args

import numpy as np
import pytest

from tests.reference.spice import measured, responses, run_netlist
from voicer import library
from voicer.board import Board, design_board
from voicer.board.blocks.low_pass import blocks_for, snapped
from voicer.board.netlist import clock_netlist, lfo_netlist, path_netlist
from voicer.board.netlist.filters import low_pass_lines
from voicer.board.parts import kind_of
from voicer.board.spread import Tolerances, unit_of
from voicer.circuit.filters import low_pass_sections, response
from voicer.dsp.coefficients import echo_coefficients
from voicer.dsp.echo import Echo
from voicer.voicing import Flaws, Shape

SHIPPED = [entry.name for entry in library.listing()]
SHAPES: tuple[Any, ...] = get_args(Shape)
ORDERS = range(2, 7)
CUTOFFS_HZ = (740.0, 3100.0, 9000.0)
RATE_HZ = 48_000


def shipped(name: str, series: Any = "E24") -> Board:
    return design_board(library.load(name), series)


def decibels(gain: Any) -> Any:
    return 20 * np.log10(np.abs(gain))


def degrees(gain: Any) -> Any:
    return np.angle(gain, deg=True)


# The loop's limiter


@pytest.mark.parametrize("name", ["harbour-dusk", "old-dredger"])
def test_the_limiter_is_the_boards(name: str, tmp_path: Path) -> None:
    """What the input sum gets of a rising voltage behind the line, from the netlist's own lines for it, against the
    closed form: within 1 % and a millivolt from microvolts to where the amplifier would clip.
    """
    made = shipped(name)
    limiter = made.blocks.sum.limiter(4.0)
    lines = path_netlist(made).splitlines()
    first = next(at for at, line in enumerate(lines) if line.startswith("* input sum"))
    last = next(at for at, line in enumerate(lines) if line.startswith("* low cut"))
    text = "\n".join([
        "limiter", "VBIAS bias 0 DC 0.0", "VIN buffered 0 DC 0.0", "VWET wet 0 DC 0.0", ".param repeats=1.0",
        *lines[first:last], ".control", "set numdgt=15", "dc VWET 0 0.7 0.005", "wrdata table.txt v(sum)", "quit",
        ".endc", ".end", "",
    ])  # fmt: skip
    run_netlist(text, tmp_path)
    wet_v, sum_v = np.loadtxt(tmp_path / "table.txt").T
    expected = limiter.limited(made.blocks.sum.return_gain(1.0) * wet_v)
    assert -sum_v == pytest.approx(expected, rel=0.01, abs=1e-3)
    assert expected[-1] < 0.5 * made.blocks.sum.return_gain(1.0) * wet_v[-1]


# Filters


def filter_bank(made: list[tuple[Any, ...]]) -> str:
    """A netlist with many low-passes side by side, all driven by one source; their outputs are ``out_0`` …."""
    lines, count = ["filters", "VIN in 0 DC 0.0 AC 1.0"], 0
    for number, blocks in enumerate(made):
        node = "in"
        for place, block in enumerate(blocks):
            out = f"out_{number}" if place == len(blocks) - 1 else f"between_{number}_{place}"
            refs = {}
            for item in fields(block):
                kind = kind_of(item.name)
                count += kind is not None
                refs[item.name] = f"{'R' if kind == 'resistor' else 'C'}{count}"
            lines += low_pass_lines(f"f{number}_{place}", block, refs, node, out, ground="0")
            node = out
    return "\n".join([*lines, ".end"]) + "\n"


@pytest.mark.parametrize("bought", [False, True], ids=["exact", "E24"])
def test_every_low_pass(bought: bool, tmp_path: Path) -> None:
    """Each order and shape at three cutoffs, within 0.05 dB and 0.5 degrees up to 20 kHz, where above -100 dB.

    The closed form is the sections' for exact parts, that of the bought parts' own poles for bought ones.
    """
    asked = [low_pass_sections(shape, order, hz) for shape in SHAPES for order in ORDERS for hz in CUTOFFS_HZ]
    made: list[tuple[Any, ...]] = [snapped(one) if bought else blocks_for(one) for one in asked]
    f_hz, gains = responses(filter_bank(made), [f"out_{k}" for k in range(len(made))], tmp_path)
    worst = [0.0, 0.0]
    for sections, blocks, gain in zip(asked, made, gains, strict=True):
        poles = tuple(section for block in blocks for section in block.sections()) if bought else sections
        expected = response(poles, f_hz)
        heard = decibels(expected) > -100
        off = gain[heard] / expected[heard]
        worst = [max(worst[0], np.max(np.abs(decibels(off)))), max(worst[1], np.max(np.abs(degrees(off))))]
    print(f"{len(made)} filters: {worst[0]:.2g} dB, {worst[1]:.2g} degrees")
    assert len(made) == 60
    assert worst[0] < 0.05
    assert worst[1] < 0.5


# The audio path


def expected_wet(made: Board, f_hz: Any) -> Any:
    """Closed form of the wet path with what the sound leaves out: the corners of input and device couplings."""
    circuit = made.circuit()
    corners = [made.blocks.input.corner_hz]
    corners += [block.corner_hz() for key, block in made.blocks.by_name.items() if key.startswith("line_") and key != "line_level"]
    couplings = np.prod([1j * f_hz / (1j * f_hz + corner) for corner in corners], axis=0)
    delay = np.exp(-2j * np.pi * f_hz * circuit.line.periods / circuit.clock_hz)
    return circuit.mixer.entry_gain * circuit.wet_response(f_hz, circuit.clock_hz) * couplings * delay


@pytest.mark.parametrize("name", SHIPPED)
@pytest.mark.parametrize("unit", [None, 3])
def test_the_whole_path(name: str, unit: int | None, tmp_path: Path) -> None:
    """Input to wet, of bought parts and of a unit of their spread, within 0.05 dB and 0.5 degrees up to 0.45 of the
    clock.
    """
    made = shipped(name) if unit is None else unit_of(shipped(name), unit, Tolerances())
    f_hz, (wet,) = responses(path_netlist(made), ["wet"], tmp_path)
    below = f_hz < 0.45 * made.circuit().clock_hz
    off = wet[below] / expected_wet(made, f_hz[below])
    print(f"{name} {unit}: {np.max(np.abs(decibels(off))):.2g} dB, {np.max(np.abs(degrees(off))):.2g} degrees")
    assert np.max(np.abs(decibels(off))) < 0.05
    assert np.max(np.abs(degrees(off))) < 0.5


@pytest.mark.parametrize("name", ["harbour-dusk", "net-loft", "storm-bell"])
def test_the_mixer_and_the_repeats(name: str, tmp_path: Path) -> None:
    """With the repeats pot where the voicing has it, out is dry and echo of a loop in closed form, upside down.

    Without the compander, whose loop is not linear.
    """
    made = design_board(library.load(name).changed({"compander.enabled": False, "repeats.feedback": 0.6}))
    circuit, mixer = made.circuit(), made.circuit().mixer
    text = path_netlist(made).replace(".param repeats=0.0", f".param repeats={float(made.controls.repeats)!r}")
    f_hz, (out,) = responses(text, ["out"], tmp_path, "lin 400 100 1500")
    once = expected_wet(made, f_hz)
    buffered = 1j * f_hz / (1j * f_hz + made.blocks.input.corner_hz)
    around = mixer.feedback_gain * once / mixer.entry_gain / buffered
    expected = -mixer.level_gain * (mixer.dry_gain * buffered + mixer.wet_gain * once / (1 - around))
    expected = expected * 1j * f_hz / (1j * f_hz + made.blocks.mixer.output_corner_hz)
    off = np.abs(out - expected) / np.max(np.abs(expected))
    print(f"{name}: {np.max(off):.2g} of the highest, loop gain {circuit.loop_gain(circuit.clock_hz):.2f}")
    assert np.max(off) < 2e-3


@pytest.mark.parametrize("name", ["quay-slap", "slow-tide", "net-loft"])
def test_the_sound_against_ngspice(name: str, tmp_path: Path) -> None:
    """What the kernel makes of a small pulse has the response ngspice gives the parts: within 0.3 dB up to 0.45 of the
    clock, down to -50 dB.
    """
    voicing = library.load(name).changed(
        {"compander.enabled": False, "repeats.feedback": 0.0, "modulation.range": "off", "output.blend": 1.0}
    )
    quiet = Flaws(saturation=0, noise=0, clock_bleed=0)
    made = design_board(replace_flaws(voicing, quiet))
    circuit = made.circuit()
    f_hz, (out,) = responses(path_netlist(made), ["out"], tmp_path)
    heard = (f_hz < 0.45 * circuit.clock_hz) & (decibels(out) > -50)
    gain = kernel_gain(circuit, f_hz[heard])
    off = decibels(gain) - decibels(out[heard])
    print(f"{name}: {np.max(np.abs(off)):.2g} dB up to {f_hz[heard][-1]:.0f} Hz")
    assert heard.sum() > 100
    assert np.max(np.abs(off)) < 0.3


def replace_flaws(voicing: Any, flaws: Flaws) -> Any:
    return voicing.changed({f"flaws.{name}": value for name, value in flaws.model_dump().items()})


PULSES = 40


def kernel_gain(circuit: Any, f_hz: Any) -> Any:
    """Gain of the kernel from pulses that meet the clock at evenly spread moments: what folds falls out of their mean."""
    least = int(RATE_HZ * (circuit.time_s + 0.1))
    candidates = np.arange(least, least + 500)
    spacing = int(candidates[np.argmin(np.abs(candidates * circuit.clock_hz / RATE_HZ % 1 - 7 / PULSES))])
    x = np.zeros(spacing * PULSES)
    x[::spacing] = 0.01
    echo, y = Echo(echo_coefficients(circuit, RATE_HZ), RATE_HZ), np.empty_like(x)
    echo.process(x, y)
    turn = np.exp(-2j * np.pi * np.outer(f_hz, np.arange(spacing)) / RATE_HZ)
    return turn @ y.reshape(PULSES, spacing).mean(axis=0) / 0.01


# The oscillators


@pytest.mark.parametrize("name", SHIPPED)
@pytest.mark.parametrize("position", [None, 0.0, 1.0])
def test_the_clock(name: str, position: float | None, tmp_path: Path) -> None:
    """Oscillator and clock within 2 % of the closed form, at the knob's place and at both ends."""
    made = shipped(name)
    if position is not None:
        made = replace(made, controls=replace(made.controls, time=position))
    found = measured(run_netlist(clock_netlist(made), tmp_path))
    expected_hz = float(made.clock_hz(made.controls.time))
    print(f"{name} {position}: {found['clock_hz'] / expected_hz - 1:+.2%}")
    assert found["clock_hz"] == pytest.approx(expected_hz, rel=0.02)
    assert found["osc_hz"] == pytest.approx(2 * expected_hz, rel=0.02)


def test_the_clock_of_unlike_resistors(tmp_path: Path) -> None:
    """Thresholds that are no thirds move it as the closed form says."""
    made = shipped("quay-slap")
    refs = {part.name: part.ref for part in made.parts if part.block == "clock"}
    made = made.with_values({refs["middle_ohm"]: 12e3, refs["bottom_ohm"]: 9.1e3})
    found = measured(run_netlist(clock_netlist(made), tmp_path))
    assert found["clock_hz"] == pytest.approx(float(made.clock_hz(made.controls.time)), rel=0.02)


@pytest.mark.parametrize("name", SHIPPED)
@pytest.mark.parametrize("position", [None, 0.0, 1.0])
def test_the_lfo(name: str, position: float | None, tmp_path: Path) -> None:
    """Rate and peak within 2 % of the closed form, at the knob's place and at both ends."""
    made = shipped(name)
    if position is not None:
        made = replace(made, controls=replace(made.controls, rate=position))
    found, lfo = measured(run_netlist(lfo_netlist(made), tmp_path)), made.blocks.lfo
    expected_hz = float(lfo.rate_hz(made.lfo_range, made.controls.rate))
    print(f"{name} {position}: {found['lfo_hz'] / expected_hz - 1:+.2%}, peak {found['lfo_peak_v'] / lfo.peak_v - 1:+.2%}")
    assert found["lfo_hz"] == pytest.approx(expected_hz, rel=0.02)
    assert found["lfo_peak_v"] == pytest.approx(lfo.peak_v, rel=0.02)


@pytest.mark.parametrize("name", SHIPPED)
def test_every_netlist_runs_as_it_is(name: str, tmp_path: Path) -> None:
    """In a batch, with its own commands: exit code 0, no error, and the figures it promises."""
    made = shipped(name)
    levels = measured(run_netlist(path_netlist(made), tmp_path))
    expected = decibels(expected_wet(made, np.array([1000.0])))[0]
    assert levels["wet_1000"] == pytest.approx(expected, abs=0.05)
    assert "warning" not in run_netlist(path_netlist(made), tmp_path).lower()
