"""Peak meters: one pass over a block that has been played."""

from __future__ import annotations

from numba import njit


@njit(cache=True, error_model="numpy")
def highest_peak(x, before, fall):
    """The highest recent sample: of ``x`` [shape=(frames,)], or ``before`` fallen by the factor ``fall``.

    Thread: audio; allocates nothing.
    """
    peak = before * fall
    for j in range(x.size):
        peak = max(peak, abs(x[j]))
    return peak
