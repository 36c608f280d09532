"""The drawn wires: read back from the picture, they do what the block's equations say."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from tests.unit.sheet.drawn import Network, dots, ends, inside, labels, wires
from voicer.board.blocks.supply import LINE_V
from voicer.board.board import Board, design_board
from voicer.circuit.mixing import dry_share, echo_share
from voicer.sheet.schematics import draw_block_diagram, draw_schematic
from voicer.voicing import Filters, Line, LowPass, Voicing

F_HZ = (30.0, 700.0, 2500.0, 9000.0)
CLOSE = {"rel": 3e-3}
"""Labels carry four digits: a Sallen-Key's response may then be off by some tenths of a percent."""


@pytest.fixture(scope="module")
def made() -> Board:
    """Two devices, a third-order filter alone and one with a second-order block behind it, exact values."""
    filters = Filters(anti_alias=LowPass(order=3), reconstruction=LowPass(order=5))
    return design_board(Voicing(name="Ferry bell", line=Line(devices=2), filters=filters), "exact")


def ref(made: Board, key: str, name: str) -> str:
    return next(part.ref for part in made.parts if (part.block, part.name) == (key, name))


def read(made: Board, key: str, **how: Any) -> Network:
    return Network(draw_schematic(made, key), **how)


def test_every_end_is_joined_to_something(made: Board) -> None:
    """No lead hangs in the air but those of arrows to and from other blocks, rails and boxes."""
    for key in made.blocks.by_name:
        drawing = draw_schematic(made, key)
        everywhere, lines, joints = ends(drawing), wires(drawing), dots(drawing, hollow=True)
        parts_ends = [at for label in labels(drawing) for at in Network(drawing).of(label[0], label[1])]
        assert parts_ends
        for element in drawing.elements:
            if type(element).__name__ in ("ResistorIEC", "PotentiometerIEC", "Capacitor", "Opamp", "Ground", "Vdd"):
                for at in ends(type("One", (), {"elements": [element]})()):
                    met = everywhere.count(at) > 1 or any(inside(at, line) for line in lines) or at in joints
                    assert met or _on_a_box(drawing, at), f"{key}: {type(element).__name__} at {at}"


def _on_a_box(drawing: Any, at: tuple[float, float]) -> bool:
    boxes = [e.get_bbox(transform=True) for e in drawing.elements if type(e).__name__ == "Rect"]
    return any(b.xmin - 1e-6 <= at[0] <= b.xmax + 1e-6 and b.ymin - 1e-6 <= at[1] <= b.ymax + 1e-6 for b in boxes)


def test_a_joint_of_three_wires_has_its_dot(made: Board) -> None:
    """Where three leads meet there is a dot, and a dot only there."""
    for key, drawing in [*((key, draw_schematic(made, key)) for key in made.blocks.by_name), ("boxes", draw_block_diagram(made))]:
        everywhere, lines = ends(drawing), wires(drawing)
        met = {at: everywhere.count(at) + 2 * sum(inside(at, line) for line in lines) for at in everywhere}
        filled = dots(drawing, hollow=False)
        assert sorted(at for at, count in met.items() if count > 2) == sorted(set(filled)), key
        assert len(filled) == len(set(filled)), key


def test_no_wire_lies_on_another(made: Board) -> None:
    """Wires cross at right angles or meet at their ends; none runs along another."""
    for drawing in [*(draw_schematic(made, key) for key in made.blocks.by_name), draw_block_diagram(made)]:
        lines = wires(drawing)
        for line in lines:
            middle = ((line[0][0] + line[1][0]) / 2, (line[0][1] + line[1][1]) / 2)
            for other in lines:
                if other is not line:
                    assert not inside(middle, other) or _crosses(line, other)
        assert all(line[0][0] == line[1][0] or line[0][1] == line[1][1] for line in lines)


def _crosses(line: Any, other: Any) -> bool:
    return (line[0][0] == line[1][0]) != (other[0][0] == other[1][0])


@pytest.mark.parametrize("key", ["anti_alias_1", "reconstruction_1", "reconstruction_2"])
def test_a_low_pass_has_its_blocks_polynomial(made: Board, key: str) -> None:
    """The drawn network's response is one over the block's denominator."""
    network, block = read(made, key), made.blocks.by_name[key]
    (out,) = {amplifier[2] for amplifier in network.amplifiers()}
    for f_hz in F_HZ:
        s = 2j * np.pi * f_hz
        wanted = 1 / (1 + sum(k * s ** (n + 1) for n, k in enumerate(block.denominator())))
        got = network.solve({(0.0, 0.0): 1.0}, f_hz)[out]
        assert abs(got) == pytest.approx(abs(wanted), **CLOSE)
        assert np.angle(got / wanted) == pytest.approx(0, abs=5e-3)


