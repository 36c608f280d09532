"""What the engine reports: counters and meters, one word each, written by the engine alone."""

from __future__ import annotations

import numpy as np

from voicer.dsp.slots import COUNTERS

MOST_UNITS = COUNTERS
"""Units in a rack; each has one counter in a set of numbers, by which it is put back."""

BLOCK_TIMES = 1 << 16
"""Block times kept: 87 s at 64 frames and 48 kHz."""

GAUGES = np.dtype(
    [
        ("newest", "i8"),  # number of the set of numbers written last: the host's
        ("blocks", "i8"),  # played so far
        ("late", "i8"),  # blocks that took longer than they last
        ("gaps", "i8"),  # blocks that were asked for over 2.5 block lengths after the one before, by whosever fault
        ("realtime", "i8"),  # priority of the audio thread, 0 without
        ("overruns", "i8"),  # reported by PortAudio
        ("errors", "i8"),  # blocks that failed and were silent
        ("xruns", "i8"),  # reported by the JACK server, whoever caused them
        ("limited", "i8"),  # blocks in which the ceiling turned the sound down
        ("shed", "i8"),  # tails that were dropped to save time
        ("tail", "i8"),  # whether an old line rings on
        ("running_unit", "i8"),  # place in the rack, from 1, of the unit whose code is running now; 0 none
        ("building_unit", "i8"),  # the same of a unit that is being loaded or made
        ("faults", "i8", (MOST_UNITS,)),  # per unit: 0 plays, else `engine.link.FAULTS`
        ("in_peak", "f8"),
        ("out_peak", "f8"),
        ("ceiling_db", "f8"),  # gain of the ceiling, 0 while idle; the lowest is held for `HOLD_S`
    ]
)

HOLD_S = 0.3
"""A meter that is read ten times a second shows each peak at least twice."""

PEAK_FALL_S = 0.3
"""Time constant of the falling peak meters."""

SETTLED_AFTER = 100
"""Blocks before lateness is counted: the driver's own start."""
