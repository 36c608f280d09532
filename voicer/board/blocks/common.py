"""Shared by all blocks: pot sizes, limits, and the search for combinations of standard values."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from voicer.board.series import Series, nearest, values_between
from voicer.circuit.arrays import Array, Values
from voicer.errors import CircuitError

POT_SIZES_OHM = (10e3, 20e3, 25e3, 50e3, 100e3, 250e3, 500e3, 1e6)
"""Common pot sizes, linear track (common practice, no source); chosen from this list, never snapped."""

LEAST_PADDER_FARAD, LEAST_PADDER_OHM = 10e-12, 10.0
"""Smallest padders: below, strays and contact resistance would dominate. Chosen."""

PADDER_SHARE = 1 / 6
"""Share of an exact value that goes into its padder. Chosen."""


def require(value: float, low: float, high: float, what: str, unit: str, remedy: str) -> None:
    """Refuse a number outside ``low..high``, or NaN, with a `CircuitError`."""
    if not low <= value <= high:
        span = f"{low:.4g}..{high:.4g}" + (f" {unit}" if unit else "")
        raise CircuitError(f"{what} must be in {span} (got {value:.4g})", remedy=remedy)


def on_the_track(position: Values) -> Values:
    """Nearest position that a pot can reach, 0..1."""
    return np.clip(position, 0.0, 1.0)


def off(made: Values, asked: Values) -> Values:
    """Relative error as the magnitude of a natural logarithm: 0.01 is one percent."""
    return np.abs(np.log(made / asked))


def combinations(*choices: ArrayLike) -> tuple[Array, ...]:
    """Every combination of the choices, as one flat array for each of them."""
    axes = np.meshgrid(*(np.asarray(choice, dtype=np.float64) for choice in choices), indexing="ij")
    return tuple(axis.ravel() for axis in axes)


def least(error: ArrayLike, *choices: Array) -> tuple[float, ...]:
    """The combination with the least error."""
    index = int(np.argmin(error))
    return tuple(float(choice[index]) for choice in choices)


def within(series: Series, value: float, factor: float) -> Array:
    """Values of a series within a factor of a value; only the nearest if none is that close."""
    found = values_between(series, float(value / factor), float(value * factor))
    return found if found.size else np.array([nearest(series, float(value))])


def closest(series: Series, value: float) -> float:
    """The value of a series nearest by ratio."""
    return nearest(series, float(value))


def pots_near(exact_ohm: float, factor: float) -> tuple[float, ...]:
    """Standard pots within a factor of one size."""
    return tuple(size for size in POT_SIZES_OHM if exact_ohm / factor <= size <= exact_ohm * factor)


def shared(total: float) -> tuple[float, float]:
    """An exact value split between a part and its padder."""
    return total * (1 - PADDER_SHARE), total * PADDER_SHARE


def two_values(series: Series, total: float, smallest: float) -> tuple[float, float]:
    """A part and its padder, no smaller than ``smallest``, whose sum is nearest to a total.

    Two capacitors in parallel or two resistors in series, in F or ohm.
    """
    main = within(series, total / 1.4, 1.4)
    main = main[main <= 0.97 * total]
    padder = nearest(series, np.maximum(total - main, smallest))
    choice = least(off(main + padder, total), main, padder)
    return choice[0], choice[1]
