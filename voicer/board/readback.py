"""From parts back to the voicing they make, for a sheet with swapped parts or a board that has been measured.

Every number of the voicing is read from the parts. If a rounder number would lead to the same parts, that is used, so
that a voicing read back and designed again has the same parts.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Literal

import numpy as np

from voicer.board.block_set import LowPassBlock
from voicer.board.blocks.coupling import design_low_cut
from voicer.board.blocks.gain_cells import design_gain_cells
from voicer.board.blocks.low_pass import blocks_for, snapped
from voicer.board.board import Board, SeriesName, Snappable, default_capacitors, design_board
from voicer.board.series import Series
from voicer.circuit.circuit import wet_peak
from voicer.circuit.filters import half_power_hz, low_frequency_delay_s, low_pass_sections
from voicer.circuit.ideal import line_parts
from voicer.circuit.mixing import blend_of
from voicer.errors import CircuitError, VoicingError
from voicer.voicing import RATE_SPAN_HZ, Voicing, clock_limits_ms, parameter

HAIR = 1e-7
"""Relative distance kept from limits that follow from a formula, and between the two ends of the time control."""

READ = (
    "filters.low_cut_hz", "filters.anti_alias.cutoff_hz", "filters.reconstruction.cutoff_hz",
    "compander.time_constant_ms", "delay.shortest_ms", "delay.longest_ms", "delay.time_ms",
    "repeats.feedback", "modulation.rate_hz", "modulation.depth_percent", "output.blend", "output.level_db",
)  # fmt: skip
"""Keys that parts and controls determine, in reading order."""


def voicing_of(
    made: Board, series: SeriesName = "exact", *, capacitors: Series | None = None
) -> tuple[Voicing, list[str]]:
    """The voicing that a board's parts and knobs make, its switches, filter shapes and devices as they are.

    Parameters
    ----------
    made : Board
    series : {"exact", "E6", "E12", "E24", "E48", "E96"}
        Series of the parts, used to find rounder numbers that lead to the same parts.
    capacitors : {"E6", "E12", "E24", "E48", "E96"}, optional

    Returns
    -------
    (Voicing, list of str)
        And a line for each number outside a voicing's range, which was held at the limit.
    """
    read = _Reader(made, None if series == "exact" else series, capacitors or default_capacitors(series))
    values = {key: float(f"{value:.10g}") for key, value in read.values()}
    held, lines = dict(values), []
    for key in sorted(values, key=lambda key: key.startswith("delay.")):  # what limits the delays comes first
        low, high = _limits(key, made.voicing, held)
        held[key] = min(max(values[key], low), high)
        if abs(held[key] - values[key]) > 1e-6 * abs(values[key]):
            unit = f" {parameter(key).unit}".rstrip()
            lines.append(
                f"{key} comes to {values[key]:.5g}{unit}, outside {low:.5g}..{high:.5g}{unit}: "
                f"held at {held[key]:.5g}{unit}"
            )
    return _leading_back(made, made.voicing.changed(held), series, capacitors), lines


def _limits(key: str, voicing: Voicing, values: Mapping[str, float]) -> tuple[float, float]:
    """Lowest and highest value that a voicing with these other values may have."""
    known, modulation = parameter(key), voicing.modulation
    if key == "modulation.rate_hz":
        return RATE_SPAN_HZ[modulation.range]
    if key == "delay.time_ms":
        return values["delay.shortest_ms"], values["delay.longest_ms"]
    if not key.startswith("delay."):
        return known.low, known.high
    deviation = 0.0 if modulation.range == "off" else values["modulation.depth_percent"] / 100
    least, most = clock_limits_ms(voicing.line, deviation)
    low, high = max(known.low, least * (1 + HAIR)), min(known.high, most * (1 - HAIR))
    return (low, high * (1 - HAIR)) if key == "delay.shortest_ms" else (low * (1 + HAIR), high)


def differences(asked: Voicing, made: Voicing, least: float = 5e-4) -> list[tuple[str, float, float]]:
    """Numbers in which two voicings differ by more than ``least`` of themselves: key, asked, made."""
    pairs = [(key, float(asked.get(key)), float(made.get(key))) for key in READ]
    return [(key, a, b) for key, a, b in pairs if abs(b - a) > least * max(abs(a), abs(b))]


def _leading_back(made: Board, read: Voicing, series: SeriesName, capacitors: Series | None) -> Voicing:
    """What was read or, if that would lead to other parts, with as many of the original numbers as it takes.

    In a coarse series, parts can be so far off that the voicing they make would be given different parts.
    """
    voicing = read
    if series == "exact" or made.blocks != design_board(made.voicing, series, capacitors=capacitors).blocks:
        return read
    for key in ("", *READ[:7]):
        try:
            voicing = voicing.changed({key: made.voicing.get(key)}) if key else voicing
            if design_board(voicing, series, capacitors=capacitors).blocks == made.blocks:
                return voicing
        except (VoicingError, CircuitError):  # not a valid voicing, or one that cannot be built
            continue
    return made.voicing


class _Reader:
    def __init__(self, board: Board, resistors: Series | None, capacitors: Series) -> None:
        self.board, self.resistors, self.capacitors = board, resistors, capacitors
        self.circuit = board.circuit()
        self.anti_alias_hz, self.reconstruction_hz = self._cutoff("anti_alias"), self._cutoff("reconstruction")

    def values(self) -> Iterator[tuple[str, float]]:
        """Key and value of each number that parts and controls determine."""
        board, circuit = self.board, self.circuit
        blocks, cells = board.blocks, board.blocks.compander
        yield "filters.low_cut_hz", self._tidy(circuit.low_cut_hz, blocks.low_cut, self._low_cut)
        yield "filters.anti_alias.cutoff_hz", self.anti_alias_hz
        yield "filters.reconstruction.cutoff_hz", self.reconstruction_hz
        if cells is not None:
            mean_ms = 1e3 * float(np.sqrt(cells.send_s * cells.return_s))
            yield "compander.time_constant_ms", self._tidy(mean_ms, cells, self._cells)
        yield from self._delays()
        yield "repeats.feedback", circuit.mixer.feedback_gain * wet_peak(circuit)
        yield "modulation.rate_hz", circuit.lfo.rate_hz
        yield "modulation.depth_percent", 100 * float(board.deviation(board.controls.depth))
        dry, echo = circuit.mixer.dry_gain, circuit.mixer.wet_gain
        yield "output.blend", blend_of(dry, echo)
        yield "output.level_db", 20 * float(np.log10(circuit.mixer.level_gain * max(dry, echo)))

    def _delays(self) -> Iterator[tuple[str, float]]:
        """Delays with the filters that a voicing would have, which differ slightly from those of the parts."""
        filters, line = self.board.voicing.filters, line_parts(self.board.voicing)
        both = ((filters.anti_alias, self.anti_alias_hz), (filters.reconstruction, self.reconstruction_hz))
        delay_s = sum(low_frequency_delay_s(low_pass_sections(one.shape, one.order, hz)) for one, hz in both)
        for key, position in (("shortest", 0.0), ("longest", 1.0), ("time", self.board.controls.time)):
            clock_hz = self.board.clock_hz(position)
            yield f"delay.{key}_ms", 1e3 * float(delay_s + (line.periods + line.extra_periods(clock_hz)) / clock_hz)

    def _cutoff(self, name: Literal["anti_alias", "reconstruction"]) -> float:
        blocks, low_pass = getattr(self.board.blocks, name), getattr(self.board.voicing.filters, name)

        def made(cutoff_hz: float) -> tuple[LowPassBlock, ...]:
            wanted = low_pass_sections(low_pass.shape, low_pass.order, cutoff_hz)
            if self.resistors is None:
                return blocks_for(wanted, capacitors=self.capacitors)
            return snapped(wanted, resistors=self.resistors, capacitors=self.capacitors)

        return self._tidy(float(half_power_hz(getattr(self.circuit, name))), blocks, made)

    def _low_cut(self, cutoff_hz: float) -> Snappable:
        return self._bought(design_low_cut(cutoff_hz))

    def _cells(self, time_ms: float) -> Snappable:
        return self._bought(design_gain_cells(time_ms / 1e3))

    def _bought(self, block: Snappable) -> Snappable:
        return block.snapped(self.resistors, self.capacitors) if self.resistors else block

    def _tidy(self, value: float, blocks: object, made: Callable[[float], object]) -> float:
        """The value, unless it leads to other blocks and a round number near it leads to these."""
        if self.resistors is None:
            return value
        for candidate in _round_numbers(value):
            try:
                if made(candidate) == blocks:
                    return candidate
            except CircuitError:
                continue
        return value


def _round_numbers(value: float) -> list[float]:
    """The value itself, then numbers of two and three digits within a few percent of it, nearest first."""
    tens = 10.0 ** np.floor(np.log10(value))
    near = []
    for digits, reach in ((2, 0.06), (3, 0.04)):
        step = tens / 10 ** (digits - 1)
        steps = np.arange(np.ceil(value * (1 - reach) / step), np.floor(value * (1 + reach) / step) + 1)
        near += sorted((float(f"{k * step:.6g}") for k in steps), key=lambda number: abs(number - value))
    return [value, *near]

