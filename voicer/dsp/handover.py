"""The reader of `slots`, compiled: takes a set of numbers when it is new and whole."""

from __future__ import annotations

import numpy as np
from numba import njit

from voicer.dsp.slots import (
    CHECKSUM,
    COUNT,
    COUNTERS,
    FIRST_COUNTER,
    MIX_1,
    MIX_2,
    MOST_NUMBERS,
    NUMBER,
    SLOTS,
    STEP,
)

_STEP, _MIX_1, _MIX_2 = np.uint64(STEP), np.uint64(MIX_1), np.uint64(MIX_2)


@njit(cache=True, error_model="numpy")
def take_set(newest, seen, slots, staging, counters, numbers):
    """Copy the newest set to ``counters`` and ``numbers`` if it was not seen before and is whole; else change nothing.

    Parameters
    ----------
    newest, seen : int
        Number of the set written last, and of the set taken last.
    slots : int64 [shape=(SLOTS, SLOT_WORDS)]
    staging : int64 [shape=(SLOT_WORDS,)]
        Working space.
    counters : int64 [shape=(COUNTERS,)]
    numbers : int64 [shape=(count,)]
        A view of the float64 array that is to be filled.

    Returns
    -------
    int
        Number of the set taken; ``seen`` where there is nothing new, or nothing whole yet.

    Notes
    -----
    Thread: audio; allocates nothing.
    """
    if newest == seen or newest <= 0:
        return seen
    slot = slots[newest % SLOTS]
    count = slot[COUNT]
    if slot[NUMBER] != newest or count < numbers.size or count > MOST_NUMBERS:
        return seen
    wanted = np.uint64(slot[CHECKSUM])
    total, place = np.uint64(newest) * _STEP, np.uint64(0)
    for j in range(COUNTERS + count):
        word = slot[FIRST_COUNTER + j]
        staging[j] = word
        place += _STEP
        x = np.uint64(word) + place
        x = (x ^ (x >> np.uint64(30))) * _MIX_1
        x = (x ^ (x >> np.uint64(27))) * _MIX_2
        total += x ^ (x >> np.uint64(31))
    if total != wanted:
        return seen
    for j in range(COUNTERS):
        counters[j] = staging[j]
    for j in range(numbers.size):
        numbers[j] = staging[COUNTERS + j]
    return newest
