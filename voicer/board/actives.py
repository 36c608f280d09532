"""What stands on the board beside resistors, pots and capacitors: amplifiers, devices, gain cells, switches, a diode.

Generic parts by what they do, not by a maker's number. A builder takes amplifiers two or four to a package.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Literal

from voicer.board.board import Board

ActiveKind = Literal["amplifier", "line", "gain cell", "comparator", "logic", "diode", "switch", "transistor"]
LETTERS: dict[ActiveKind, str] = {
    "amplifier": "U", "line": "U", "gain cell": "U", "comparator": "U", "logic": "U",
    "diode": "D", "switch": "S", "transistor": "Q",
}  # fmt: skip

AMPLIFIER = "operational amplifier, output to within 0.35 V of the rails, from 9 V"


@dataclass(frozen=True)
class Active:
    """One such part."""

    ref: str
    kind: ActiveKind
    what: str
    """What to look for when buying."""
    block: str
    note: str


def actives(board: Board) -> list[Active]:
    """All of them, numbered in the order of the blocks."""
    counts: dict[str, int] = {}
    found = []
    for block, values in board.blocks.items():
        for kind, what, note in _of(block, values):
            letter = LETTERS[kind]
            counts[letter] = counts.get(letter, 0) + 1
            found.append(Active(f"{letter}{counts[letter]}", kind, what, block, note))
    return found


def _of(block: str, values: Any) -> Iterator[tuple[ActiveKind, str, str]]:
    if block.startswith(("anti_alias", "reconstruction")):
        yield "amplifier", AMPLIFIER, f"{block.rpartition('_')[0].replace('_', '-')} filter: follower"
    elif block.startswith("line_") and hasattr(values, "stages"):
        what = f"bucket-brigade device, {values.stages} stages"
        yield "line", what, f"{values.note}: allow for its supply polarity and ratings"
        yield "amplifier", AMPLIFIER, f"{values.note}: follower behind the balance trim"
    elif block == "compander":
        yield "gain cell", "2:1 gain cell with averaging rectifier and amplifier", "compressor"
        yield "gain cell", "2:1 gain cell with averaging rectifier and amplifier", "expander"
    else:
        yield from _FIXED[block]


_FIXED: dict[str, tuple[tuple[ActiveKind, str, str], ...]] = {
    "supply": (
        ("diode", "Schottky diode, 30 V, 1 A", "supply: against wrong polarity"),
        ("amplifier", AMPLIFIER, "supply: follower of the bias node"),
    ),
    "input": (("amplifier", AMPLIFIER, "input buffer: follower, input of high impedance"),),
    "sum": (
        ("amplifier", AMPLIFIER, "input sum: follower behind the repeats pot"),
        ("amplifier", AMPLIFIER, "input sum"),
    ),
    "low_cut": (("amplifier", AMPLIFIER, "low cut: follower"),),
    "line_level": (("amplifier", AMPLIFIER, "line: make-up"),),
    "output_coupling": (("amplifier", AMPLIFIER, "output coupling: follower"),),
    "mixer": (
        ("amplifier", AMPLIFIER, "output mixer: follower behind the dry track"),
        ("amplifier", AMPLIFIER, "output mixer: follower behind the echo track"),
        ("amplifier", AMPLIFIER, "output mixer"),
    ),
    "clock": (
        ("amplifier", AMPLIFIER, "clock: drives the timing current"),
        ("transistor", "matched pair and switch, small signal", "clock: mirrors and steers the timing current"),
        ("comparator", "window comparator with a latch", "clock: the two thresholds"),
        ("logic", "divider by two with both outputs, able to drive the line's clock inputs", "clock: two phases"),
    ),
    "lfo": (
        ("amplifier", AMPLIFIER, "LFO: follower behind the rate pot"),
        ("amplifier", AMPLIFIER, "LFO: integrator"),
        ("comparator", "comparator, output to within 0.35 V of the rails", "LFO: Schmitt trigger"),
        ("switch", "toggle, two poles", "LFO: slow and fast range"),
    ),
    "depth": (
        ("amplifier", AMPLIFIER, "depth: follower behind the depth pot"),
        ("amplifier", AMPLIFIER, "depth: sums the control voltage of the clock"),
        ("switch", "toggle, one pole", "depth: modulation on and off"),
    ),
}
