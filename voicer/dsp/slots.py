"""Three numbered slots in shared memory that hand whole sets of numbers from one process to another, without locks.

The writer fills the slots in turn and numbers each set. A set carries a checksum over its number and its contents, so
a reader needs no memory barrier and no particular order of stores: whatever it sees of a set that is still being
written fails the checksum, is left alone, and is looked at again one block later. The reader is `handover`; this
module holds what both sides share and does not import numba, since the host process must start quickly.

Words of a slot, int64 each: its number, how many numbers follow, the checksum, `COUNTERS` counters, the numbers
(float64, bit for bit).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

SLOTS = 3
MOST_NUMBERS = 16_384
COUNTERS = 16
NUMBER, COUNT, CHECKSUM, FIRST_COUNTER = 0, 1, 2, 3
FIRST_NUMBER = FIRST_COUNTER + COUNTERS
SLOT_WORDS = FIRST_NUMBER + MOST_NUMBERS

STEP = 0x9E3779B97F4A7C15
MIX_1 = 0xBF58476D1CE4E5B9
MIX_2 = 0x94D049BB133111EB
"""Constants of the 64-bit mixer splitmix64 (from memory; any odd constants with well-spread bits would do)."""


def checksum(number: int, words: NDArray[np.int64]) -> int:
    """Sum over all words of a well-mixed hash of word and place, started from the set's number; a uint64."""
    x = words.view(np.uint64) + np.arange(1, words.size + 1, dtype=np.uint64) * np.uint64(STEP)
    x = (x ^ (x >> np.uint64(30))) * np.uint64(MIX_1)
    x = (x ^ (x >> np.uint64(27))) * np.uint64(MIX_2)
    return (int((x ^ (x >> np.uint64(31))).sum(dtype=np.uint64)) + number * STEP) % (1 << 64)


def write_set(slots: NDArray[np.int64], number: int, counters: NDArray[np.int64], numbers: NDArray[np.float64]) -> None:
    """Put set ``number`` into its slot of ``slots`` [shape=(SLOTS, SLOT_WORDS)]. One writer only."""
    slot = slots[number % SLOTS]
    end = FIRST_NUMBER + numbers.size
    slot[FIRST_COUNTER:FIRST_NUMBER] = counters
    slot[FIRST_NUMBER:end] = numbers.view(np.int64)
    slot[COUNT] = numbers.size
    slot[CHECKSUM : CHECKSUM + 1].view(np.uint64)[0] = checksum(number, slot[FIRST_COUNTER:end])
    slot[NUMBER] = number


def newest_set(slots: NDArray[np.int64]) -> tuple[int, NDArray[np.int64], NDArray[np.float64]]:
    """Number, counters and numbers of the newest whole set; number 0 with nothing in it where there is none."""
    whole = []
    for slot in slots:
        copy = slot.copy()
        number, count = int(copy[NUMBER]), int(copy[COUNT])
        if number > 0 and 0 <= count <= MOST_NUMBERS:
            words = copy[FIRST_COUNTER : FIRST_NUMBER + count]
            if checksum(number, words) == int(copy[CHECKSUM : CHECKSUM + 1].view(np.uint64)[0]):
                whole.append((number, words[:COUNTERS], words[COUNTERS:].view(np.float64)))
    return max(whole, key=lambda found: found[0], default=(0, np.zeros(COUNTERS, np.int64), np.zeros(0)))
