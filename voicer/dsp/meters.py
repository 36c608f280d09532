"""Meters and scope: one pass over a block that has been played."""

from __future__ import annotations

from numba import njit


@njit(cache=True, error_model="numpy")
def note_block(x, y, peaks, fall, scope, place):
    """Follow the peaks of input and output and write both to the scope's ring.

    Parameters
    ----------
    x, y : float64 [shape=(frames,)]
    peaks : float64 [shape=(2,)]
        Updated: the highest recent sample of each, falling by the factor ``fall`` a block.
    scope : float32 [shape=(2, size)]
        Ring; ``place`` is the number of frames written before.

    Notes
    -----
    Thread: audio; allocates nothing.
    """
    peaks[0] *= fall
    peaks[1] *= fall
    size = scope.shape[1]
    for j in range(x.size):
        peaks[0] = max(peaks[0], abs(x[j]))
        peaks[1] = max(peaks[1], abs(y[j]))
        at = (place + j) % size
        scope[0, at] = x[j]
        scope[1, at] = y[j]
