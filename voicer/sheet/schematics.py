"""A schematic for each block of a board: every part once, with its reference and its value."""

from __future__ import annotations

from collections.abc import Callable

from schemdraw import Drawing

from voicer.board.blocks.low_pass import SecondOrder
from voicer.board.board import Board
from voicer.errors import CircuitError, did_you_mean
from voicer.sheet import control_schematics as control
from voicer.sheet import line_schematics as line
from voicer.sheet import signal_schematics as signal
from voicer.sheet.block_diagram import draw_block_diagram

__all__ = ["draw_block_diagram", "draw_schematic"]


Draw = Callable[[Board, str], Drawing]

_BY_KEY: dict[str, Draw] = {
    "supply": control.supply,
    "input": signal.input_buffer,
    "sum": signal.input_sum,
    "low_cut": signal.coupling,
    "compander": signal.gain_cells,
    "line_level": line.line_level,
    "output_coupling": signal.coupling,
    "mixer": line.mixer,
    "clock": control.clock,
    "lfo": control.lfo,
    "depth": control.depth,
}


def draw_schematic(board: Board, key: str) -> Drawing:
    """The schematic of one block, by its name in `Blocks.by_name`.

    Raises
    ------
    CircuitError
        For a block that the board does not have.
    """
    if key not in board.blocks.by_name:
        raise CircuitError(f"no block '{key}' on this board", remedy=did_you_mean(key, board.blocks.by_name))
    return _draw(board, key)(board, key)


def _draw(board: Board, key: str) -> Draw:
    if key in _BY_KEY:
        return _BY_KEY[key]
    if key.startswith("line_"):
        return line.line_stage
    return signal.second_order if isinstance(board.blocks.by_name[key], SecondOrder) else signal.third_order
