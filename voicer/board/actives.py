"""The parts on the board that are not resistors, pots or capacitors: amplifiers, devices, gain cells, switches, diodes.

Each is named by its function, not by a part number. Amplifiers usually come two or four to a package.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from voicer.board.block_set import Block
from voicer.board.blocks.gain_cells import GainCellPair
from voicer.board.blocks.line_stage import LineStage
from voicer.board.blocks.sallen_key import SecondOrder, ThirdOrder
from voicer.board.board import Board

ActiveKind = Literal["amplifier", "line", "gain cell", "comparator", "logic", "diode", "switch", "transistor"]
LETTERS: dict[ActiveKind, str] = {
    "amplifier": "U", "line": "U", "gain cell": "U", "comparator": "U", "logic": "U",
    "diode": "D", "switch": "S", "transistor": "Q",
}  # fmt: skip

AMPLIFIER = "operational amplifier, rail-to-rail output (within 0.35 V), runs on 9 V"

DIODE = "silicon diode, small signal"


@dataclass(frozen=True)
class Active:
    """One of these parts."""

    ref: str
    kind: ActiveKind
    what: str
    """What to look for when buying."""
    block: str
    note: str


def list_actives(board: Board) -> list[Active]:
    """All of them, numbered in block order."""
    counts: dict[str, int] = {}
    found = []
    for name, block in board.blocks.by_name.items():
        for kind, what, note in _of(name, block):
            letter = LETTERS[kind]
            counts[letter] = counts.get(letter, 0) + 1
            found.append(Active(f"{letter}{counts[letter]}", kind, what, name, note))
    return found


def _of(name: str, block: Block) -> Iterator[tuple[ActiveKind, str, str]]:
    if isinstance(block, SecondOrder | ThirdOrder):
        yield "amplifier", AMPLIFIER, f"{name.rpartition('_')[0].replace('_', '-')} filter: follower"
    elif isinstance(block, LineStage):
        what = f"bucket-brigade device, {block.stages} stages"
        yield "line", what, f"{block.note}: check its supply polarity and ratings"
        yield "amplifier", AMPLIFIER, f"{block.note}: follower after the balance trim"
    elif isinstance(block, GainCellPair):
        yield "gain cell", "2:1 gain cell with averaging rectifier and amplifier", "compressor"
        yield "gain cell", "2:1 gain cell with averaging rectifier and amplifier", "expander"
    else:
        yield from _FIXED[name]


_FIXED: dict[str, tuple[tuple[ActiveKind, str, str], ...]] = {
    "supply": (
        ("diode", "Schottky diode, 30 V, 1 A", "supply: reverse-polarity protection"),
        ("amplifier", AMPLIFIER, "supply: bias follower"),
    ),
    "input": (("amplifier", AMPLIFIER, "input buffer: follower with high input impedance"),),
    "sum": (
        ("amplifier", AMPLIFIER, "repeats: amplifier behind the pot"),
        ("diode", DIODE, "repeats: limiter, from the bias"),
        ("diode", DIODE, "repeats: limiter, to the bias"),
        ("amplifier", AMPLIFIER, "input sum"),
    ),
    "low_cut": (("amplifier", AMPLIFIER, "low cut: follower"),),
    "line_level": (("amplifier", AMPLIFIER, "make-up amplifier"),),
    "output_coupling": (("amplifier", AMPLIFIER, "output coupling: follower"),),
    "mixer": (
        ("amplifier", AMPLIFIER, "output mixer: follower after the dry track"),
        ("amplifier", AMPLIFIER, "output mixer: follower after the echo track"),
        ("amplifier", AMPLIFIER, "output mixer"),
    ),
    "clock": (
        ("amplifier", AMPLIFIER, "clock: drives the timing current"),
        ("transistor", "matched pair and switch, small signal", "clock: mirrors and switches the timing current"),
        ("comparator", "window comparator with a latch", "clock: compares with both thresholds"),
        ("logic", "divide-by-two with both outputs, drives the line's clock inputs", "clock: makes the two phases"),
    ),
    "lfo": (
        ("amplifier", AMPLIFIER, "LFO: follower after the rate pot"),
        ("amplifier", AMPLIFIER, "LFO: integrator"),
        ("comparator", "comparator, rail-to-rail output (within 0.35 V)", "LFO: Schmitt trigger"),
        ("switch", "toggle switch, two poles", "LFO: selects the slow or fast range"),
    ),
    "depth": (
        ("amplifier", AMPLIFIER, "depth: follower after the depth pot"),
        ("amplifier", AMPLIFIER, "depth: sums the clock's control voltage"),
        ("switch", "toggle switch, one pole", "depth: switches the modulation on and off"),
    ),
}
