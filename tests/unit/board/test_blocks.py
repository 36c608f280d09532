"""Blocks around the filters: exact parts, bought parts, arrays of parts, and what is refused."""

from __future__ import annotations

from dataclasses import fields, replace
from typing import Any

import numpy as np
import pytest

from voicer.board.blocks.clock import CONTROL_V, SWING_V, design_clock
from voicer.board.blocks.common import POT_SIZES_OHM, two_values
from voicer.board.blocks.coupling import design_low_cut, design_output_coupling
from voicer.board.blocks.depth import design_depth
from voicer.board.blocks.gain_cells import design_gain_cells
from voicer.board.blocks.input_stage import design_input_buffer
from voicer.board.blocks.lfo import PEAK_V, SATURATION_V, design_lfo
from voicer.board.blocks.line_level import MAKEUP_DB, design_line_level
from voicer.board.blocks.line_stage import design_line_stage
from voicer.board.blocks.mixers import LOUDEST_DB, QUIETEST_DB, design_input_sum, design_output_mixer
from voicer.board.blocks.supply import design_supply
from voicer.board.parts import kind_of, numbered, with_values
from voicer.board.series import values_between
from voicer.circuit.circuit import CLOCK_LIMIT_HZ, RAIL_V
from voicer.circuit.devices import DEVICE_CLASSES
from voicer.circuit.limiter import MOST_FEEDBACK
from voicer.errors import CircuitError
from voicer.voicing import CLOCK_HIGHEST_HZ, CLOCK_LOWEST_HZ, RATE_SPAN_HZ

EXACT = 1e-9
RANGES: tuple[Any, ...] = ("slow", "fast")
PAIRS: tuple[tuple[Any, Any], ...] = (("E24", "E12"), ("E96", "E12"), ("E12", "E12"))
SERIES = pytest.mark.parametrize(("resistors", "capacitors"), PAIRS)

CLOCKS = [
    (fastest / span, fastest)
    for fastest in np.geomspace(6e3, CLOCK_HIGHEST_HZ, 15)
    for span in np.geomspace(1.45, 60, 17)
    if fastest / span >= CLOCK_LOWEST_HZ
]
"""Slowest and fastest clocks of time controls from half an octave to six octaves wide."""

BLOCKS: dict[str, Any] = {
    "input": design_input_buffer(),
    "low_cut": design_low_cut(70),
    "output": design_output_coupling(),
    "cells": design_gain_cells(0.012),
    "line": design_line_stage(4096),
    "line_level": design_line_level(),
    "clock": design_clock(6e3, 60e3),
    "lfo": design_lfo(),
    "depth": design_depth(),
    "sum": design_input_sum(1.1),
    "mixer": design_output_mixer(),
    "supply": design_supply(),
}


def wrong(made: Any, asked: float) -> float:
    """Largest relative error."""
    return float(np.max(np.abs(np.asarray(made) / asked - 1)))


def decibels(gain: Any) -> float:
    return float(20 * np.log10(gain))


# Exact parts


def test_the_input_buffer_makes_its_impedance_and_corner() -> None:
    """Load and corner as asked."""
    block = design_input_buffer(1.2e6, 0.8)
    assert wrong(block.impedance_ohm, 1.2e6) < EXACT
    assert wrong(block.corner_hz, 0.8) < EXACT


@pytest.mark.parametrize("cutoff_hz", np.geomspace(10, 500, 7))
@pytest.mark.parametrize("load_ohm", [10e3, 47e3, 220e3])
def test_the_low_cut_makes_its_cutoff(cutoff_hz: float, load_ohm: float) -> None:
    """Cutoff as asked, and half the power is gone there."""
    block = design_low_cut(cutoff_hz, load_ohm)
    assert wrong(block.cutoff_hz, cutoff_hz) < EXACT
    assert wrong(np.abs(block.response(np.array([cutoff_hz]))) ** 2, 0.5) < EXACT


def test_the_output_coupling_makes_its_cutoff() -> None:
    """100 nF into 220 kohm."""
    assert design_output_coupling().cutoff_hz == pytest.approx(7.234, abs=5e-4)


@pytest.mark.parametrize("time_s", [1e-3, 12e-3, 100e-3])
def test_both_gain_cells_make_the_time_constant(time_s: float) -> None:
    """Both halves as asked, so nothing mistracks."""
    block = design_gain_cells(time_s)
    assert wrong([block.send_s, block.return_s], time_s) < EXACT
    assert abs(block.return_s / block.send_s - 1) < EXACT


