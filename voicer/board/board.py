"""The board: every block of one echo with the values of its parts, and where the knobs stand.

A board is designed from a voicing, with exact values or with values of a series (`board`), and read back as a
`Circuit` (`Board.circuit`), from which the sound is computed. The fields of a block may hold arrays, one value per
unit of a spread: all methods but `Board.circuit` then give arrays.

Trims are set as on the bench, for each board anew; knobs stay where the voicing put them.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal, Protocol, TypeVar, cast

import numpy as np

from voicer.board.block_set import Blocks, LowPassBlock
from voicer.board.blocks.clock import design_clock
from voicer.board.blocks.common import require
from voicer.board.blocks.coupling import design_low_cut, design_output_coupling
from voicer.board.blocks.depth import design_depth
from voicer.board.blocks.gain_cells import design_gain_cells
from voicer.board.blocks.input_stage import design_input_buffer
from voicer.board.blocks.lfo import LfoRange, design_lfo
from voicer.board.blocks.line_level import LineLevel, design_line_level
from voicer.board.blocks.line_stage import design_line_stage
from voicer.board.blocks.low_pass import blocks_for, snapped
from voicer.board.blocks.mixers import design_input_sum, design_output_mixer
from voicer.board.blocks.supply import design_supply
from voicer.board.parts import Part, numbered
from voicer.board.series import Series
from voicer.circuit.arrays import Values, column
from voicer.circuit.circuit import Circuit, LfoParts, MixerParts, wet_peak
from voicer.circuit.compander import CompanderParts
from voicer.circuit.filters import Section
from voicer.circuit.ideal import line_parts, open_loop, sections
from voicer.circuit.mixing import dry_share, echo_share
from voicer.circuit.wet_path import WetPath
from voicer.errors import CircuitError, did_you_mean
from voicer.voicing import RATE_SPAN_HZ, Compander, Delay, Filters, Flaws, Line, Voicing

SeriesName = Literal["exact", "E6", "E12", "E24", "E48", "E96"]
SERIES_NAMES: tuple[SeriesName, ...] = ("exact", "E6", "E12", "E24", "E48", "E96")
DEFAULT_SERIES: SeriesName = "E24"


class Snappable(Hashable, Protocol):
    """A block that can be made of bought values."""

    def snapped(self, resistors: Series, capacitors: Series) -> Snappable:
        """The same block of values of those series."""
        ...


S = TypeVar("S", bound=Snappable)


@dataclass(frozen=True)
class Controls:
    """Where the knobs stand: positions of the pots, 0..1."""

    time: Values
    repeats: Values
    rate: Values
    depth: Values
    blend: Values
    level: Values


@dataclass(frozen=True)
class Board:
    """All blocks of one echo."""

    voicing: Voicing
    """What it was designed for; its switches, its devices and their flaws are the board's."""
    blocks: Blocks
    controls: Controls

    @property
    def parts(self) -> list[Part]:
        """Every resistor, pot and capacitor, numbered."""
        return numbered(self.blocks.by_name)

    def with_values(self, values: Mapping[str, Values]) -> Board:
        """The same board, knobs and all, with other values by reference; `CircuitError` for an unknown one."""
        return replace(self, blocks=self.blocks.with_values(values))

    @property
    def lfo_range(self) -> LfoRange:
        """Range of the LFO; with the modulation off, the one its rate lies in."""
        modulation = self.voicing.modulation
        if modulation.range != "off":
            return modulation.range
        return "slow" if modulation.rate_hz <= RATE_SPAN_HZ["slow"][1] else "fast"

    @property
    def filter_delay_s(self) -> Values:
        """Low-frequency delay of both low-passes, s."""
        low_passes = (*self.blocks.anti_alias, *self.blocks.reconstruction)
        return sum((block.denominator()[0] for block in low_passes), start=0.0)

    def clock_hz(self, position: Values) -> Values:
        """Clock at a position of the time control, LFO at rest, Hz."""
        return self.blocks.clock.clock_hz(position)

    def time_s(self, position: Values) -> Values:
        """Note to first repeat at a position of the time control, s."""
        line, clock_hz = line_parts(self.voicing), self.clock_hz(position)
        return self.filter_delay_s + (line.periods + line.extra_periods(clock_hz)) / clock_hz

    @property
    def makeup(self) -> Values:
        """Gain of the amplifier behind the line, its trim set at the middle of the time control."""
        level = self.blocks.line_level
        return level.level_gain(level.level_position_for(1 / self.lost_gain))

    @property
    def lost_gain(self) -> Values:
        """What the devices leave of a signal at the middle of the time control."""
        return line_parts(self.voicing).gain_at(np.sqrt(self.clock_hz(0.0) * self.clock_hz(1.0)))

    def deviation(self, position: Values) -> Values:
        """Peak relative deviation of the clock at a position of the depth control, the modulation on."""
        return self.blocks.depth.deviation(position, self.blocks.lfo.peak_v, self.blocks.clock.control_v)

    def wet_path(self) -> WetPath:
        """The wet path of these parts; for a spread its fields are columns [shape=(units, 1)]."""
        blocks, unheard_s = self.blocks, self.voicing.compander.time_constant_ms / 1e3
        cells = blocks.compander
        compander = CompanderParts(False, unheard_s, unheard_s)
        if cells:
            floors = column(cells.send_floor), column(cells.return_floor)
            compander = CompanderParts(
                True, column(cells.send_s), column(cells.return_s),
                lowest_average=floors[0], lowest_return_average=floors[1],
            )  # fmt: skip
        return WetPath(
            low_cut_hz=column(blocks.low_cut.cutoff_hz),
            output_coupling_hz=column(blocks.output_coupling.cutoff_hz),
            anti_alias=_sections(blocks.anti_alias),
            reconstruction=_sections(blocks.reconstruction),
            line=replace(line_parts(self.voicing), makeup=column(self.makeup)),
            compander=compander,
        )

    def circuit(self) -> Circuit:
        """What these parts make, for sound and predictions; the values must be plain numbers.

        Raises
        ------
        CircuitError
            When the clock leaves what can be computed.
        """
        blocks, controls, modulation = self.blocks, self.controls, self.voicing.modulation
        deviation = 0.0 if modulation.range == "off" else self.deviation(controls.depth)
        mixer = blocks.mixer
        circuit = Circuit(
            name=self.voicing.name,
            time_s=float(self.time_s(controls.time)),
            shortest_s=float(self.time_s(0.0)),
            longest_s=float(self.time_s(1.0)),
            **vars(self.wet_path()),
            lfo=LfoParts(
                float(blocks.lfo.rate_hz(self.lfo_range, controls.rate)), float(deviation), modulation.shape
            ),
            mixer=MixerParts(
                feedback_gain=float(blocks.sum.return_gain(controls.repeats)),
                dry_gain=float(dry_share(controls.blend)),
                wet_gain=float(echo_share(controls.blend) * mixer.dry_in_ohm / mixer.wet_in_ohm),
                level_gain=float(mixer.level_gain(controls.level)),
                entry_gain=float(blocks.sum.dry_gain),
                rail_v=float(blocks.supply.headroom_v),
                limiter=blocks.sum.limiter(float(blocks.supply.headroom_v)),
            ),
        )
        circuit.clock_for(circuit.shortest_s)  # refuses a clock that cannot be computed
        return circuit


