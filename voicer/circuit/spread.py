"""Tolerances: many units of one board, each part somewhere within its tolerance.

Every part is drawn on its own, independent of the others, from the distribution that `Tolerances` states. Unit K
of a board is always the same: part i takes the K-th number of its own stream. Knobs stand as on the nominal board,
trims are set on each unit anew.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from voicer.circuit.board import Board
from voicer.circuit.parts import Kind
from voicer.errors import CircuitError

SEED = 63
MOST_UNITS = 1_000_000
"""No unit has a higher number."""


@dataclass(frozen=True)
class Tolerances:
    """How far parts may be off, as a fraction, and how they lie within it."""

    resistor: float = 0.05
    capacitor: float = 0.10
    pot: float = 0.20
    """Whole track of a pot (common practice, no source)."""
    distribution: Literal["uniform", "normal"] = "uniform"
    """Every value within the tolerance alike, or a bell curve whose third standard deviation is the tolerance, held
    to it."""

    def __post_init__(self) -> None:
        for kind in ("resistor", "capacitor", "pot"):
            value = getattr(self, kind)
            if not 0 <= value <= 0.5:
                raise CircuitError(
                    f"the tolerance of a {kind} must be in 0..50 % (got {100 * value:g})",
                    remedy="5 is usual for resistors, 10 for capacitors, 20 for pots",
                )

    def of(self, kind: Kind) -> float:
        """Tolerance of a kind of part, as a fraction."""
        return float(getattr(self, kind))

    @property
    def statement(self) -> str:
        """In words, for sheets."""
        lie = "alike likely within" if self.distribution == "uniform" else "bell-shaped within (3 sigma)"
        return (
            f"each part on its own, {lie} resistors {100 * self.resistor:g} %, capacitors {100 * self.capacitor:g} %, "
            f"pots {100 * self.pot:g} %; knobs as set, trims set on each unit"
        )


def unit_of(board: Board, unit: int, tolerances: Tolerances) -> Board:
    """Unit number ``unit`` of a board, counted from 1; `CircuitError` below 1 or above a million."""
    if not 1 <= unit <= MOST_UNITS:
        raise CircuitError(f"a unit's number must be in 1..{MOST_UNITS} (got {unit})", remedy="units count from 1")
    drawn = _draw(board, unit, tolerances)
    return board.with_values({ref: float(values[-1]) for ref, values in drawn.items()})


def spread_of(board: Board, units: int, tolerances: Tolerances) -> Board:
    """Units 1 to ``units`` of a board: every part an array [shape=(units,)]."""
    if not 1 <= units <= MOST_UNITS:
        raise CircuitError(f"a spread must have 1..{MOST_UNITS} units (got {units})", remedy="10000 is plenty")
    return board.with_values(_draw(board, units, tolerances))


def _draw(board: Board, units: int, tolerances: Tolerances) -> dict[str, NDArray[np.float64]]:
    values = {}
    for index, part in enumerate(board.parts):
        source, tolerance = np.random.default_rng([SEED, index]), tolerances.of(part.kind)
        if tolerances.distribution == "uniform":
            off = 2 * source.random(units) - 1
        else:
            off = np.clip(source.standard_normal(units) / 3, -1, 1)
        values[part.ref] = part.value * (1 + tolerance * off)
    return values