@pytest.mark.parametrize("key", ["low_cut", "output_coupling", "input"])
def test_a_coupling_has_its_corner(made: Board, key: str) -> None:
    """Half the power at the block's corner, all of it far above."""
    network, block = read(made, key), made.blocks.by_name[key]
    ((_, _, out),) = network.amplifiers()
    corner_hz = block.corner_hz if key == "input" else block.cutoff_hz
    assert abs(network.solve({(0.0, 0.0): 1.0}, corner_hz)[out]) ** 2 == pytest.approx(0.5, **CLOSE)
    assert abs(network.solve({(0.0, 0.0): 1.0}, 1e6)[out]) == pytest.approx(1, **CLOSE)


@pytest.mark.parametrize("position", [0.2, 0.7])
def test_the_input_sum_inverts_both_inputs(made: Board, position: float) -> None:
    """Dry by its gain, repeats by theirs at a position of the pot; the start of the track is its loud end."""
    network, block = read(made, "sum"), made.blocks.sum
    pot, dry = ref(made, "sum", "repeats_pot_ohm"), network.of(ref(made, "sum", "dry_in_ohm"))[0]
    back, out = network.of(pot)[0], network.of(ref(made, "sum", "feedback_ohm"))[1]
    got = network.solve({dry: 1.0, back: 0.0}, tracks={pot: 1 - position})[out]
    assert got.real == pytest.approx(-block.dry_gain, **CLOSE)
    got = network.solve({dry: 0.0, back: 1.0}, tracks={pot: 1 - position})[out]
    assert got.real == pytest.approx(-block.return_gain(position), **CLOSE)


@pytest.mark.parametrize("position", [0.0, 0.6])
def test_the_make_up_amplifier_has_its_gain(made: Board, position: float) -> None:
    """Inverting, with stop and trim in the feedback."""
    network, block = read(made, "line_level"), made.blocks.line_level
    pot = ref(made, "line_level", "level_trim_pot_ohm")
    got = network.solve({(0.0, 0.0): 1.0}, tracks={pot: position})[network.of(pot)[1]]
    assert got.real == pytest.approx(-block.level_gain(position), **CLOSE)


@pytest.mark.parametrize(("blend", "level"), [(0.3, 0.1), (0.8, 0.9)])
def test_the_mixer_mixes(made: Board, blend: float, level: float) -> None:
    """Track a is the dry sound's and falls with the blend, track b the echo's and rises."""
    network, block = read(made, "mixer"), made.blocks.mixer
    pot, knob = ref(made, "mixer", "blend_pot_ohm"), ref(made, "mixer", "level_pot_ohm")
    dry, wet, out = network.of(pot, "a")[0], network.of(pot, "b")[0], network.of(knob)[1]
    tracks = {f"{pot} a": 1 - dry_share(blend), f"{pot} b": 1 - echo_share(blend), knob: level}
    got = [network.solve({dry: d, wet: w}, tracks=tracks)[out].real for d, w in ((1.0, 0.0), (0.0, 1.0))]
    assert got == pytest.approx([-block.dry_gain(blend, level), -block.wet_gain(blend, level)], **CLOSE)


@pytest.mark.parametrize("position", [0.0, 0.4, 1.0])
def test_a_device_is_biased_and_balanced(made: Board, position: float) -> None:
    """The trims give the bias and the weights of the two phases that the block tells."""
    network, block = read(made, "line_2"), made.blocks.by_name["line_2"]
    pot, balance = ref(made, "line_2", "bias_trim_pot_ohm"), ref(made, "line_2", "balance_trim_pot_ohm")
    rail = network.of(ref(made, "line_2", "bias_top_ohm"))[0]
    pin = network.of(ref(made, "line_2", "input_farad"))[1]
    phases = [network.of(ref(made, "line_2", f"phase_{name}_ohm"))[0] for name in "ab"]
    still = {rail: LINE_V, (0.0, 0.0): 0.0} | dict.fromkeys(phases, 0.0)
    got = network.solve(still, tracks={pot: 1 - position})[pin]
    assert got.real == pytest.approx(block.bias_v(position), **CLOSE)
    ((_, _, out),) = network.amplifiers()
    weights = [
        network.solve(still | {phases[0]: a, phases[1]: b}, tracks={balance: position})[out].real
        for a, b in ((1.0, 0.0), (0.0, 1.0))
    ]
    assert weights == pytest.approx(block.phase_weights(position), **CLOSE)