@pytest.mark.parametrize(("slowest_hz", "fastest_hz"), CLOCKS[::7])
def test_the_clock_spans_what_was_asked(slowest_hz: float, fastest_hz: float) -> None:
    """Both ends as asked, the clock half of the oscillator, the pot of a standard size."""
    clock = design_clock(slowest_hz, fastest_hz)
    assert wrong(clock.slowest_hz, slowest_hz) < EXACT
    assert wrong(clock.fastest_hz, fastest_hz) < EXACT
    assert wrong(clock.span, fastest_hz / slowest_hz) < EXACT
    assert wrong(clock.oscillator_hz(0.3), 2 * clock.clock_hz(0.3)) < EXACT
    assert clock.time_pot_ohm in POT_SIZES_OHM


def test_the_oscillator_charges_and_discharges_within_its_period() -> None:
    """Followed in small steps of time, the current takes the capacitor up and down the swing in one period."""
    clock = design_clock(6e3, 60e3)
    current_a, farad, step_s = float(clock.current_a(0.4)), clock.whole_farad, 1e-10
    volt, direction, turns, time_s = 0.0, 1.0, 0, 0.0
    while turns < 2:
        volt += direction * current_a / farad * step_s
        time_s += step_s
        if not 0 < volt < SWING_V:
            direction, turns = -direction, turns + 1
    assert wrong(1 / time_s, float(clock.oscillator_hz(0.4))) < 1e-4


@pytest.mark.parametrize("position", [0.0, 0.25, 0.9, 1.0])
def test_each_control_is_found_again(position: float) -> None:
    """The position for what a position makes is that position, on every pot and trim."""
    clock, lfo, depth = BLOCKS["clock"], BLOCKS["lfo"], BLOCKS["depth"]
    repeats, mixer, level = BLOCKS["sum"], BLOCKS["mixer"], BLOCKS["line_level"]
    found = [
        clock.position_for(clock.clock_hz(position)),
        *(lfo.position_for(mode, lfo.rate_hz(mode, position)) for mode in RANGES),
        depth.position_for(depth.deviation(position)),
        repeats.position_for(repeats.return_gain(position)),
        mixer.position_for(mixer.level_gain(position)),
        level.level_position_for(level.level_gain(position)),
    ]
    assert found == pytest.approx([position] * len(found), abs=1e-9)


def test_a_control_goes_no_farther_than_its_ends() -> None:
    """Beyond the span a position is the nearer end."""
    clock, lfo = BLOCKS["clock"], BLOCKS["lfo"]
    assert [float(clock.position_for(hz)) for hz in (1e3, 1e6)] == [1.0, 0.0]
    assert [float(lfo.position_for("fast", hz)) for hz in (0.1, 100)] == [0.0, 1.0]


def test_the_time_in_the_line_is_linear_in_the_time_control() -> None:
    """Half way of the pot is half way between the shortest and the longest period."""
    clock = BLOCKS["clock"]
    assert wrong(1 / clock.clock_hz(0.5), (1 / clock.fastest_hz + 1 / clock.slowest_hz) / 2) < EXACT


@pytest.mark.parametrize("mode", RANGES)
def test_the_lfo_spans_the_rates_of_both_ranges(mode: Any) -> None:
    """Both ends of both ranges as the vocabulary has them, with one pot, and the peak as asked."""
    lfo, (slowest_hz, fastest_hz) = design_lfo(), RATE_SPAN_HZ[mode]
    assert wrong(lfo.rate_hz(mode, 0.0), slowest_hz) < EXACT
    assert wrong(lfo.rate_hz(mode, 1.0), fastest_hz) < EXACT
    assert wrong(lfo.peak_v, PEAK_V) < EXACT


def test_the_lfo_moves_the_clock_alike_at_every_time() -> None:
    """Full depth is 20 % of the clock at both ends of the time control."""
    clock, deepest = BLOCKS["clock"], design_depth().deviation(1.0)
    assert wrong(deepest, 0.2) < EXACT
    for position in (0.0, 1.0):
        assert wrong(clock.clock_hz(position, deepest), 1.2 * clock.clock_hz(position)) < EXACT


@pytest.mark.parametrize("edge_gain", [0.3, 1.0, 2.5])
def test_the_edge_lies_at_two_thirds_of_the_repeats_pot(edge_gain: float) -> None:
    """There the return gain is the edge's; the dry sound enters at a gain of one."""
    block = design_input_sum(edge_gain)
    assert wrong(block.return_gain(1 / MOST_FEEDBACK), edge_gain) < EXACT
    assert block.dry_gain == 1


