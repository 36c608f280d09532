"""Preferred values of resistors and capacitors, as IEC 60063 lists them.

E6, E12 and E24 are tables: eight members of E24 differ from the rounded powers of ten. E48 and E96 are the rounded
powers, without exception. E6 is part of E12 and E12 of E24, E48 is part of E96; E24 is not part of E96.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Literal, cast, overload

import numpy as np
from numpy.typing import ArrayLike, NDArray

from voicer.errors import CircuitError

Series = Literal["E6", "E12", "E24", "E48", "E96"]

E24 = (10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91)
TWO_DIGITS: dict[Series, tuple[int, ...]] = {"E6": E24[::4], "E12": E24[::2], "E24": E24}
THREE_DIGITS: dict[Series, int] = {"E48": 48, "E96": 96}

SMALLEST, LARGEST = 1e-15, 1e12
"""Range of values listed; no part is made beyond it."""


@lru_cache(maxsize=256)
def values_between(series: Series, low: float, high: float) -> NDArray[np.float64]:
    """All values of a series from ``low`` to ``high``, both included, rising [shape=(n,), read-only].

    Each is the float nearest to its decimal, so ``4.7e-9`` compares equal to what a user types.
    """
    values = _all_values(series)
    chosen = values[(values >= low * (1 - 1e-9)) & (values <= high * (1 + 1e-9))]
    chosen.setflags(write=False)
    return chosen


@overload
def nearest(series: Series, value: float) -> float: ...


@overload
def nearest(series: Series, value: NDArray[np.float64]) -> NDArray[np.float64]: ...


def nearest(series: Series, value: float | NDArray[np.float64]) -> float | NDArray[np.float64]:
    """Value of a series nearest by ratio to each ``value`` [shape like ``value``]."""
    found = neighbours(series, value, 1)[..., 0]
    return float(found) if np.ndim(value) == 0 else found


def neighbours(series: Series, value: ArrayLike, count: int) -> NDArray[np.float64]:
    """The ``count`` values of a series around each ``value``, rising [shape=(*value.shape, count)].

    As many lie below as above; of an odd count the middle one is the nearest by ratio.

    Raises
    ------
    CircuitError
        For a value that no part can have.
    """
    asked = np.asarray(value, dtype=np.float64)
    wrong = asked[~((asked > SMALLEST) & (asked < LARGEST))]
    if wrong.size:
        raise CircuitError(f"a part must be above {SMALLEST:g} and below {LARGEST:g} (got {wrong.flat[0]:g})")
    return around(_all_values(series), asked, count)


def around(values: NDArray[np.float64], value: NDArray[np.float64], count: int) -> NDArray[np.float64]:
    """As `neighbours`, out of a rising list, whose ends hold the choice back [shape=(*value.shape, count)]."""
    edges = values if count % 2 == 0 else np.sqrt(values[:-1] * values[1:])
    first = np.searchsorted(edges, value) - count // 2
    first = np.clip(first, 0, max(values.size - count, 0))
    return cast("NDArray[np.float64]", values[first[..., None] + np.arange(min(count, values.size))])


@lru_cache(maxsize=8)
def decade(series: Series) -> NDArray[np.float64]:
    """Values of a series from 1 up to, not including, 10 [shape=(n,), read-only]."""
    return values_between(series, 1.0, 9.99)


@lru_cache(maxsize=8)
def _all_values(series: Series) -> NDArray[np.float64]:
    if series in TWO_DIGITS:
        digits, shift = TWO_DIGITS[series], 1
    else:
        members = THREE_DIGITS[series]
        digits, shift = tuple(round(100 * 10 ** (k / members)) for k in range(members)), 2
    powers = range(round(np.log10(SMALLEST)), round(np.log10(LARGEST)))
    values = np.array([float(f"{digit}e{power - shift}") for power in powers for digit in digits])
    values.setflags(write=False)
    return values
