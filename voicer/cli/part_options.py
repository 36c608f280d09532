"""Options of the commands that work on parts, and the choice of parts they ask for."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from voicer.board import PartChoice, design_board
from voicer.board.board import DEFAULT_SERIES, SeriesName
from voicer.board.series import Series
from voicer.board.spread import Tolerances
from voicer.board.values import parse_swaps

if TYPE_CHECKING:
    from voicer.voicing import Voicing

Resistors = Annotated[
    SeriesName | None, typer.Option("--series", help="Use parts: resistors from this series, or exact.")
]
Capacitors = Annotated[
    Series | None, typer.Option("--capacitors", help="Capacitor series; default: E12, or E6 with E6 resistors.")
]
Unit = Annotated[int | None, typer.Option("--unit", min=1, help="Use this unit of the tolerance spread, from 1.")]
Swaps = Annotated[
    list[str] | None,
    typer.Option("--swap", metavar="REF=VALUE", help="Swap a part, such as R7=12k or low_cut.load_ohm=56k."),
]


def part_choice(
    voicing: Voicing, series: SeriesName | None, capacitors: Series | None, unit: int | None,
    swaps: list[str] | None, tolerances: Tolerances | None = None,
) -> PartChoice:  # fmt: skip
    """What the options for parts ask for; swapped parts are looked for on the voicing's board."""
    values = {}
    if swaps:
        values = parse_swaps(swaps, design_board(voicing, series or DEFAULT_SERIES, capacitors=capacitors).parts)
    return PartChoice(series, capacitors, unit, values, tolerances or Tolerances())