def test_the_output_mixer_spans_its_levels_and_keeps_the_dry_sound_up_to_the_middle() -> None:
    """-40 to 12 dB; at unity level the gains are 2 (1 - b) and 2 b, at most 1 (board of two half-dead tracks)."""
    mixer = design_output_mixer()
    assert decibels(mixer.level_gain(0.0)) == pytest.approx(QUIETEST_DB, abs=EXACT)
    assert decibels(mixer.level_gain(1.0)) == pytest.approx(LOUDEST_DB, abs=EXACT)
    unity = mixer.position_for(1.0)
    for blend in (0.0, 0.4, 1.0):
        gains = mixer.dry_gain(blend, unity), mixer.wet_gain(blend, unity)
        assert gains == pytest.approx((min(1, 2 * (1 - blend)), min(1, 2 * blend)), abs=EXACT)


def test_the_line_stage_spans_its_trims() -> None:
    """Bias 4.35 V and one volt to each side, level -3 to 6 dB, balance 10 %, coupling below 2 Hz."""
    level = design_line_level()
    stage = design_line_stage(1024, 2, 3)
    assert [stage.bias_v(p) for p in (0.0, 0.5, 1.0)] == pytest.approx([3.35, 4.35, 5.35], abs=EXACT)
    assert [decibels(level.level_gain(p)) for p in (0.0, 1.0)] == pytest.approx(list(MAKEUP_DB), abs=EXACT)
    (first_low, second_low), (first_high, second_high) = stage.phase_weights(0.0), stage.phase_weights(1.0)
    reach = (second_low / first_low - 1, second_high / first_high - 1)
    assert reach == pytest.approx((1 / 1.1 - 1, 0.1), abs=EXACT)
    assert wrong(stage.corner_hz(), 1.6) < EXACT
    assert stage.note == "device 2 of 3, 1024 stages"


@pytest.mark.parametrize("stages", sorted(DEVICE_CLASSES))
def test_the_level_trim_makes_up_what_a_device_loses(stages: int) -> None:
    """Insertion gain at both rated clocks, leakage at the slow one counted in, lies within the trim's span."""
    device, (low_db, high_db) = DEVICE_CLASSES[stages], MAKEUP_DB
    for clock_hz in (device.rated_clock_low_hz, device.rated_clock_high_hz):
        leaked = np.exp(-stages / 2 / clock_hz / device.leakage_time_s)
        assert low_db < -decibels(device.insertion_gain_at(np.array(clock_hz)) * leaked) < high_db


def test_the_supply_gives_the_rails_of_the_model() -> None:
    """9 V less the diode, halved, less what an amplifier leaves: 4 V to each side, where the sound clips."""
    supply = design_supply(1.2, 50.0)
    assert supply.bias_v == pytest.approx(4.35, abs=EXACT)
    assert supply.headroom_v == pytest.approx(RAIL_V, abs=EXACT)
    assert pytest.approx(RAIL_V, abs=EXACT) == SATURATION_V
    assert wrong(supply.bias_corner_hz, 1.2) < EXACT
    assert wrong(supply.filter_corner_hz, 50.0) < EXACT


# Bought parts


@SERIES
@pytest.mark.parametrize("name", BLOCKS)
def test_a_snapped_block_is_made_of_values_that_can_be_bought(name: str, resistors: Any, capacitors: Any) -> None:
    """Each resistor and capacitor is in its series, each pot a standard size."""
    block = BLOCKS[name].snapped(resistors, capacitors)
    for item in fields(block):
        kind, value = kind_of(item.name), getattr(block, item.name)
        if kind == "pot":
            assert value in POT_SIZES_OHM, item.name
        elif kind is not None:
            assert value in values_between(resistors if kind == "resistor" else capacitors, value, value), item.name


@SERIES
def test_both_ends_of_a_snapped_clock_are_near(resistors: Any, capacitors: Any) -> None:
    """Within 2 %, for time controls of half an octave to six octaves up to the highest clock."""
    worst = 0.0
    for slowest_hz, fastest_hz in CLOCKS:
        clock = design_clock(slowest_hz, fastest_hz).snapped(resistors, capacitors)
        worst = max(worst, wrong(clock.slowest_hz, slowest_hz), wrong(clock.fastest_hz, fastest_hz))
    assert 0 < worst < 0.02


@SERIES
def test_the_ends_of_the_snapped_lfo_are_near(resistors: Any, capacitors: Any) -> None:
    """All four within 5 %."""
    lfo = design_lfo().snapped(resistors, capacitors)
    for mode in RANGES:
        for made, asked in zip(lfo.span_hz(mode), RATE_SPAN_HZ[mode], strict=True):
            assert wrong(made, asked) < 0.05


