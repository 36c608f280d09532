"""The output ceiling: whatever happens before it, what leaves is a number and never above a set level.

The gain falls at once when a sample would pass the ceiling and comes back slowly; below the ceiling nothing is
changed and nothing is delayed. A mute is part of it, since nothing comes after the ceiling. A ceiling that was given
impossible numbers, or whose own state is no number, is silent: it never lets the sound through unlimited.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

FAILED = -1.0


@njit(cache=True, error_model="numpy")
def limit_to_ceiling(x, y, numbers, state):
    """Hold ``x`` under ``numbers[0]``; what is no number becomes 0. ``y`` may be ``x``.

    ``numbers`` are those of `coefficients.ceiling_numbers`; ``state`` is the gain, and the share that the mute lets
    through. Returns the lowest gain of the block, or `FAILED` where the block is silent because the numbers or the
    state are impossible; the gain then starts again from 0. Thread: audio; allocates nothing.
    """
    highest, share, opening, gain, mute = numbers[0], numbers[1], numbers[2], state[0], state[1]
    works = 0.0 < highest <= 1.0 and 0.0 < share <= 1.0 and 0.0 < abs(opening) <= 1.0
    if not (works and 0.0 <= gain <= 1.0 and 0.0 <= mute <= 1.0):
        for j in range(y.size):
            y[j] = 0.0
        state[0] = 0.0
        if not 0.0 <= mute <= 1.0:
            state[1] = 0.0
        return FAILED
    lowest = 1.0
    for j in range(x.size):
        value = x[j]
        if not abs(value) <= 1e30:
            value = 0.0
        gain += (1.0 - gain) * share
        size = abs(value)
        if size * gain > highest:
            gain = highest / size
        lowest = min(lowest, gain)
        mute = min(max(mute + opening, 0.0), 1.0)
        y[j] = mute * min(max(value * gain, -highest), highest)
    state[0], state[1] = gain, mute
    return lowest


class Ceiling:
    """The ceiling with its gain kept from block to block."""

    def __init__(self, numbers: NDArray[np.float64]) -> None:
        self._numbers = np.array(numbers, dtype=np.float64)
        self._state = np.ones(2)

    def process(self, x: NDArray[np.float64], y: NDArray[np.float64]) -> None:
        """One block [shape=(frames,)]; ``y`` may be ``x``. Thread: audio."""
        limit_to_ceiling(x, y, self._numbers, self._state)
