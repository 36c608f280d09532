"""How fast the repeats die away, or grow, over the span of the time control: dB per repeat and dB per second."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from voicer.circuit.circuit import Circuit

SEARCHED = 12
"""Times between both ends of the time control at which the loop gain is searched for its peak."""


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
    f_hz = circuit.loudest_hz(circuit.clock_hz)
    once = float(circuit.round_gain(f_hz, circuit.clock_hz))
    return Tail(circuit.time_s, f_hz, circuit.mixer.feedback_gain * once)


def predict_tails(circuit: Circuit) -> tuple[Tail, Tail, Tail]:
    """Tails at the short end, the (geometric) middle and the long end of the time control."""
    middle_s = float(np.sqrt(circuit.shortest_s * circuit.longest_s))
    short, middle, long = (
        predict_tail(replace(circuit, time_s=time_s)) for time_s in (circuit.shortest_s, middle_s, circuit.longest_s)
    )
    return short, middle, long


def find_peak(circuit: Circuit) -> Tail:
    """The tail where the loop gain peaks over the span of the time control."""
    times_s = np.append(np.geomspace(circuit.shortest_s, circuit.longest_s, SEARCHED), circuit.time_s)
    tails = [predict_tail(replace(circuit, time_s=float(time_s))) for time_s in times_s]
    return max(tails, key=lambda tail: tail.loop_gain)
