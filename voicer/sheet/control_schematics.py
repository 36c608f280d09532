"""Schematics of supply, clock, low-frequency oscillator and depth."""

from __future__ import annotations

import schemdraw.elements as elm
from schemdraw import Drawing

from voicer.board.blocks.supply import SUPPLY_V
from voicer.board.board import Board
from voicer.sheet.pen import Pen, Place


def supply(board: Board, key: str) -> Drawing:
    """Diode and reservoir; the bias node; the clock's branch."""
    pen = Pen(board, key)
    pen.words((-0.3, 0), f"{SUPPLY_V:g} V\njack", "right")
    pen.drawing.add(elm.Dot(open=True, radius=0.09).at((0, 0)))
    pen.drawing.add(elm.Schottky().at((0, 0)).to((2.4, 0)))
    pen.words((1.2, 0.45), pen.other("diode"), up="bottom")
    pen.wire((2.4, 0), (8.0, 0))
    pen.ground(pen.capacitor("reservoir_farad", (2.8, 0), (2.8, -2.2)))
    pen.rail((4.2, 0))
    pen.dot((2.8, 0), (4.2, 0), (5.6, 0))
    branch = pen.resistor("decoupling_ohm", (8.0, 0), (10.6, 0))
    pen.ground(pen.capacitor("decoupling_farad", branch, (10.6, -2.0)))
    pen.dot(branch)
    pen.go(branch, "V+ clock", 2.6)
    middle = pen.resistor("bias_top_ohm", (5.6, 0), (5.6, -5.0))
    pen.ground(pen.resistor("bias_bottom_ohm", middle, (5.6, -7.2), "left"))
    pen.ground(pen.capacitor("bias_farad", pen.wire(middle, (7.2, -5.0)), (7.2, -7.2)))
    pen.dot(middle, (7.2, -5.0))
    pen.go(pen.follower(pen.wire((7.2, -5.0), (9.2, -5.0))), "VB", 1.6)
    return pen.drawing


def clock(board: Board, key: str) -> Drawing:
    """Stop and time pot set a current; it charges and discharges the timing capacitor between two thresholds."""
    pen = Pen(board, key)
    start = pen.come((0, 0), "control voltage\nfrom depth", 2.3)
    node = pen.resistor("stop_padder_ohm", pen.resistor("stop_ohm", start, (4.8, 0), "below"), (7.3, 0))
    end = pen.rheostat("time_pot_ohm", node, (9.9, 0), "time")
    pen.box((end[0], -1.0), 3.4, 2.0, f"{pen.other('transistor')}, {pen.other('amplifier')}\ncurrent\nsteering")
    _timing(pen, pen.wire((10.7, -1.0), (10.7, -2.2), (0.4, -2.2), (0.4, -3.8)))
    _thresholds(pen, (15.4, 0.6))
    return pen.drawing


def _thresholds(pen: Pen, top: Place) -> None:
    """Three resistors across the supply."""
    x, y = top
    pen.rail(top, "V+ clock")
    words = {"top_ohm": "upper\nthreshold", "middle_ohm": "lower\nthreshold\nand control", "bottom_ohm": ""}
    for name, word in words.items():
        end = pen.resistor(name, (x, y), (x, y - 2.0))
        y -= 2.0
        if word:
            pen.dot(end)
            pen.arrow(end, (x + 1.0, y))
            pen.words((x + 1.2, y), word, "left")
    pen.ground((x, y))


def _timing(pen: Pen, node: Place) -> None:
    x, y = node
    pen.wire(node, (5.0, y))
    for name, across in (("timing_farad", x), ("padder_farad", x + 2.3)):
        pen.ground(pen.capacitor(name, (across, y), (across, y - 2.2)))
        pen.dot((across, y))
    pen.box((5.0, y - 1.0), 3.6, 2.0, f"{pen.other('comparator')} window\ncomparator\nwith latch")
    pen.wire((8.6, y), (9.8, y))
    pen.dot((9.1, y))
    pen.wire((9.1, y), (9.1, y + 0.8), (12.4, y + 0.8))
    pen.arrow((12.4, y + 0.8), (12.4, -1.0))
    pen.words((12.6, -2.0), "up or\ndown", "left")
    pen.words((5.0, y - 2.3), "the boxes run on V+ clock", "left")
    pen.box((9.8, y - 1.6), 1.8, 2.0, f"{pen.other('logic')}\n÷ 2")
    pen.go((11.6, y), "clock 1", 2.2)
    pen.go((11.6, y - 1.2), "clock 2", 2.2)


