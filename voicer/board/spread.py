"""Tolerances: many units of one board, each part at random within its tolerance, and how the figures vary.

Parts vary independently, with the distribution that `Tolerances` states. Unit K of a board is always the same: part i
takes the K-th number of its own random stream. Controls stay where they are on the nominal board; trims are adjusted on
each unit.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from voicer.board.board import Board
from voicer.board.figures import BoardFigure, compute_figures, loudest_position
from voicer.board.parts import Kind, Part
from voicer.circuit.arrays import column
from voicer.errors import CircuitError, did_you_mean

SEED = 63
MOST_UNITS = 1_000_000
"""Highest unit number."""

UNITS, PERCENTILES = 10_000, (5.0, 50.0, 95.0)
"""Of a spread, by default."""

LEAST_SLOPE = 1e-6
"""A figure that moves by less over all tolerances counts as constant."""

STEP = 1e-3
"""Relative change of a part, up and down, used for sensitivities."""


@dataclass(frozen=True)
class Tolerances:
    """How far parts may be off, as a fraction of their value, and with what distribution."""

    resistor: float = 0.05
    capacitor: float = 0.10
    pot: float = 0.20
    """Whole track of a pot (common practice, no source)."""
    distribution: Literal["uniform", "normal"] = "uniform"
    """Uniform, or normal with three standard deviations at the tolerance and cut off there."""

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
        law = "uniformly" if self.distribution == "uniform" else "normally (cut off at three sigma)"
        return (
            f"parts vary independently, {law} distributed within their tolerance: resistors {100 * self.resistor:g} %, "
            f"capacitors {100 * self.capacitor:g} %, pots {100 * self.pot:g} %; controls as set, trims per unit"
        )


@dataclass(frozen=True)
class Spread:
    """The figures of many units of a board."""

    tolerances: Tolerances
    nominal: list[BoardFigure]
    figures: list[BoardFigure]
    """The same with one value per unit [shape=(units,)], without those that no part affects."""
    f_hz: NDArray[np.float64]
    """Frequencies of the response, up to 0.45 of the slowest unit's clock [shape=(n,)]."""
    response_db: NDArray[np.float64]
    """Once through the wet path at each of `PERCENTILES` [shape=(3, n)]."""

    @property
    def units(self) -> int:
        """Number of units."""
        return np.size(self.figures[0].value)

    def percentiles(self) -> dict[str, tuple[float, ...]]:
        """Each figure at `PERCENTILES`, by key."""
        return {figure.key: tuple(np.percentile(figure.value, PERCENTILES).tolist()) for figure in self.figures}

    def share_within(self, limits: Mapping[str, tuple[float, float]]) -> float:
        """Fraction of units within all limits, given by key as (lowest, highest); `CircuitError` for an unknown key."""
        values = {figure.key: figure.value for figure in self.figures}
        inside = np.ones(self.units, dtype=bool)
        for key, (low, high) in limits.items():
            if key not in values:
                raise CircuitError(f"no figure '{key}' has a spread", remedy=did_you_mean(key, values))
            inside &= (values[key] >= low) & (values[key] <= high)
        return float(inside.mean())


def compute_spread(board: Board, tolerances: Tolerances | None = None, units: int = UNITS) -> Spread:
    """Figures and wet response of units 1 to ``units`` of a board."""
    tolerances = tolerances or Tolerances()
    many, loudest = spread_of(board, units, tolerances), loudest_position(board)
    nominal = compute_figures(board, loudest)
    varied = [figure for figure in compute_figures(many, loudest) if np.ndim(figure.value) and np.ptp(figure.value) > 0]
    clock_hz = np.min(many.clock_hz(many.controls.time))
    f_hz = np.geomspace(20, min(20e3, 0.45 * clock_hz), 96)
    gain = many.wet_path().wet_gain(f_hz, column(many.clock_hz(many.controls.time)))
    return Spread(tolerances, nominal, varied, f_hz, np.percentile(20 * np.log10(gain), PERCENTILES, axis=0))


@dataclass(frozen=True)
class Sensitivity:
    """How much one part affects one figure."""

    key: str
    part: Part
    slope: float
    """Relative change of the figure over relative change of the part; for a level, dB per 1 %."""
    share: float
    """Share of the figure's variance due to this part at its tolerance."""


def compute_sensitivities(board: Board, tolerances: Tolerances | None = None) -> dict[str, list[Sensitivity]]:
    """For each figure, by key, the parts that affect it, the most important first.

    By central differences: each part in turn ``STEP`` up and ``STEP`` down.
    """
    tolerances, parts = tolerances or Tolerances(), board.parts
    loudest = loudest_position(board)
    up_and_down = board.with_values({
        part.ref: part.value * (1 + STEP * np.repeat([1.0, -1.0], len(parts)) * np.tile(row, 2))
        for part, row in zip(parts, np.eye(len(parts)), strict=True)
    })  # fmt: skip
    within = np.array([tolerances.of(part.kind) for part in parts])
    found = {}
    for nominal, figure in zip(compute_figures(board, loudest), compute_figures(up_and_down, loudest), strict=True):
        up, down = np.broadcast_to(figure.value, 2 * len(parts)).reshape(2, -1)
        per_step = 100.0 if figure.unit == "dB" else nominal.value
        slopes = (up - down) / (2 * STEP * per_step) if per_step else np.zeros(len(parts))
        weight = (slopes * within) ** 2
        if weight.sum() > LEAST_SLOPE**2:
            order = [int(k) for k in np.argsort(-weight) if weight[k] > 1e-6 * weight.sum()]
            shares = weight / weight.sum()
            found[figure.key] = [
                Sensitivity(figure.key, parts[k], float(slopes[k]), float(shares[k])) for k in order
            ]
    return found


def unit_of(board: Board, unit: int, tolerances: Tolerances) -> Board:
    """Unit number ``unit`` of a board, counted from 1; `CircuitError` below 1 or above a million."""
    if not 1 <= unit <= MOST_UNITS:
        raise CircuitError(f"a unit number must be in 1..{MOST_UNITS} (got {unit})", remedy="units count from 1")
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
