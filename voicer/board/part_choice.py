"""From a voicing to a circuit: exactly as asked for, or as parts you can buy make it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from typing import Any

from pydantic import ConfigDict, TypeAdapter, ValidationError

from voicer.board.board import DEFAULT_SERIES, Board, SeriesName, design_board
from voicer.board.parts import Part, find_part, kind_of
from voicer.board.series import Series
from voicer.board.spread import Tolerances, unit_of
from voicer.board.values import require_value
from voicer.circuit.circuit import Circuit
from voicer.circuit.ideal import design_ideal
from voicer.errors import CircuitError, one_line
from voicer.voicing import Voicing


@dataclass(frozen=True)
class PartChoice:
    """Which parts make the sound; with nothing chosen, those that make exactly what the voicing asks for."""

    __pydantic_config__ = ConfigDict(extra="forbid")

    series: SeriesName | None = None
    """Series of the resistors; E24 if only something else is chosen."""
    capacitors: Series | None = None
    """Series of the capacitors: E12 unless chosen, or E6 with E6 resistors."""
    unit: int | None = None
    """One board out of many whose parts vary within their tolerance, counted from 1; a number is always the same
    board."""
    swaps: Mapping[str, float] = field(default_factory=dict)
    """Parts with another value, ohm or farad, by block and field: ``{"low_cut.load_ohm": 12e3}``."""
    tolerances: Tolerances = field(default_factory=Tolerances)
    heard: bool = True
    """False while the player listens to exact values and will come back to these parts."""

    def __post_init__(self) -> None:
        for key, value in self.swaps.items():
            _, dot, name = key.partition(".")
            kind = kind_of(name)
            if not dot or kind is None:
                raise CircuitError(
                    f"a swap must name block and field (got '{one_line(key)}')", remedy="for example low_cut.load_ohm"
                )
            require_value(value, kind)

    @property
    def asks_for_parts(self) -> bool:
        """False for the circuit as the voicing asks for it, whether or not parts for it exist."""
        chosen = self.series is not None or self.capacitors is not None or self.unit is not None or bool(self.swaps)
        return self.heard and chosen

    @property
    def series_name(self) -> SeriesName:
        """Series of the resistors."""
        return self.series or DEFAULT_SERIES

    @property
    def says(self) -> str:
        """In words: ``exact values``, ``E24 parts, unit 3, low_cut.load_ohm swapped``."""
        return self.describe([])

    def describe(self, parts: list[Part]) -> str:
        """As `says`, with the references of a board's parts: ``E24 parts, unit 3, R7 swapped``."""
        if not self.asks_for_parts:
            return "exact values"
        refs = {part.key: part.ref for part in parts}
        told = ["exact parts" if self.series_name == "exact" else f"{self.series_name} parts"]
        told += [f"unit {self.unit}"] if self.unit is not None else []
        told += [f"{refs.get(key, key)} swapped" for key in self.swaps]
        return ", ".join(told)

    def nominal(self, voicing: Voicing) -> Board:
        """The board with its parts as printed on them, swaps included."""
        return design_board(voicing, self.series_name, capacitors=self.capacitors, swaps=self.swaps)

    def board(self, voicing: Voicing) -> Board:
        """The board that is heard: that of one unit, if one is chosen. A swapped part keeps the value given."""
        made = design_board(voicing, self.series_name, capacitors=self.capacitors)
        if self.unit is not None:
            made = unit_of(made, self.unit, self.tolerances)
        return made.with_values(self.swaps) if self.swaps else made

    def circuit(self, voicing: Voicing) -> Circuit:
        """The circuit that is heard; `CircuitError` when it cannot be built."""
        return self.board(voicing).circuit() if self.asks_for_parts else design_ideal(voicing)

    def next(self, unit: int) -> PartChoice:
        """What the player hears next: exact values, then bought parts, then one unit of them.

        Series, tolerances and swaps are kept all the way round.
        """
        if not self.asks_for_parts:
            return replace(self, series=self.series_name, unit=None, heard=True)
        return replace(self, unit=unit) if self.unit is None else replace(self, unit=None, heard=False)

    def fitted(self, voicing: Voicing) -> tuple[PartChoice, list[str]]:
        """The choice without swaps of parts that the voicing's board does not have, and a line for each of those.

        A choice that is not heard is not judged.

        Raises
        ------
        CircuitError
            When the board cannot be built at all.
        """
        if not (self.heard and self.swaps):
            return self, []
        there = {part.key for part in design_board(voicing, self.series_name, capacitors=self.capacitors).parts}
        kept = {key: value for key, value in self.swaps.items() if key in there}
        lines = [f"swap of {key} dropped: this board has no such part" for key in self.swaps if key not in there]
        return (replace(self, swaps=kept) if lines else self), lines

    def as_json(self) -> dict[str, Any]:
        """Plain data that `from_json` reads back."""
        return asdict(self)

    @classmethod
    def from_json(cls, data: Any) -> PartChoice:
        """The choice that `as_json` wrote; `CircuitError` for anything else."""
        try:
            return _ADAPTER.validate_python(data)
        except ValidationError as error:
            first = error.errors()[0]
            where = ".".join(str(place) for place in first["loc"]) or "it"
            raise CircuitError(
                f"a parts choice must hold what voicer wrote ({one_line(where)}: {one_line(first['msg'])})"
            ) from error


_ADAPTER = TypeAdapter(PartChoice)


def design(
    voicing: Voicing,
    series: SeriesName | None = None,
    *,
    capacitors: Series | None = None,
    unit: int | None = None,
    swaps: Mapping[str, float] | None = None,
    tolerances: Tolerances | None = None,
) -> Circuit:
    """The circuit of a voicing: exactly what it asks for, or what parts make of it.

    Parameters
    ----------
    voicing : Voicing
    series : {"exact", "E6", "E12", "E24", "E48", "E96"}, optional
        Of the resistors. Left out, the circuit is the one asked for, which exact parts make too, whether or not
        parts for it exist; with a unit or swaps, E24.
    capacitors : {"E6", "E12", "E24", "E48", "E96"}, optional
        E12, or E6 with E6 resistors.
    unit : int >= 1, optional
        One board out of many whose parts vary within their tolerance; a number is always the same board.
    swaps : mapping of part to value, optional
        Parts with another value, ohm or farad, by reference on this board (``{"R7": 12e3}``) or by block and field
        (``{"low_cut.load_ohm": 12e3}``).
    tolerances : Tolerances, optional

    Raises
    ------
    CircuitError
        When the filters leave the line no time, or no parts can be found.
    """
    by_key = {}
    if swaps:
        parts = design_board(voicing, series or DEFAULT_SERIES, capacitors=capacitors).parts
        by_key = {find_part(name, parts).key: value for name, value in swaps.items()}
    return PartChoice(series, capacitors, unit, by_key, tolerances or Tolerances()).circuit(voicing)
