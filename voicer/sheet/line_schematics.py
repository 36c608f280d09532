"""Schematics of the line: device with its trims, make-up amplifier, and the mixer behind it."""

from __future__ import annotations

from schemdraw import Drawing

from voicer.board.board import Board
from voicer.sheet.pen import Pen, Place
from voicer.sheet.route import after, before, loop_tap

_LEFT, _RIGHT, _TOP, _BOTTOM = 4.7, 8.2, 0.9, -5.3
"""Sides of the box that is the device."""

_PHASE_B = -2.4
"""Height of the second output; the first is at 0."""


def line_stage(board: Board, key: str) -> Drawing:
    """Coupling and bias into the device; both output phases to the ends of the balance trim, a follower behind it."""
    pen = Pen(board, key)
    start = pen.come((0, 0), f"from\n{before(board, key)}", 1.6)
    node = pen.capacitor("input_farad", start, (4.1, 0), "below")
    pen.wire(node, (_LEFT, 0))
    pen.dot(node)
    _bias(pen, node)
    _device(pen, board, key)
    pen.resistor("phase_a_ohm", (_RIGHT, 0), (10.7, 0))
    pen.resistor("phase_b_ohm", (_RIGHT, _PHASE_B), (10.7, _PHASE_B), "below")
    wiper = pen.pot("balance_trim_pot_ohm", (10.7, 0), (10.7, _PHASE_B), "balance")
    out = pen.follower(pen.wire(wiper, (12.0, wiper[1])))
    pen.go(out, f"to\n{after(board, key)}", 1.8)
    return pen.drawing


def _bias(pen: Pen, node: Place) -> None:
    """The bias divider at the left, its wiper through the feed to the device's input."""
    x = 1.4
    pen.rail((x, -1.8))
    pen.resistor("bias_top_ohm", (x, -1.8), (x, -3.6))
    wiper = pen.pot("bias_trim_pot_ohm", (x, -3.6), (x, -5.4), "bias")
    pen.ground(pen.resistor("bias_bottom_ohm", (x, -5.4), (x, -7.2)))
    end = pen.resistor("feed_ohm", wiper, (node[0], wiper[1]), "below")
    pen.wire(end, node)


def _device(pen: Pen, board: Board, key: str) -> None:
    """The bucket-brigade device as a box with its pins."""
    device = board.blocks.line[int(key.removeprefix("line_")) - 1]
    pen.box((_LEFT, _BOTTOM), _RIGHT - _LEFT, _TOP - _BOTTOM)
    pen.words((_LEFT + 0.15, 0), "in", "left")
    pen.words((_RIGHT - 0.15, 0), "out A", "right")
    pen.words((_RIGHT - 0.15, _PHASE_B), "out B", "right")
    which = f"{pen.other('line')}\n{device.stages} stages\n{device.device} of {device.devices}"
    pen.words(((_LEFT + _RIGHT) / 2, _PHASE_B / 2), which)
    pen.words((_RIGHT - 0.15, -4.0), "bias", "right")
    pen.wire((_RIGHT, -4.0), (_RIGHT + 0.5, -4.0))
    pen.words((_RIGHT + 0.65, -4.0), "as its data\nsheet asks", "left")
    pen.rail((_LEFT + 0.9, _TOP))
    pen.ground(pen.wire((_LEFT + 0.4, _BOTTOM), (_LEFT + 0.4, _BOTTOM - 0.2)))
    for number, x in ((1, _LEFT + 1.35), (2, _LEFT + 2.6)):
        pen.words((x, _BOTTOM + 0.15), f"clock\n{number}", up="bottom")
        pen.arrow((x, _BOTTOM - 1.0), (x, _BOTTOM))
    pen.words((_LEFT + 1.95, _BOTTOM - 1.1), "from clock", up="top")


def line_level(board: Board, key: str) -> Drawing:
    """An inverting amplifier; stop and trim in its feedback."""
    pen = Pen(board, key)
    start = pen.come((0, 0), f"from\n{before(board, key)}", 1.8)
    _amplifier(pen, pen.resistor("level_in_ohm", start, (4.4, 0)), "level_stop_ohm", "level_trim_pot_ohm", "level")
    pen.go((9.9, -0.5), f"to\n{after(board, key)}", 3.0)
    return pen.drawing


def mixer(board: Board, key: str) -> Drawing:
    """Both tracks of the blend pot, each dead over one half, with followers, summed; the level pot in the feedback."""
    pen = Pen(board, key)
    inputs: list[Place] = []
    for y, source, track, name in (
        (0.0, "from\ninput", "a", "dry_in_ohm"),
        (-5.0, f"from\n{loop_tap(board)}", "b", "wet_in_ohm"),
    ):
        start = pen.come((0, y), source, 2.2)
        wiper = pen.pot("blend_pot_ohm", start, (2.2, y - 2.4), "blend", track=track)
        pen.half((2.2, y - 2.4))
        out = pen.follower(pen.wire(wiper, (3.8, wiper[1])))
        inputs.append(pen.resistor(name, out, (8.6, out[1])))
    words = "blend: a balance pot, each track dead over one half;\nin the middle both wipers are at their source"
    pen.words((0, -8.7), words, "left", "top")
    node = inputs[0]
    pen.wire(inputs[1], node)
    _amplifier(pen, node, "feedback_ohm", "level_pot_ohm", "level")
    x, y = node[0] + 5.5, node[1] - 0.5
    end = pen.capacitor("output_farad", (x, y), (x, y - 2.2), "left")
    pen.ground(pen.resistor("bleed_ohm", end, (x, y - 4.4), "left"))
    pen.dot(end)
    pen.go(end, "output\njack", 1.4)
    return pen.drawing


def _amplifier(pen: Pen, node: Place, stop: str, pot: str, knob: str) -> None:
    """An inverting amplifier from a node, its output 5.5 to the right and 0.5 below; a rheostat in the feedback."""
    x, y = node
    out = pen.inverter(pen.wire(node, (x + 0.9, y)))
    end = pen.wire(out, (x + 5.5, out[1]))
    top = y + 2.2
    middle = pen.resistor(stop, pen.wire(node, (x, top)), (x + 2.6, top))
    pen.wire(pen.rheostat(pot, middle, (x + 5.5, top), knob), end)
    pen.dot(node, end)
