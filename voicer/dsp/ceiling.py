"""The output ceiling: whatever happens before it, what leaves is a number and never above a set level.

The gain falls at once when a sample would pass the ceiling and comes back slowly; below the ceiling nothing is
changed and nothing is delayed.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray


@njit(cache=True, error_model="numpy")
def limit_to_ceiling(x, y, numbers, state):
    """Hold ``x`` under ``numbers[0]``; what is no number becomes 0. ``y`` may be ``x``; ``state[0]`` is the gain.

    Thread: audio; allocates nothing.
    """
    highest, share, gain = numbers[0], numbers[1], state[0]
    for j in range(x.size):
        value = x[j]
        if not abs(value) <= 1e30:
            value = 0.0
        gain += (1.0 - gain) * share
        size = abs(value)
        if size * gain > highest:
            gain = highest / size
        y[j] = min(max(value * gain, -highest), highest)
    state[0] = gain


@njit(cache=True, error_model="numpy")
def is_finite(x):
    """Whether every sample is a number. Thread: audio; allocates nothing."""
    finite = True
    for j in range(x.size):
        finite &= abs(x[j]) <= 1e30
    return finite


class Ceiling:
    """The ceiling with its gain kept from block to block."""

    def __init__(self, numbers: NDArray[np.float64]) -> None:
        self._numbers = np.array(numbers, dtype=np.float64)
        self._state = np.ones(1)

    def glide_to(self, numbers: NDArray[np.float64]) -> None:
        """Take another ceiling. Thread: audio."""
        self._numbers[:] = numbers

    def process(self, x: NDArray[np.float64], y: NDArray[np.float64]) -> None:
        """One block [shape=(frames,)]; ``y`` may be ``x``. Thread: audio."""
        limit_to_ceiling(x, y, self._numbers, self._state)