@SERIES
def test_snapped_time_constants_are_near_and_alike(resistors: Any, capacitors: Any) -> None:
    """Within 10 % from 1 to 100 ms, and the two halves get the same values."""
    for time_s in np.geomspace(1e-3, 100e-3, 97):
        cells = design_gain_cells(time_s).snapped(resistors, capacitors)
        assert wrong([cells.send_s, cells.return_s], time_s) < 0.10
        assert cells.return_s == cells.send_s


@pytest.mark.parametrize("resistors", ["E24", "E96"])
def test_the_snapped_low_cut_is_near(resistors: Any) -> None:
    """Within 3 % from 10 to 500 Hz with E12 capacitors."""
    for cutoff_hz in np.geomspace(10, 500, 97):
        assert wrong(design_low_cut(cutoff_hz).snapped(resistors, "E12").cutoff_hz, cutoff_hz) < 0.03


@SERIES
def test_the_other_snapped_blocks_are_near(resistors: Any, capacitors: Any) -> None:
    """Load within 10 % and its corner below 2 Hz, depth and edge within 3 % (with E12 resistors, whose ratios are
    coarser, 10 %), levels within 0.5 dB, bias ends within 0.1 V, corners of the supply within 15 %.
    """
    ratio = 0.10 if resistors == "E12" else 0.03
    snapped = {name: block.snapped(resistors, capacitors) for name, block in BLOCKS.items()}
    assert wrong(snapped["input"].impedance_ohm, 1e6) < 0.10
    assert snapped["input"].corner_hz < 2
    assert wrong(snapped["depth"].deviation(1.0), 0.2) < ratio
    assert wrong(snapped["sum"].return_gain(1 / MOST_FEEDBACK), 1.1) < ratio
    assert snapped["sum"].dry_gain == 1
    levels = [snapped["mixer"].level_gain(0.0), snapped["mixer"].level_gain(1.0)]
    assert [decibels(gain) for gain in levels] == pytest.approx([QUIETEST_DB, LOUDEST_DB], abs=0.5)
    assert [snapped["line"].bias_v(p) for p in (0.0, 1.0)] == pytest.approx([3.35, 5.35], abs=0.1)
    assert [decibels(snapped["line_level"].level_gain(p)) for p in (0.0, 1.0)] == pytest.approx(list(MAKEUP_DB), abs=0.5)
    assert wrong(snapped["supply"].bias_corner_hz, 1.5) < 0.15
    assert snapped["supply"].headroom_v == pytest.approx(RAIL_V, abs=EXACT)


def test_a_padder_finds_what_one_value_misses() -> None:
    """Two E12 capacitors are within 2 % of any total; one is up to 11 % away (IEC 60063, between 12 and 15)."""
    for total in np.geomspace(1e-9, 10e-9, 61):
        assert wrong(sum(two_values("E12", total, 10e-12)), total) < 0.02


# Arrays of parts


@pytest.mark.parametrize("name", BLOCKS)
def test_a_spread_of_parts_is_one_call(name: str) -> None:
    """With arrays in every field each unit makes what a block of its own numbers makes."""
    makes: dict[str, Any] = {
        "input": lambda b: b.corner_hz, "low_cut": lambda b: b.cutoff_hz, "output": lambda b: b.cutoff_hz,
        "cells": lambda b: b.return_s / b.send_s, "line": lambda b: b.bias_v(0.4) * b.corner_hz(), "line_level": lambda b: b.level_gain(0.2),
        "clock": lambda b: b.position_for(b.clock_hz(0.3)) + b.span, "lfo": lambda b: b.rate_hz("fast", 0.2),
        "depth": lambda b: b.deviation(0.5), "sum": lambda b: b.return_gain(0.6),
        "mixer": lambda b: b.wet_gain(0.4, 0.5), "supply": lambda b: b.headroom_v + b.bias_corner_hz,
    }  # fmt: skip
    spread, units = np.random.default_rng(7), 50
    parts = numbered({name: BLOCKS[name]})
    values = {part.ref: part.value * spread.uniform(0.9, 1.1, units) for part in parts}
    together = makes[name](with_values({name: BLOCKS[name]}, values)[name])
    assert together.shape == (units,)
    alone = [
        makes[name](with_values({name: BLOCKS[name]}, {ref: float(v[k]) for ref, v in values.items()})[name])
        for k in range(units)
    ]
    assert together == pytest.approx(np.array(alone), rel=1e-12)


def test_every_part_says_what_it_is_for() -> None:
    """No field that is a part lacks its note."""
    parts = numbered(BLOCKS)
    assert [part.ref for part in parts if not part.note] == []
    assert {part.kind for part in parts} == {"resistor", "pot", "capacitor"}


