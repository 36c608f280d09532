"""The figures a board's parts make, for the sheet and for spreads.

Everything is computed from the blocks, and a field of a block may be an array: ten thousand units are one call.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np

from voicer.board.board import Board
from voicer.circuit.arrays import Values, column
from voicer.circuit.figure import Figure
from voicer.circuit.filters import half_power_hz

F0_RULE, Q_RULE, SPAN_RULE, LEVEL_RULE_DB = 0.02, 0.05, 0.05, 0.5
"""Tolerated errors: of a section's pole frequency and Q, and of everything else, relative; of levels, dB. Chosen."""


@dataclass(frozen=True)
class BoardFigure(Figure):
    """One figure of a board."""

    value: Values
    """A number, or one per unit of a spread."""
    rule: float | None = SPAN_RULE
    """Tolerated relative error; None for a figure that is shown but not judged."""


@dataclass(frozen=True)
class Compared:
    """A figure as asked for and as made."""

    figure: BoardFigure
    asked: float
    got: float

    @property
    def error(self) -> float:
        """Relative; for decibels the difference."""
        return self.got - self.asked if self.figure.unit == "dB" else self.got / self.asked - 1

    @property
    def ok(self) -> bool:
        """Whether it is within its tolerance, or not judged."""
        if self.figure.rule is None:
            return True
        return abs(self.error) <= (LEVEL_RULE_DB if self.figure.unit == "dB" else self.figure.rule)


def compare_figures(asked: Board, got: Board) -> list[Compared]:
    """Figures of one board beside those of another with the same blocks, without those asked to be zero."""
    pairs = zip(compute_figures(asked), compute_figures(got), strict=True)
    return [Compared(b, float(a.value), float(b.value)) for a, b in pairs if a.value or a.unit == "dB"]


def compute_figures(board: Board, loudest: float | None = None) -> list[BoardFigure]:
    """All figures of a board, in the order of the signal path.

    Parameters
    ----------
    board : Board
    loudest : float, optional
        Position of the time control at which the loop is loudest; needed only for a spread, from its nominal board.
    """
    found = [*_time(board), *_ends(board), *_filters(board), *_loop(board, loudest), *_lfo(board), *_levels(board)]
    return found


def loudest_position(board: Board) -> float:
    """Position of the time control, 0..1, at which the loop is loudest: one of the clocks of `circuit.wet_peak`."""
    clock = board.blocks.clock
    clock_hz = np.geomspace(clock.clock_hz(1.0), clock.clock_hz(0.0), 12)
    peaks = board.wet_path().round_peak(clock_hz[:, None])
    return float(clock.position_for(clock_hz[int(np.argmax(peaks))]))


def _time(board: Board) -> Iterator[BoardFigure]:
    yield BoardFigure("shortest_ms", "shortest delay", "ms", 1e3 * board.time_s(0.0))
    yield BoardFigure("longest_ms", "longest delay", "ms", 1e3 * board.time_s(1.0))
    yield BoardFigure("time_ms", "delay, as set", "ms", 1e3 * board.time_s(board.controls.time))
    yield BoardFigure("fastest_clock_hz", "fastest clock", "Hz", board.clock_hz(0.0))
    yield BoardFigure("slowest_clock_hz", "slowest clock", "Hz", board.clock_hz(1.0))


def _ends(board: Board) -> Iterator[BoardFigure]:
    blocks = board.blocks
    yield BoardFigure("input_impedance_ohm", "input impedance", "Ω", blocks.input.impedance_ohm, None)
    yield BoardFigure("input_corner_hz", "input coupling", "Hz", blocks.input.corner_hz, None)
    yield BoardFigure("low_cut_hz", "low cut", "Hz", blocks.low_cut.cutoff_hz)
    yield BoardFigure("output_coupling_hz", "output coupling", "Hz", blocks.output_coupling.cutoff_hz)
    cells = blocks.compander
    if cells is not None:
        yield BoardFigure("compressor_ms", "compressor time constant", "ms", 1e3 * cells.send_s)
        yield BoardFigure("expander_ms", "expander time constant", "ms", 1e3 * cells.return_s)
        yield BoardFigure("attack_ms", "compressor attack", "ms", 1e3 * cells.attack_s)
        yield BoardFigure("recovery_ms", "compressor recovery", "ms", 1e3 * cells.recovery_s)


