"""Schematics of the signal path from the input to the filters: buffer, sum, couplings, gain cells, low-passes."""

from __future__ import annotations

from schemdraw import Drawing

from voicer.board.board import Board
from voicer.sheet.pen import AMPLIFIER_LENGTH, INPUT_OFFSET, Pen, Place
from voicer.sheet.route import after, before, loop_tap


def input_buffer(board: Board, key: str) -> Drawing:
    """Coupling, resistor to the bias node, follower."""
    pen = Pen(board, key)
    start = pen.come((0, 0), "input\njack", 1.7)
    node = pen.wire(pen.capacitor("coupling_farad", start, (4.0, 0)), (4.4, 0))
    pen.half(pen.resistor("bias_ohm", node, (4.4, -2.4)))
    pen.dot(node)
    out = pen.follower(pen.wire(node, (6.6, 0)))
    pen.go(out, "to input sum\nand mixer", 3.0)
    return pen.drawing


def input_sum(board: Board, key: str) -> Drawing:
    """An inverting summer; the repeats come through a pot, an amplifier behind its wiper and the limiter."""
    pen, node = Pen(board, key), (10.6, 0.0)
    start = pen.wire(pen.come((0, -4.2), f"from\n{loop_tap(board)}", 2.2), (2.4, -4.2))
    wiper = pen.pot("repeats_pot_ohm", start, (2.4, -6.6), "repeats")
    pen.half((2.4, -6.6))
    made = pen.amplifier(pen.wire(wiper, (3.9, wiper[1])), plus_at_place=True)
    out, minus = (5.9, made.out[1]), (3.5, -3.0)
    pen.wire(made.minus, (minus[0], made.minus[1]), minus)
    pen.wire(pen.resistor("boost_ohm", minus, (out[0], minus[1]), "above"), out)
    pen.wire(made.out, out)
    pen.half(pen.resistor("boost_bias_ohm", minus, (minus[0], -1.4), "left"), "above")
    knee = pen.resistor("limiter_ohm", out, (8.0, out[1]))
    pen.wire(pen.resistor("return_stop_ohm", knee, (10.4, out[1])), (node[0], out[1]), node)
    _limiter(pen, knee)
    pen.wire(pen.resistor("dry_in_ohm", pen.come((0, 0), "from\ninput", 1.4), (10.2, 0)), (11.4, 0))
    end = pen.wire(pen.inverter((11.4, 0)), (13.6, -0.5))
    pen.wire(node, (node[0], 1.3))
    pen.wire(pen.resistor("feedback_ohm", (node[0], 1.3), (13.6, 1.3)), end)
    pen.dot(minus, out, knee, node, end)
    pen.go(end, f"to\n{after(board, key)}", 1.9)
    return pen.drawing


def _limiter(pen: Pen, knee: Place) -> None:
    """A resistor down from the node, and two diodes the other way round each to the bias."""
    x, y = pen.resistor("diode_ohm", knee, (knee[0], knee[1] - 1.9), "right")
    low = y - 1.5
    left, right = x - 0.6, x + 0.6
    pen.wire((x, y), (left, y))
    pen.wire(pen.diode((left, y), (left, low), "left"), (x, low))
    pen.wire((x, low), (right, low))
    pen.wire(pen.diode((right, low), (right, y), "right"), (x, y))
    pen.dot((x, y), (x, low))
    pen.half((x, low))


def coupling(board: Board, key: str) -> Drawing:
    """A series capacitor into a load, read by a follower."""
    pen = Pen(board, key)
    start = pen.come((0, 0), f"from\n{before(board, key)}", 2.4)
    node = pen.wire(pen.capacitor("coupling_farad", start, (4.8, 0)), (5.2, 0))
    pen.half(pen.resistor("load_ohm", node, (5.2, -2.4)))
    pen.dot(node)
    out = pen.follower(pen.wire(node, (7.4, 0)))
    pen.go(out, "to\n" + (after(board, key) if key == "low_cut" else _from_coupling(board)), 3.0)
    return pen.drawing


def gain_cells(board: Board, key: str) -> Drawing:
    """Two boxes; each averages with a capacitor and its padder, and a resistor sets its floor."""
    pen = Pen(board, key)
    halves = (
        ("send", 0.0, "from low cut", "compressor 2:1", "to anti-alias 1"),
        ("return", -5.4, "from output\ncoupling", "expander 1:2", "to mixer\nand repeats"),
    )
    for name, y, source, inside, target in halves:
        start = pen.come((0, y), source, 3.0)
        pen.box((start[0], y - 0.9), 4.6, 1.8, f"{pen.other('gain cell')} gain cell\n{inside}")
        pen.go((start[0] + 4.6, y), target, 3.4)
        low = y - 1.5
        pen.words((4.6, low), "average", "right")
        pen.wire((4.8, y - 0.9), (4.8, low - 0.1), (6.8, low - 0.1))
        pen.dot((4.8, low - 0.1))
        for field, x in (("averaging", 4.8), ("padder", 6.8)):
            pen.ground(pen.capacitor(f"{name}_{field}_farad", (x, low - 0.1), (x, low - 1.8)))
        pen.words((9.5, y - 1.2), "rectifier", "left")
        pen.wire((7.2, y - 0.9), (7.2, y - 1.2), (9.3, y - 1.2))
        pen.ground(pen.resistor(f"{name}_floor_ohm", (9.3, y - 1.2), (9.3, low - 1.8)))
    return pen.drawing


def second_order(board: Board, key: str) -> Drawing:
    """Two resistors, a capacitor from the output and one to ground, a follower."""
    pen = Pen(board, key)
    start = pen.come((0, 0), f"from\n{before(board, key)}", 2.4)
    first = pen.resistor("r1_ohm", start, (5.0, 0))
    second = pen.resistor("r2_ohm", first, (7.6, 0))
    _ends(pen, board, key, first[0], second[0])
    return pen.drawing


def third_order(board: Board, key: str) -> Drawing:
    """Three resistors, a capacitor from the output and two to ground, a follower."""
    pen = Pen(board, key)
    start = pen.come((0, 0), f"from\n{before(board, key)}", 2.4)
    first = pen.resistor("r1_ohm", start, (4.9, 0))
    pen.ground(pen.capacitor("first_farad", first, (first[0], -2.0)))
    pen.dot(first)
    second = pen.resistor("r2_ohm", first, (7.4, 0))
    third = pen.resistor("r3_ohm", second, (9.9, 0))
    _ends(pen, board, key, second[0], third[0])
    return pen.drawing


def _ends(pen: Pen, board: Board, key: str, back: float, node: float) -> None:
    """The follower with its capacitor to ground, and the one from its output to ``back``."""
    pen.ground(pen.capacitor("ground_farad", (node, 0), (node, -2.0)))
    pen.dot((node, 0), (back, 0))
    x, top = node + 0.9, 2.6
    amplifier = pen.amplifier(pen.wire((node, 0), (x, 0)), plus_at_place=True)
    out = pen.wire(amplifier.out, (x + AMPLIFIER_LENGTH + 0.4, INPUT_OFFSET))
    pen.capacitor("feedback_farad", (back, 0), (back, top), "right")
    pen.wire((back, top), (out[0], top), out)
    pen.wire(amplifier.minus, (x - 0.4, amplifier.minus[1]), (x - 0.4, top))
    pen.dot(out, (x - 0.4, top))
    pen.go(out, f"to\n{after(board, key)}", 2.3)


def _from_coupling(board: Board) -> str:
    return "expander" if board.blocks.compander else "mixer\nand repeats"
