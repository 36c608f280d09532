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
from voicer.circuit.filters import half_power_hz

F0_RULE, Q_RULE, SPAN_RULE, LEVEL_RULE_DB = 0.02, 0.05, 0.05, 0.5
"""Tolerated errors: of a section's pole frequency and Q, and of everything else, relative; of levels, dB. Chosen."""


@dataclass(frozen=True)
class Figure:
    """One figure of a board."""

    key: str
    """With its unit at the end."""
    label: str
    unit: str
    value: Values
    """A number, or one per unit of a spread."""
    rule: float | None = SPAN_RULE
    """Tolerated relative error; None for a figure that is shown but not judged."""


@dataclass(frozen=True)
class Compared:
    """A figure as asked for and as made."""

    figure: Figure
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


def compute_figures(board: Board, loudest: float | None = None) -> list[Figure]:
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


def _time(board: Board) -> Iterator[Figure]:
    yield Figure("shortest_ms", "shortest delay", "ms", 1e3 * board.time_s(0.0))
    yield Figure("longest_ms", "longest delay", "ms", 1e3 * board.time_s(1.0))
    yield Figure("time_ms", "delay, as set", "ms", 1e3 * board.time_s(board.controls.time))
    yield Figure("fastest_clock_hz", "fastest clock", "Hz", board.clock_hz(0.0))
    yield Figure("slowest_clock_hz", "slowest clock", "Hz", board.clock_hz(1.0))


def _ends(board: Board) -> Iterator[Figure]:
    blocks = board.blocks
    yield Figure("input_impedance_ohm", "input impedance", "Ω", blocks.input.impedance_ohm, None)
    yield Figure("input_corner_hz", "input coupling", "Hz", blocks.input.corner_hz, None)
    yield Figure("low_cut_hz", "low cut", "Hz", blocks.low_cut.cutoff_hz)
    yield Figure("output_coupling_hz", "output coupling", "Hz", blocks.output_coupling.cutoff_hz)
    cells = blocks.compander
    if cells is not None:
        yield Figure("compressor_ms", "compressor time constant", "ms", 1e3 * cells.send_s)
        yield Figure("expander_ms", "expander time constant", "ms", 1e3 * cells.return_s)
        yield Figure("attack_ms", "compressor attack", "ms", 1e3 * cells.attack_s)
        yield Figure("recovery_ms", "compressor recovery", "ms", 1e3 * cells.recovery_s)


def _filters(board: Board) -> Iterator[Figure]:
    names: tuple[Literal["anti_alias", "reconstruction"], ...] = ("anti_alias", "reconstruction")
    wet = board.wet_path()
    for name in names:
        title, blocks = name.replace("_", "-"), getattr(board.blocks, name)
        yield Figure(f"{name}_hz", f"{title}, -3 dB", "Hz", _plain(half_power_hz(getattr(wet, name))))
        for number, block in enumerate(blocks, start=1):
            *real, f0_hz, q = block.f0_q()
            where, says = f"{name}_{number}", f"{title} section {number}"
            if real:
                yield Figure(f"{where}_real_hz", f"{says}, real pole", "Hz", real[0], F0_RULE)
            yield Figure(f"{where}_hz", f"{says}, pole frequency", "Hz", f0_hz, F0_RULE)
            yield Figure(f"{where}_q", f"{says}, Q", "", q, Q_RULE)


def _loop(board: Board, loudest: float | None) -> Iterator[Figure]:
    position = loudest_position(board) if loudest is None else loudest
    peak = _plain(board.wet_path().round_peak(column(board.clock_hz(position))))
    repeats = board.blocks.sum
    yield Figure("loop_gain", "highest loop gain, as set", "", peak * repeats.return_gain(board.controls.repeats))
    edge = 1 / (peak * repeats.return_gain(1.0))
    yield Figure("edge_position", "repeats position of the edge of oscillation", "", edge)


def _lfo(board: Board) -> Iterator[Figure]:
    lfo, controls = board.blocks.lfo, board.controls
    ranges: tuple[Literal["slow", "fast"], ...] = ("slow", "fast")
    for name in ranges:
        slowest_hz, fastest_hz = lfo.span_hz(name)
        yield Figure(f"{name}_range_slowest_hz", f"{name} range, slowest", "Hz", slowest_hz)
        yield Figure(f"{name}_range_fastest_hz", f"{name} range, fastest", "Hz", fastest_hz)
    yield Figure("rate_hz", "LFO rate, as set", "Hz", lfo.rate_hz(board.lfo_range, controls.rate))
    yield Figure("deepest_percent", "clock deviation, depth at maximum", "%", 100 * board.deviation(1.0))
    yield Figure("depth_percent", "clock deviation, as set", "%", 100 * board.deviation(controls.depth))


def _levels(board: Board) -> Iterator[Figure]:
    mixer, controls, line = board.blocks.mixer, board.controls, board.blocks.line_level
    for key, label, gain, rule in (
        ("line_level", "line with make-up, trimmed", board.makeup * board.lost_gain, SPAN_RULE),
        ("makeup_least", "make-up, minimum", line.level_gain(0.0), SPAN_RULE),
        ("makeup_most", "make-up, maximum", line.level_gain(1.0), SPAN_RULE),
        ("level", "level, as set", mixer.level_gain(controls.level), SPAN_RULE),
        ("level_least", "level, minimum", mixer.level_gain(0.0), SPAN_RULE),
        ("level_most", "level, maximum", mixer.level_gain(1.0), SPAN_RULE),
    ):
        yield Figure(f"{key}_db", label, "dB", 20 * np.log10(gain), rule)
    yield Figure("output_corner_hz", "coupling at the output jack", "Hz", mixer.output_corner_hz, None)
    supply = board.blocks.supply
    yield Figure("bias_v", "bias voltage", "V", supply.bias_v)
    yield Figure("headroom_v", "headroom, peak", "V", supply.headroom_v)
    yield Figure("bias_corner_hz", "bias filter", "Hz", supply.bias_corner_hz, None)
    yield Figure("clock_supply_corner_hz", "clock supply filter", "Hz", supply.filter_corner_hz, None)


def _plain(values: Values) -> Values:
    """A column as one value per unit [shape=(units,)]; a number as it is."""
    return values[:, 0] if isinstance(values, np.ndarray) else values
