"""The blocks of one board, each under its own name and type."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any

from voicer.board.blocks.clock import ClockOscillator
from voicer.board.blocks.coupling import LowCut
from voicer.board.blocks.depth import DepthInjection
from voicer.board.blocks.gain_cells import GainCellPair
from voicer.board.blocks.input_stage import InputBuffer
from voicer.board.blocks.lfo import Lfo
from voicer.board.blocks.line_level import LineLevel
from voicer.board.blocks.line_stage import LineStage
from voicer.board.blocks.mixers import InputSum, OutputMixer
from voicer.board.blocks.sallen_key import SecondOrder, ThirdOrder
from voicer.board.blocks.supply import Supply
from voicer.board.parts import with_values
from voicer.circuit.arrays import Values

LowPassBlock = SecondOrder | ThirdOrder

Block = (
    Supply | InputBuffer | InputSum | LowCut | GainCellPair | SecondOrder | ThirdOrder | LineStage | LineLevel
    | OutputMixer | ClockOscillator | Lfo | DepthInjection
)  # fmt: skip


@dataclass(frozen=True)
class Blocks:
    """All blocks of one echo, in the order in which their parts are numbered."""

    supply: Supply
    input: InputBuffer
    sum: InputSum
    low_cut: LowCut
    compander: GainCellPair | None
    """None for a voicing without one."""
    anti_alias: tuple[LowPassBlock, ...]
    line: tuple[LineStage, ...]
    line_level: LineLevel
    reconstruction: tuple[LowPassBlock, ...]
    output_coupling: LowCut
    mixer: OutputMixer
    clock: ClockOscillator
    lfo: Lfo
    depth: DepthInjection

    @property
    def by_name(self) -> dict[str, Block]:
        """Every block on its own, in order; several of a kind are numbered from 1: ``line_1``."""
        found: dict[str, Block] = {}
        for item in fields(self):
            value = getattr(self, item.name)
            if isinstance(value, tuple):
                found |= {f"{item.name}_{number}": block for number, block in enumerate(value, start=1)}
            elif value is not None:
                found[item.name] = value
        return found

    def with_values(self, values: Mapping[str, Values]) -> Blocks:
        """The same blocks with other values by reference or key, as `parts.with_values`."""
        changed = with_values(self.by_name, values)
        made: dict[str, Any] = {}
        for item in fields(self):
            value = getattr(self, item.name)
            several = isinstance(value, tuple)
            names = [f"{item.name}_{number}" for number in range(1, len(value) + 1)] if several else [item.name]
            blocks = tuple(changed[name] for name in names if name in changed)
            made[item.name] = blocks if several else (blocks[0] if blocks else None)
        return Blocks(**made)
