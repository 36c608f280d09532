"""How the repeats die away, or grow, over the span of the time control: dB per repeat and dB per second."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from voicer.circuit.circuit import Circuit
from voicer.measure import predict, probes

SEARCHED = 12
"""Times between both ends of the time control at which the loop gain is looked at for its peak."""

FALL_DB, LONGEST_FALL_S, MOST_REPEATS = 20.0, 1.5, 10
"""A tail is measured over as many repeats as fall by this much, last this long, or this many: after more of them a
pitch has moved to those that fit into the loop a whole number of times.
"""

TAIL_V = 0.02
"""Level of the burst whose tail is measured, V peak: far below every limit, far above the compander's floor."""

LEAST_TAIL_V = 0.0005
"""A burst in a growing loop starts lower; below this the compander's floor would be measured."""


@dataclass(frozen=True)
class Tail:
    """What becomes of the loudest pitch at one setting of the time control, the compander settled."""

    time_s: float
    f_hz: float
    """Pitch at which the loop is loudest."""
    loop_gain: float

    @property
    def db_per_repeat(self) -> float:
        """Level from one repeat to the next, dB; positive when it grows."""
        return float(20 * np.log10(self.loop_gain))

    @property
    def db_per_s(self) -> float:
        """The same per second, dB/s."""
        return self.db_per_repeat / self.time_s


def predict_tail(circuit: Circuit) -> Tail:
    """The tail at the circuit's present time, from its closed form; its feedback gain must not be 0."""
    f_hz = predict.loudest_hz(circuit)
    once = float(circuit.round_gain(np.array([f_hz]), np.array(circuit.clock_hz))[0])
    return Tail(circuit.time_s, f_hz, circuit.mixer.feedback_gain * once)


def predict_tails(circuit: Circuit) -> tuple[Tail, Tail, Tail]:
    """Tails at the short end, the (geometric) middle and the long end of the time control."""
    middle_s = float(np.sqrt(circuit.shortest_s * circuit.longest_s))
    times_s = (circuit.shortest_s, middle_s, circuit.longest_s)
    return tuple(predict_tail(replace(circuit, time_s=time_s)) for time_s in times_s)  # type: ignore[return-value]


def find_peak(circuit: Circuit) -> Tail:
    """The tail where the loop gain peaks over the span of the time control."""
    times_s = np.append(np.geomspace(circuit.shortest_s, circuit.longest_s, SEARCHED), circuit.time_s)
    tails = [predict_tail(replace(circuit, time_s=float(time_s))) for time_s in times_s]
    return max(tails, key=lambda tail: tail.loop_gain)


def measured_repeats(tail: Tail) -> int:
    """Over how many repeats `measure_db_per_repeat` measures a tail."""
    by_level = FALL_DB / max(abs(tail.db_per_repeat), 1e-3)
    return max(1, int(min(by_level, LONGEST_FALL_S / tail.time_s, MOST_REPEATS)))


def measure_db_per_repeat(circuit: Circuit, tail: Tail) -> float | None:
    """Measured level from one repeat to the next, dB, after a burst of the tail's pitch at the tail's time.

    The compander works as it does; noise, bleed, modulation and soft limits are left out. None where the compander
    cannot follow (the level moves faster than its rectifiers do) or the loop grows too fast to be read.
    """
    send_s = float(circuit.compander.send_s)
    if circuit.compander.enabled and abs(tail.db_per_s) * send_s > probes.FOLLOWED_DB:
        return None
    burst_s = 2 * tail.time_s + 4 * send_s + probes.LEAST_PERIODS / tail.f_hz
    growth = max(1.0, tail.loop_gain) ** (burst_s / tail.time_s)
    if TAIL_V / growth < LEAST_TAIL_V:
        return None
    apart = measured_repeats(tail)
    at_time = replace(circuit, time_s=tail.time_s)
    first, last = probes.tail_levels(at_time, tail.f_hz, burst_s, apart, TAIL_V / growth)
    return float(20 * np.log10(last / first)) / apart