def test_the_clock_is_proportional_to_its_control_current() -> None:
    """A third of the supply across stop and pot, and it halves where the resistance doubles."""
    clock = BLOCKS["clock"]
    assert wrong(clock.current_a(0.0), CONTROL_V / clock.whole_stop_ohm) < EXACT
    doubled = replace(clock, stop_ohm=2 * clock.stop_ohm, stop_padder_ohm=2 * clock.stop_padder_ohm)
    assert wrong(doubled.fastest_hz, clock.fastest_hz / 2) < EXACT


# What is refused

REFUSED: list[tuple[Any, str]] = [
    (lambda: design_input_buffer(1e5), "the input impedance must be in 0.47..4.7 Mohm (got 0.1); use 1 Mohm: less loads a pickup, more hums"),
    (lambda: design_input_buffer(1e6, 5), "the corner of the input coupling must be in 0.2..2 Hz (got 5); leave higher frequencies to the low cut behind the input sum"),
    (lambda: design_low_cut(0.5), "the cutoff of a coupling must be in 1..1000 Hz (got 0.5); choose a low cut inside that span"),
    (lambda: design_low_cut(float("nan")), "the cutoff of a coupling must be in 1..1000 Hz (got nan); choose a low cut inside that span"),
    (lambda: design_low_cut(70, 1e6), "the load of a coupling must be in 10..470 kohm (got 1000); use 47 kohm, or 220 kohm at the output"),
    (lambda: design_gain_cells(0.2), "the compander's time constant must be in 1..100 ms (got 200); lengthen it if low notes distort, shorten it if the noise breathes"),
    (lambda: design_clock(6e4, 6e3), "the slowest clock must be above 0 and below the fastest (got 6e+04 and 6000 Hz); widen the span of the time control"),
    (lambda: design_clock(19e4, 2e5), "the fastest clock of 200 kHz must be 1.376 to 1001 times the slowest (got 1.0526 times); widen the span of the time control, or use fewer stages"),
    (lambda: design_lfo((0.01, 3.0)), "fastest over slowest rate of the slow range must be in 1.5..200 (got 300); narrow or widen the span"),
    (lambda: design_lfo((1.0, 3.0)), "the fast range must span a smaller ratio than the slow one (got 6 and 3 to one); raise the slowest rate of the fast range"),
    (lambda: design_lfo(peak_v=5), "the peak of the LFO must be in 0.2..3.6 V (got 5); use 2 V"),
    (lambda: design_lfo().rate_hz("off", 0.5), "the LFO's range must be slow or fast (got 'off'); choose one of them"),  # type: ignore[arg-type]
    (lambda: design_depth(0.8), "the greatest deviation of the clock must be in 1..50 % (got 80); use 20 %: it serves every voicing"),
    (lambda: design_input_sum(0.01), "the return gain at the edge of self-oscillation must be in 0.05..20 (got 0.01); bring the wet path's own gain, its inverse, nearer to 1"),
    (lambda: design_output_mixer(0, 3), "the highest level must be 6 dB above the lowest or more (got 0 and 3 dB); widen the span of the level control"),
    (lambda: design_output_mixer(-80), "the lowest level must be in -60..14 dB (got -80); use -40 dB"),
    (lambda: design_line_stage(512, bias_v=8.5), "the middle of the bias trim must be in 1.435..7.265 V (got 8.5); use half of the 8.7 V supply"),
    (lambda: design_line_level(makeup_db=(3, 3)), "the level trim must rise by 1 dB or more within -20..20 dB (got 3 and 3 dB); use -3 and 6 dB"),
    (lambda: design_supply(20), "the corner of the bias node must be in 0.1..5 Hz (got 20); use 1.5 Hz: higher lets hum in"),
]  # fmt: skip


@pytest.mark.parametrize(("call", "line"), REFUSED, ids=[line[:40] for _, line in REFUSED])
def test_what_cannot_be_built_is_told_in_one_line(call: Any, line: str) -> None:
    """What, rule, value and remedy."""
    with pytest.raises(CircuitError) as caught:
        call()
    assert str(caught.value) == line


def test_the_narrowest_span_named_is_one_that_can_be_built() -> None:
    """The span a refusal names is built, at the highest clock as well as a low one."""
    for fastest_hz in (8e3, CLOCK_LIMIT_HZ):
        with pytest.raises(CircuitError) as caught:
            design_clock(fastest_hz / 1.0001, fastest_hz)
        span = float(str(caught.value).split("must be ")[1].split(" to")[0])
        clock = design_clock(fastest_hz / (1.001 * span), fastest_hz)
        assert wrong(clock.span, 1.001 * span) < EXACT
