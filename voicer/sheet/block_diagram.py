"""The whole board as boxes: the signal path in a row, clock and LFO below it, dry sound and repeats above it."""

from __future__ import annotations

from collections.abc import Iterator

from schemdraw import Drawing

from voicer.board.block_set import LowPassBlock
from voicer.board.board import Board
from voicer.board.values import short_value
from voicer.circuit.arrays import Values
from voicer.circuit.filters import half_power_hz
from voicer.sheet.pen import Pen

WIDE, HIGH, GAP = 2.15, 2.7, 0.42
"""Size of a box and gap between boxes, drawing units."""

LONG_LINE, DOTS = 3, "dots"
"""From this many devices on, only the first and last are drawn, with dots in between."""

REPEATS_HEIGHT, DRY_HEIGHT, BUS_HEIGHT, CONTROL_HEIGHT = 2.5, 3.7, -2.4, -4.9
"""Of the ways back and past the line, the clock's way to the devices, and the row with the clock; from the middle of
the boxes, units."""


def draw_block_diagram(board: Board) -> Drawing:
    """One box for each block of the signal path, with its figures; the LFO moves the clock, the clock the line."""
    pen, lefts, x = Pen(board, ""), {}, 0.0
    pen.arrow((-0.9, 0), (0, 0))
    for name, told in _boxes(board):
        lefts[name] = x
        x += _box(pen, x, name, told)
        pen.arrow((x, 0), (x + (0.9 if name == "mixer" else GAP), 0))
        x += GAP
    _ways_round(pen, lefts)
    _control(pen, board, [left + WIDE / 2 for name, left in lefts.items() if name.startswith("line ")])
    return pen.drawing


def _boxes(board: Board) -> Iterator[tuple[str, str]]:
    """Name and figures of every box, in the signal's order."""
    blocks, line = board.blocks, board.voicing.line
    yield "input", f"{short_value(blocks.input.bias_ohm)}Ω"
    yield "sum", "repeats\nreturn"
    yield "low cut", _hertz(blocks.low_cut.cutoff_hz)
    if blocks.compander:
        yield "com-\npressor", f"2:1\n{blocks.compander.send_s * 1e3:.3g} ms"
    yield "anti-\nalias", _low_pass(board.blocks.anti_alias)
    for number in range(1, line.devices + 1):
        if line.devices < LONG_LINE or number in (1, line.devices):
            yield f"line {number}", f"{line.stages}\nstages"
        elif number == 2:
            yield DOTS, ". . ."
    yield "make-\nup", f"× {board.makeup:.3g}"
    yield "recon-\nstruction", _low_pass(board.blocks.reconstruction)
    yield "output\ncoupling", _hertz(blocks.output_coupling.cutoff_hz)
    if blocks.compander:
        yield "expander", f"1:2\n{blocks.compander.return_s * 1e3:.3g} ms"
    yield "mixer", "blend\nlevel"


def _low_pass(blocks: tuple[LowPassBlock, ...]) -> str:
    sections = tuple(section for block in blocks for section in block.sections())
    return f"order {sum(section.order for section in sections)}\n{_hertz(half_power_hz(sections))}"


def _hertz(frequency_hz: Values) -> str:
    """A frequency to three digits with its unit."""
    value = float(frequency_hz)
    return f"{value:.3g} Hz" if value < 999.5 else f"{value / 1e3:.3g} kHz"


def _box(pen: Pen, left: float, name: str, told: str) -> float:
    """Draw a box, or dots in place of several; returns its width."""
    if name == DOTS:
        pen.words((left + WIDE / 4, 0), told)
        return WIDE / 2
    pen.box((left, -HIGH / 2), WIDE, HIGH)
    pen.words((left + WIDE / 2, HIGH / 2 - 0.15), name, up="top")
    pen.words((left + WIDE / 2, -HIGH / 2 + 0.15), told, up="bottom")
    return WIDE


def _ways_round(pen: Pen, lefts: dict[str, float]) -> None:
    """Repeats from the end of the wet path back to the sum; dry sound from the input to the mixer."""
    ways = (
        ("repeats", REPEATS_HEIGHT, lefts["mixer"] - GAP / 2, lefts["sum"] + WIDE / 2),
        ("dry", DRY_HEIGHT, lefts["sum"] - GAP / 2, lefts["mixer"] + WIDE / 2),
    )
    for name, height, start, end in ways:
        pen.wire((start, 0), (start, height), (end, height))
        pen.arrow((end, height), (end, HIGH / 2))
        pen.words(((start + end) / 2, height + 0.15), name, up="bottom")
        pen.dot((start, 0))


def _control(pen: Pen, board: Board, lines: list[float]) -> None:
    """LFO, depth and clock below the first device; the clock goes to every one."""
    wide, between, y = 4.4, 1.0, CONTROL_HEIGHT
    lefts = [lines[0] - wide / 2 + step * (wide + between) for step in (-2, -1, 0)]
    for left, words in zip(lefts, _clock_words(board), strict=True):
        pen.box((left, y - 1.1), wide, 2.2, words)
    for left in lefts[1:]:
        pen.arrow((left - between, y), (left, y))
    pen.wire((lines[0], y + 1.1), (lines[0], BUS_HEIGHT), (lines[-1], BUS_HEIGHT))
    for line in lines:
        pen.arrow((line, BUS_HEIGHT), (line, -HIGH / 2))
    if len(lines) > 1:
        pen.dot((lines[0], BUS_HEIGHT))
    pen.words((lines[0] + 0.25, (y + 1.1 + BUS_HEIGHT) / 2), "clock 1, clock 2", "left")


def _clock_words(board: Board) -> tuple[str, str, str]:
    """Words in the boxes of LFO, depth and clock."""
    blocks, lfo_range = board.blocks, board.lfo_range
    low, high = blocks.lfo.span_hz(lfo_range)
    deepest = board.deviation(1.0)
    return (
        f"LFO, {lfo_range} range\n{low:.2g} to {high:.3g} Hz",
        f"depth\n0 to {deepest * 100:.3g} %",
        f"clock\n{_hertz(board.clock_hz(1.0))} to\n{_hertz(board.clock_hz(0.0))}",
    )