def _filters(board: Board) -> Iterator[BoardFigure]:
    names: tuple[Literal["anti_alias", "reconstruction"], ...] = ("anti_alias", "reconstruction")
    wet = board.wet_path()
    for name in names:
        title, blocks = name.replace("_", "-"), getattr(board.blocks, name)
        yield BoardFigure(f"{name}_hz", f"{title}, -3 dB", "Hz", _plain(half_power_hz(getattr(wet, name))))
        for number, block in enumerate(blocks, start=1):
            *real, f0_hz, q = block.f0_q()
            where, says = f"{name}_{number}", f"{title} section {number}"
            if real:
                yield BoardFigure(f"{where}_real_hz", f"{says}, real pole", "Hz", real[0], F0_RULE)
            yield BoardFigure(f"{where}_hz", f"{says}, pole frequency", "Hz", f0_hz, F0_RULE)
            yield BoardFigure(f"{where}_q", f"{says}, Q", "", q, Q_RULE)


def _loop(board: Board, loudest: float | None) -> Iterator[BoardFigure]:
    position = loudest_position(board) if loudest is None else loudest
    peak = _plain(board.wet_path().round_peak(column(board.clock_hz(position))))
    repeats = board.blocks.sum
    yield BoardFigure("loop_gain", "highest loop gain, as set", "", peak * repeats.return_gain(board.controls.repeats))
    edge = 1 / (peak * repeats.return_gain(1.0))
    yield BoardFigure("edge_position", "repeats position of the edge of oscillation", "", edge)


def _lfo(board: Board) -> Iterator[BoardFigure]:
    lfo, controls = board.blocks.lfo, board.controls
    ranges: tuple[Literal["slow", "fast"], ...] = ("slow", "fast")
    for name in ranges:
        slowest_hz, fastest_hz = lfo.span_hz(name)
        yield BoardFigure(f"{name}_range_slowest_hz", f"{name} range, slowest", "Hz", slowest_hz)
        yield BoardFigure(f"{name}_range_fastest_hz", f"{name} range, fastest", "Hz", fastest_hz)
    yield BoardFigure("rate_hz", "LFO rate, as set", "Hz", lfo.rate_hz(board.lfo_range, controls.rate))
    yield BoardFigure("deepest_percent", "clock deviation, depth at maximum", "%", 100 * board.deviation(1.0))
    yield BoardFigure("depth_percent", "clock deviation, as set", "%", 100 * board.deviation(controls.depth))


def _levels(board: Board) -> Iterator[BoardFigure]:
    mixer, controls, line = board.blocks.mixer, board.controls, board.blocks.line_level
    for key, label, gain, rule in (
        ("line_level", "line with make-up, trimmed", board.makeup * board.lost_gain, SPAN_RULE),
        ("makeup_least", "make-up, minimum", line.level_gain(0.0), SPAN_RULE),
        ("makeup_most", "make-up, maximum", line.level_gain(1.0), SPAN_RULE),
        ("level", "level, as set", mixer.level_gain(controls.level), SPAN_RULE),
        ("level_least", "level, minimum", mixer.level_gain(0.0), SPAN_RULE),
        ("level_most", "level, maximum", mixer.level_gain(1.0), SPAN_RULE),
    ):
        yield BoardFigure(f"{key}_db", label, "dB", 20 * np.log10(gain), rule)
    yield BoardFigure("output_corner_hz", "coupling at the output jack", "Hz", mixer.output_corner_hz, None)
    supply = board.blocks.supply
    yield BoardFigure("bias_v", "bias voltage", "V", supply.bias_v)
    yield BoardFigure("headroom_v", "headroom, peak", "V", supply.headroom_v)
    yield BoardFigure("bias_corner_hz", "bias filter", "Hz", supply.bias_corner_hz, None)
    yield BoardFigure("clock_supply_corner_hz", "clock supply filter", "Hz", supply.filter_corner_hz, None)


def _plain(values: Values) -> Values:
    """A column as one value per unit [shape=(units,)]; a number as it is."""
    return values[:, 0] if isinstance(values, np.ndarray) else values