@pytest.mark.parametrize("position", [0.0, 0.5, 1.0])
def test_the_clocks_current_flows_through_stop_and_pot(made: Board, position: float) -> None:
    """Stop, padder and pot in series; both capacitors from the same node to ground."""
    network, block = read(made, "clock"), made.blocks.clock
    pot, stop = ref(made, "clock", "time_pot_ohm"), ref(made, "clock", "stop_ohm")
    (start, behind), end = network.of(stop), network.of(pot)[1]
    volts = network.solve({start: 1.0, end: 0.0}, tracks={pot: position})
    whole_ohm = block.stop_ohm / (volts[start] - volts[behind]).real
    assert whole_ohm == pytest.approx(block.whole_stop_ohm + position * block.time_pot_ohm, **CLOSE)
    nodes = {network.of(ref(made, "clock", name)) for name in ("timing_farad", "padder_farad")}
    assert len({node for node, _ in nodes}) == 1
    assert {ground for _, ground in nodes} <= network.grounds()


@pytest.mark.parametrize(("lfo_range", "position"), [("slow", 0.0), ("slow", 1.0), ("fast", 0.0), ("fast", 0.6)])
def test_the_lfo_runs_at_its_rate(made: Board, lfo_range: Any, position: float) -> None:
    """Slope of the integrator for the divided square wave, and thresholds of the trigger, make rate and peak."""
    network, block = read(made, "lfo", fast=lfo_range == "fast"), made.blocks.lfo
    pot, into = ref(made, "lfo", "rate_pot_ohm"), ref(made, "lfo", "schmitt_in_ohm")
    feedback = ref(made, "lfo", "schmitt_feedback_ohm")
    square, (triangle, trigger) = network.of(pot)[0], network.of(into)
    assert square == network.of(feedback)[1]
    f_hz = 1.0
    gain = network.solve({square: 1.0}, f_hz, {pot: 1 - position})[triangle]
    slope_per_v = abs(gain) * 2 * np.pi * f_hz
    volts = [network.solve({square: s, triangle: t})[trigger].real for s, t in ((1.0, 0.0), (0.0, 1.0))]
    peak_per_v = volts[0] / volts[1]  # the trigger turns where both together make nothing
    assert slope_per_v / (4 * peak_per_v) == pytest.approx(block.rate_hz(lfo_range, position), **CLOSE)
    assert np.angle(gain) == pytest.approx(np.pi / 2, abs=1e-2)  # it inverts, so the ring oscillates
    minus, plus, _ = next(a for a in network.amplifiers() if a[2] == square)
    assert plus == trigger
    assert minus in network.grounds()


@pytest.mark.parametrize("position", [0.25, 1.0])
def test_the_depth_pot_scales_the_lfo(made: Board, position: float) -> None:
    """Into the control voltage by pot and resistors; the reference stands still for the LFO."""
    network, block = read(made, "depth"), made.blocks.depth
    pot, out = ref(made, "depth", "depth_pot_ohm"), network.of(ref(made, "depth", "feedback_ohm"))[1]
    reference = next(plus for _, plus, output in network.amplifiers() if output == out)
    got = network.solve({network.of(pot)[0]: 1.0, reference: 0.0}, tracks={pot: 1 - position})[out]
    assert got.real == pytest.approx(-position * block.feedback_ohm / block.inject_ohm, **CLOSE)


def test_the_supply_halves_and_filters(made: Board) -> None:
    """The bias node from the rail behind the diode, with its corner; the clock's branch with its own."""
    network, block = read(made, "supply"), made.blocks.supply
    rail = network.of(ref(made, "supply", "reservoir_farad"))[0]
    assert rail == network.of(ref(made, "supply", "bias_top_ohm"))[0]
    ((_, _, out),) = network.amplifiers()
    branch = network.of(ref(made, "supply", "decoupling_farad"))[0]
    still = network.solve({rail: LINE_V, (0.0, 0.0): 9.0})
    assert still[out].real == pytest.approx(block.bias_v, **CLOSE)
    for node, corner_hz, full in ((out, block.bias_corner_hz, 0.5), (branch, block.filter_corner_hz, 1.0)):
        ripple = network.solve({rail: 1.0, (0.0, 0.0): 0.0}, corner_hz)[node]
        assert abs(ripple) ** 2 == pytest.approx(full**2 / 2, **CLOSE)


def test_each_gain_cell_averages_with_both_its_capacitors(made: Board) -> None:
    """Capacitor and padder of a half stand side by side, to ground, and the halves apart."""
    network = read(made, "compander")
    halves = []
    for half in ("send", "return"):
        found = {network.of(ref(made, "compander", f"{half}_{name}_farad")) for name in ("averaging", "padder")}
        ((node, *rest),) = {(node,) for node, _ in found}
        assert {ground for _, ground in found} <= network.grounds()
        assert not rest
        halves.append(node)
    assert halves[0] != halves[1]
