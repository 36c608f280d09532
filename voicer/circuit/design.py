"""From a voicing to a circuit: as it asks, or as parts that can be bought make it."""

from __future__ import annotations

from collections.abc import Mapping

from voicer.circuit.board import DEFAULT_SERIES, SeriesName, board
from voicer.circuit.circuit import Circuit
from voicer.circuit.ideal import ideal
from voicer.circuit.series import Series
from voicer.circuit.spread import Tolerances, unit_of
from voicer.voicing import Voicing


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
    if series is None and capacitors is None and unit is None and not swaps:
        return ideal(voicing)
    made = board(voicing, series or DEFAULT_SERIES, capacitors=capacitors)
    if unit is not None:
        made = unit_of(made, unit, tolerances or Tolerances())
    return (made.with_values(swaps) if swaps else made).circuit()
