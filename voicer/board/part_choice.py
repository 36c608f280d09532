"""From a voicing to a circuit: as it asks, or as parts that can be bought make it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from voicer.board.board import DEFAULT_SERIES, Board, SeriesName, design_board
from voicer.board.series import Series
from voicer.board.spread import Tolerances, unit_of
from voicer.circuit.circuit import Circuit
from voicer.circuit.ideal import ideal
from voicer.voicing import Voicing


@dataclass(frozen=True)
class PartChoice:
    """Which parts make the sound; with nothing chosen, those that make exactly what the voicing asks for."""

    series: SeriesName | None = None
    """Of the resistors; E24 where only something else is chosen."""
    capacitors: Series | None = None
    """E12, or E6 beside E6 resistors."""
    unit: int | None = None
    """One board of many whose parts vary within their tolerance, always the same for the same number, from 1."""
    swaps: Mapping[str, float] = field(default_factory=dict)
    """Parts with another value by reference, ohm or farad: ``{"R7": 12e3}``."""
    tolerances: Tolerances = field(default_factory=Tolerances)

    @property
    def asks_for_parts(self) -> bool:
        """False for the circuit as the voicing asks for it, whether or not parts can be found."""
        return self.series is not None or self.capacitors is not None or self.unit is not None or bool(self.swaps)

    @property
    def series_name(self) -> SeriesName:
        """Series of the resistors."""
        return self.series or DEFAULT_SERIES

    @property
    def says(self) -> str:
        """In words: ``exact values``, ``E24 parts, unit 3, R7 swapped``."""
        if not self.asks_for_parts:
            return "exact values"
        told = ["exact parts" if self.series_name == "exact" else f"{self.series_name} parts"]
        told += [f"unit {self.unit}"] if self.unit is not None else []
        told += [f"{ref} swapped" for ref in self.swaps]
        return ", ".join(told)

    def nominal(self, voicing: Voicing) -> Board:
        """The board with its parts as printed on them, swaps made."""
        return design_board(voicing, self.series_name, capacitors=self.capacitors, swaps=self.swaps)

    def board(self, voicing: Voicing) -> Board:
        """The board that is heard: of one unit, if one is chosen. A swapped part keeps the value given."""
        made = design_board(voicing, self.series_name, capacitors=self.capacitors)
        if self.unit is not None:
            made = unit_of(made, self.unit, self.tolerances)
        return made.with_values(self.swaps) if self.swaps else made

    def circuit(self, voicing: Voicing) -> Circuit:
        """The circuit that is heard; `CircuitError` when it cannot be built."""
        return self.board(voicing).circuit() if self.asks_for_parts else ideal(voicing)

    def next(self, unit: int) -> PartChoice:
        """What a player hears next: exact values, then bought parts, then one unit of them."""
        if not self.asks_for_parts:
            return replace(self, series=DEFAULT_SERIES)
        return replace(self, unit=unit) if self.unit is None else PartChoice(tolerances=self.tolerances)


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
        parts can be found; with a unit or swaps, E24.
    capacitors : {"E6", "E12", "E24", "E48", "E96"}, optional
        E12, or E6 beside E6 resistors.
    unit : int >= 1, optional
        One board of many whose parts vary within their tolerance, always the same for the same number.
    swaps : mapping of reference to value, optional
        Parts with another value, ohm or farad: ``{"R7": 12e3}``.
    tolerances : Tolerances, optional

    Raises
    ------
    CircuitError
        When the filters leave the line no time, or no parts can be found.
    """
    return PartChoice(series, capacitors, unit, swaps or {}, tolerances or Tolerances()).circuit(voicing)
