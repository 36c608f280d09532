"""The types of numbers that formulas take: one value, or one for each unit of a spread."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

Values = float | Array
"""One number, or one per unit of a spread; a formula then gives one result per unit."""


def column(values: Values) -> Values:
    """One value per unit as a column [shape=(units, 1)], so that it broadcasts along frequencies; a number as it is."""
    return values[:, None] if isinstance(values, np.ndarray) and values.ndim == 1 else float(values)