def lfo(board: Board, key: str) -> Drawing:
    """Rate pot, integrator and trigger in a ring."""
    pen = Pen(board, key)
    wiper = _rate(pen)
    out = pen.follower(pen.wire(wiper, (2.9, wiper[1])))
    node = pen.resistor("integrator_ohm", out, (7.4, out[1]))
    triangle = _integrator(pen, node)
    pen.go(triangle, "to depth", 1.9)
    square = _trigger(pen, triangle)
    pen.wire(square, (square[0], -9.3), (-1.0, -9.3), (-1.0, 1.6), (1.0, 1.6), (1.0, 1.2))
    return pen.drawing


def _rate(pen: Pen) -> Place:
    """The divider at the left; returns the wiper of the rate pot."""
    wiper = pen.pot("rate_pot_ohm", (1.0, 1.2), (1.0, -1.2), "rate")
    pen.resistor("stop_ohm", (1.0, -1.2), (1.0, -3.6))
    low = pen.resistor("fast_stop_ohm", pen.wire((1.0, -3.6), (1.0, -3.9)), (1.0, -6.1), "left")
    pen.half(pen.wire(low, (1.0, -6.4)))
    pen.wire((1.0, -3.9), (2.2, -3.9), (2.2, -4.4))
    pen.drawing.add(elm.Switch().at((2.2, -4.4)).to((2.2, -5.6)))
    pen.wire((2.2, -5.6), (2.2, -6.1), low)
    pen.dot((1.0, -3.9), (1.0, -6.1))
    pen.words((2.9, -5.0), "S1 b\nclosed:\nslow", "left")
    return wiper


def _integrator(pen: Pen, node: Place) -> Place:
    """An inverting integrator whose capacitor a switch selects; returns its output."""
    x, y = node
    out = pen.inverter(pen.wire(node, (x + 0.9, y)))
    end = pen.wire(out, (x + 4.7, out[1]))
    low, high, common = y + 1.75, y + 3.05, pen.wire(node, (x, y + 2.4))
    switch = pen.drawing.add(elm.SwitchSpdt2().at(common).anchor("a").theta(0))
    pen.words((x - 0.3, common[1]), f"{pen.other('switch')} a\nrange", "right")
    for name, top, throw, word in (
        ("integrator_farad", low, switch.c, " slow"),
        ("fast_range_farad", high, switch.b, " fast"),
    ):
        start = pen.wire((float(throw[0]), float(throw[1])), (float(throw[0]), top))
        pen.capacitor(name, start, (x + 4.7, top), word=word)
    pen.wire((x + 4.7, high), end)
    pen.dot(node, end, (x + 4.7, low))
    return end


def _trigger(pen: Pen, triangle: Place) -> Place:
    """A comparator with positive feedback; returns its output."""
    y = -6.6
    start = pen.wire(triangle, (triangle[0], -3.4), (4.8, -3.4), (4.8, y))
    node = pen.resistor("schmitt_in_ohm", start, (7.4, y), "below")
    made = pen.amplifier(pen.wire(node, (8.6, y)), plus_at_place=True, plus_above=True)
    pen.half(pen.wire(made.minus, (made.minus[0] - 0.4, made.minus[1])))
    end = pen.wire(made.out, (11.4, made.out[1]))
    top = y + 1.6
    pen.wire(pen.resistor("schmitt_feedback_ohm", pen.wire(node, (node[0], top)), (11.4, top)), end)
    pen.dot(node, end)
    return end


def depth(board: Board, key: str) -> Drawing:
    """Depth pot with its follower; the amplifier that makes the clock's control voltage."""
    pen = Pen(board, key)
    start = pen.come((-0.6, 0), "from\nLFO", 1.3)
    pen.drawing.add(elm.Switch().at(start).to((2.4, 0)))
    pen.words((1.55, 0.5), f"{pen.other('switch')}\non, off", up="bottom")
    wiper = pen.pot("depth_pot_ohm", (2.4, 0), (2.4, -2.4), "depth")
    pen.half((2.4, -2.4))
    out = pen.follower(pen.wire(wiper, (4.0, wiper[1])))
    node = pen.resistor("inject_ohm", out, (8.8, out[1]))
    x, y = node
    made = pen.amplifier(pen.wire(node, (x + 0.9, y)), plus_at_place=False)
    pen.wire(made.plus, (made.plus[0] - 0.5, made.plus[1]), (made.plus[0] - 0.5, made.plus[1] - 0.6))
    words = "set so that the output rests\nat the lower threshold"
    pen.words((made.plus[0] - 0.5, made.plus[1] - 0.75), words, up="top")
    end = pen.wire(made.out, (x + 3.2, made.out[1]))
    pen.wire(pen.resistor("feedback_ohm", pen.wire(node, (x, y + 1.4)), (x + 3.2, y + 1.4)), end)
    pen.dot(node, end)
    pen.go(end, "control voltage\nto clock", 3.1)
    return pen.drawing
