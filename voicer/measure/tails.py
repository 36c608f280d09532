"""How fast the repeats die away, or grow, measured."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from voicer.circuit.circuit import Circuit
from voicer.circuit.tails import Tail
from voicer.measure import probes

FALL_DB, LONGEST_FALL_S, MOST_REPEATS = 20.0, 1.5, 10
"""A tail is measured over as many repeats as fall by this much, last this long, or this many: after more of them a
pitch has moved to those that fit into the loop a whole number of times.
"""

TAIL_V = 0.02
"""Level of the burst whose tail is measured, V peak: far below every limit, far above the compander's floor."""

LEAST_TAIL_V, MOST_TAIL_V = 0.0005, 0.5
"""A burst in a growing loop starts lower, one in a loop that dies fast higher: below the first the compander's floor
would be measured, above the second the amplifiers' rails.
"""


def measured_repeats(tail: Tail) -> int:
    """Over how many repeats `measure_db_per_repeat` measures a tail."""
    by_level = FALL_DB / max(abs(tail.db_per_repeat), 1e-3)
    return max(1, int(min(by_level, LONGEST_FALL_S / tail.time_s, MOST_REPEATS)))


def measure_db_per_repeat(circuit: Circuit, tail: Tail) -> float | None:
    """Measured level from one repeat to the next, dB, after a burst of the tail's pitch at the tail's time.

    The compander works as it does; noise, bleed, modulation and soft limits are left out. None where the compander
    cannot follow (the level moves faster than its rectifiers do) or the loop grows or dies too fast to be read.
    """
    send_s = float(circuit.compander.send_s)
    if circuit.compander.enabled and abs(tail.db_per_s) * send_s > probes.FOLLOWED_DB:
        return None
    burst_s = 2 * tail.time_s + 4 * send_s + probes.LEAST_PERIODS / tail.f_hz
    growth = max(1.0, tail.loop_gain) ** (burst_s / tail.time_s)
    apart = measured_repeats(tail)
    start_v = max(TAIL_V / growth, LEAST_TAIL_V / min(1.0, tail.loop_gain) ** (2 + apart))
    if not LEAST_TAIL_V <= start_v <= MOST_TAIL_V or TAIL_V / growth < LEAST_TAIL_V:
        return None
    at_time = replace(circuit, time_s=tail.time_s)
    first, last = probes.tail_levels(at_time, tail.f_hz, burst_s, apart, start_v)
    return float(20 * np.log10(last / first)) / apart
