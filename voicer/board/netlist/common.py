"""Shared by all netlists: how values are written, and how parts are connected between named nodes.

Format: the title is the first line and ``.end`` the last; values are plain numbers, at most with an exponent, never
with a suffix, and read back as exactly the same float; ASCII only; the same board always gives the same text.

An amplifier is an ideal one: `AMPLIFIER_GAIN` without a corner, no bias current and no rails. The bias of half the
supply is the reference of all stages, as on the board.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from voicer.board.board import Board
from voicer.circuit.arrays import Values

AMPLIFIER_GAIN = 1e6
"""Open-loop gain of an ideal amplifier. Chosen: a gain of ten is then right to 1e-5."""

END_OHM = 1e-3
"""Resistance left at the end of a track: SPICE programs refuse a resistor of 0 ohm. Chosen."""

OPEN_OHM = 1e12
"""An open switch. Chosen."""


def number(value: Values) -> str:
    """A value as SPICE text that reads back as the same float."""
    return repr(float(value))


def plain(text: str) -> str:
    """A name for a title or a comment: one line of ASCII letters, digits and the simplest marks."""
    kept = (letter if letter.isascii() and (letter.isalnum() or letter in " -_.,") else "?" for letter in text)
    return " ".join("".join(kept).split())


@dataclass
class Sheet:
    """Lines of one netlist, taken part by part from a board."""

    board: Board
    lines: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._parts = {(part.block, part.name): part for part in self.board.parts}

    def add(self, *lines: str) -> None:
        """Lines as they are."""
        self.lines += lines

    def note(self, *texts: str) -> None:
        """Comment lines."""
        self.lines += [f"* {text}" for text in texts]

    def ref(self, block: str, name: str) -> str:
        """Reference of a part."""
        return self._parts[block, name].ref

    def value(self, block: str, name: str) -> float:
        """Value of a part, ohm or farad."""
        return float(self._parts[block, name].value)

    def part(self, block: str, name: str, first: str, second: str, start_v: float | None = None) -> None:
        """A resistor or a capacitor between two nodes; a capacitor can be given its initial voltage."""
        start = "" if start_v is None else f" IC={number(start_v)}"
        self.add(f"{self.ref(block, name)} {first} {second} {number(self.value(block, name))}{start}")

    def pot(self, block: str, name: str, nodes: tuple[str, str, str], position: Values, letters: str = "ab") -> None:
        """Both parts of a track: from its top (position 1) to the wiper, and from the wiper to its bottom."""
        top, wiper, bottom = nodes
        ref, whole_ohm = self.ref(block, name), self.value(block, name)
        upper_ohm, lower_ohm = track(whole_ohm, position)
        self.add(f"{ref}{letters[0]} {top} {wiper} {number(upper_ohm)}")
        self.add(f"{ref}{letters[1]} {wiper} {bottom} {number(lower_ohm)}")

    def rheostat(self, block: str, name: str, first: str, wiper: str, position: Values) -> None:
        """A pot as a variable resistor: its wiper is joined to one end, which leaves that part of no effect."""
        self.pot(block, name, (wiper, wiper, first), position)

    def follower(self, name: str, into: str, out: str) -> None:
        """A voltage follower."""
        self.add(f"E{name} {out} 0 {into} 0 1.0")

    def inverter(self, name: str, minus: str, out: str) -> None:
        """An amplifier with its other input at the bias node."""
        self.add(f"E{name} {out} 0 bias {minus} {number(AMPLIFIER_GAIN)}")

    def text(self, title: str, commands: tuple[str, ...]) -> str:
        """The whole netlist; its commands run in a batch and leave an interactive program open."""
        control = (".control", *commands, "if $?batchmode", "quit", "end", ".endc")
        head = f"voicer {title}: {plain(self.board.voicing.name)}"
        return "\n".join((head, *self.lines, *control, ".end")) + "\n"


def track(whole_ohm: float, position: Values) -> tuple[float, float]:
    """Resistance above and below a wiper, ohm: neither less than `END_OHM`."""
    at = float(position)
    return max((1 - at) * whole_ohm, END_OHM), max(at * whole_ohm, END_OHM)
