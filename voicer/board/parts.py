"""Parts: the components of a block, numbered as on a schematic, and blocks with other values.

A *block* is a frozen dataclass in `board.blocks`. Each field whose name ends in ``_ohm`` or ``_farad`` is one part; its
purpose is in the field's metadata. Everything else about a block follows from these values in closed form, written so
that a field may hold an array instead of a number: ten thousand units of a spread are one call.

| ending       | kind      | letter | unit |
|--------------|-----------|--------|------|
| ``_ohm``     | resistor  | R      | ohm  |
| ``_pot_ohm`` | pot       | RV     | ohm  |
| ``_farad``   | capacitor | C      | F    |
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, fields, replace
from typing import TYPE_CHECKING, Any, Literal, TypeVar

from voicer.circuit.arrays import Values
from voicer.errors import CircuitError, did_you_mean, one_line

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

B = TypeVar("B", bound="DataclassInstance")

Kind = Literal["resistor", "pot", "capacitor"]
LETTER: dict[Kind, str] = {"resistor": "R", "pot": "RV", "capacitor": "C"}


@dataclass(frozen=True)
class Part:
    """One resistor, pot or capacitor."""

    ref: str
    """Reference on the schematic, such as ``R7``; counted across all blocks in order."""
    kind: Kind
    value: float
    """Ohm or farad."""
    block: str
    """Name of the block it belongs to."""
    name: str
    """Name of the block's field."""
    note: str
    """Its purpose."""

    @property
    def key(self) -> str:
        """Block and field, such as ``low_cut.load_ohm``: stays with the part when the board is numbered anew."""
        return f"{self.block}.{self.name}"


def part(note: str) -> Any:
    """A dataclass field that is a part: ``bias_ohm: float = part("sets the input impedance")``."""
    return field(metadata={"note": note})


def kind_of(name: str) -> Kind | None:
    """Kind of the part a field holds, None for a field that is no part."""
    if name.endswith("_pot_ohm"):
        return "pot"
    if name.endswith("_ohm"):
        return "resistor"
    return "capacitor" if name.endswith("_farad") else None


def numbered(blocks: Mapping[str, DataclassInstance]) -> list[Part]:
    """All parts of blocks in their order, numbered per letter from 1."""
    counts: dict[str, int] = {}
    found = []
    for block, kind, name, note, value in _walk(blocks):
        letter = LETTER[kind]
        counts[letter] = counts.get(letter, 0) + 1
        found.append(Part(f"{letter}{counts[letter]}", kind, value, block, name, note))
    return found


def find_part(name: str, parts: Iterable[Part]) -> Part:
    """The part of that reference (``R7``) or key (``low_cut.load_ohm``).

    Raises
    ------
    CircuitError
        When there is none, with the nearest name that exists.
    """
    parts = list(parts)
    for one in parts:
        if name in (one.ref, one.key):
            return one
    names = [one.key if "." in name else one.ref for one in parts]
    raise CircuitError(f"no part '{one_line(name)}' on this board", remedy=did_you_mean(name, names))


def with_values(blocks: Mapping[str, B], values: Mapping[str, Values]) -> dict[str, B]:
    """The same blocks with other values by reference or key: ``{"R7": 12e3}``; values may be arrays.

    Raises
    ------
    CircuitError
        For a name that no part has.
    """
    parts = numbered(blocks)
    known = {part.ref: part for part in parts} | {part.key: part for part in parts}
    changes: dict[str, dict[str, Values]] = {}
    for name, value in values.items():
        found = known.get(name) or find_part(name, parts)
        changes.setdefault(found.block, {})[found.name] = value
    return {name: replace(block, **changes.get(name, {})) for name, block in blocks.items()}


def _walk(blocks: Mapping[str, DataclassInstance]) -> Iterator[tuple[str, Kind, str, str, float]]:
    for block, values in blocks.items():
        for item in fields(values):
            kind = kind_of(item.name)
            if kind is not None:
                yield block, kind, item.name, item.metadata.get("note", ""), getattr(values, item.name)