def design_board(
    voicing: Voicing,
    series: SeriesName = DEFAULT_SERIES,
    *,
    capacitors: Series | None = None,
    swaps: Mapping[str, float] | None = None,
) -> Board:
    """The board of a voicing.

    Parameters
    ----------
    voicing : Voicing
    series : {"exact", "E6", "E12", "E24", "E48", "E96"}
        Of the resistors; ``exact`` leaves all values but the filters' capacitors as the equations give them.
    capacitors : {"E6", "E12", "E24", "E48", "E96"}, optional
        E12, or E6 beside E6 resistors.
    swaps : mapping of reference to value, optional
        Parts with another value, ohm or farad: ``{"R7": 12e3}``; the knobs stay where they were.

    Raises
    ------
    CircuitError
        When no parts within the blocks' limits make it: says which rule fails and what mends it.
    """
    if series not in SERIES_NAMES:
        raise CircuitError(f"no series '{series}' is known", remedy=did_you_mean(series, SERIES_NAMES))
    laid, edge_gain = _laid(
        voicing.line, voicing.delay.shortest_ms, voicing.delay.longest_ms, voicing.filters, voicing.compander,
        voicing.flaws, None if series == "exact" else series, capacitors or default_capacitors(series),
    )  # fmt: skip
    made = replace(laid, voicing=voicing)
    made = replace(made, controls=_controls(made, edge_gain))
    return made.with_values(swaps) if swaps else made


def default_capacitors(series: SeriesName) -> Series:
    """Series of the capacitors beside such resistors: E12, or E6 beside E6."""
    return "E6" if series == "E6" else "E12"


@lru_cache(maxsize=64)
def _laid(
    line: Line, shortest_ms: float, longest_ms: float, filters: Filters, compander: Compander, flaws: Flaws,
    resistors: Series | None, capacitors: Series,
) -> tuple[Board, float]:  # fmt: skip
    """A board for everything of a voicing that parts depend on, its knobs anywhere, and its edge of oscillation."""
    voicing = Voicing(
        name="-", line=line, delay=Delay(time_ms=longest_ms, shortest_ms=shortest_ms, longest_ms=longest_ms),
        filters=filters, compander=compander, flaws=flaws,
    )  # fmt: skip
    asked = open_loop(voicing)
    level = design_line_level(line.devices)
    _check_makeup(level, float(asked.line.makeup))

    def bought(block: S) -> S:
        return cast("S", _bought(block, resistors, capacitors)) if resistors else block

    def low_pass(wanted: tuple[Section, ...]) -> tuple[LowPassBlock, ...]:
        if resistors:
            return snapped(wanted, resistors=resistors, capacitors=capacitors)
        return blocks_for(wanted, capacitors=capacitors)

    blocks = Blocks(
        supply=bought(design_supply()),
        input=bought(design_input_buffer()),
        sum=design_input_sum(1.0),
        low_cut=bought(design_low_cut(filters.low_cut_hz)),
        compander=bought(design_gain_cells(compander.time_constant_ms / 1e3)) if compander.enabled else None,
        anti_alias=low_pass(sections(filters.anti_alias)),
        line=tuple(
            bought(design_line_stage(line.stages, number, line.devices)) for number in range(1, line.devices + 1)
        ),
        line_level=bought(level),
        reconstruction=low_pass(sections(filters.reconstruction)),
        output_coupling=bought(design_output_coupling()),
        mixer=bought(design_output_mixer()),
        clock=bought(design_clock(asked.clock_for(asked.longest_s), asked.clock_for(asked.shortest_s))),
        lfo=bought(design_lfo()),
        depth=bought(design_depth()),
    )
    # the edge of self-oscillation is set for what the other parts make, so the sum comes last
    knobs = Controls(time=1.0, repeats=0.0, rate=0.0, depth=0.0, blend=0.0, level=0.0)
    made = Board(voicing, blocks, knobs)
    edge_gain = 1 / wet_peak(made.circuit())
    return replace(made, blocks=replace(blocks, sum=bought(design_input_sum(edge_gain)))), edge_gain


def _check_makeup(level: LineLevel, asked: float) -> None:
    """Refuse a line that loses more than the make-up amplifier can restore."""
    gains = (asked, float(level.level_gain(0)), float(level.level_gain(1)))
    asked_db, low_db, high_db = (20 * float(np.log10(gain)) for gain in gains)
    require(
        asked_db, low_db, high_db, "the make-up gain behind the line", "dB",
        "lengthen the time control's span or use fewer stages: a fast clock leaves the devices no time to settle",
    )  # fmt: skip


@lru_cache(maxsize=512)
def _bought(block: Snappable, resistors: Series, capacitors: Series) -> Snappable:
    return block.snapped(resistors, capacitors)


def _controls(made: Board, edge_gain: float) -> Controls:
    """Knobs where these parts come nearest to the voicing."""
    voicing, blocks = made.voicing, made.blocks
    circuit = made.circuit()
    time_s = min(max(voicing.delay.time_ms / 1e3, circuit.shortest_s), circuit.longest_s)
    depth = voicing.modulation.depth_percent / 100
    return Controls(
        time=float(blocks.clock.position_for(circuit.clock_for(time_s))),
        repeats=float(blocks.sum.position_for(voicing.repeats.feedback * edge_gain)),
        rate=float(blocks.lfo.position_for(made.lfo_range, voicing.modulation.rate_hz)),
        depth=float(blocks.depth.position_for(depth, blocks.lfo.peak_v, blocks.clock.control_v)),
        blend=voicing.output.blend,
        level=float(blocks.mixer.position_for(10 ** (voicing.output.level_db / 20))),
    )


def _sections(low_pass: tuple[LowPassBlock, ...]) -> tuple[Section, ...]:
    return tuple(section for block in low_pass for section in block.sections())
