"""How deep the LFO moves the clock: its voltage is added to the clock's control voltage.

| symbol | name         | unit | meaning                                                     |
|--------|--------------|------|-------------------------------------------------------------|
| p      | position     | 1    | of the depth pot, whose wiper a follower buffers            |
| Ri     | inject_ohm   | ohm  | from that follower to the summing amplifier                 |
| Rf     | feedback_ohm | ohm  | of the summing amplifier that makes the control voltage     |
| Vp     | peak_v       | V    | peak of the LFO                                             |
| Vc     | CONTROL_V    | V    | control voltage with the LFO at rest                        |
| d      | deviation    | 1    | peak relative deviation of the clock: ``p (Vp/Vc) (Rf/Ri)`` |

The clock is proportional to its control voltage, so d does not depend on the time control. Source: the
summing amplifier of any op-amp handbook.
"""

from __future__ import annotations

from dataclasses import dataclass

from voicer.board.blocks.clock import CONTROL_V
from voicer.board.blocks.common import combinations, least, off, on_the_track, require, within
from voicer.board.blocks.lfo import PEAK_V
from voicer.board.parts import part
from voicer.board.series import Series
from voicer.circuit.arrays import Values

DEEPEST = 0.2
"""Peak deviation of the clock with the depth control full up: the most that a voicing may ask for."""

DEPTH_POT_OHM, FEEDBACK_OHM = 50e3, 47e3
"""Chosen."""


@dataclass(frozen=True)
class DepthInjection:
    """Depth pot and the summing amplifier in front of the clock."""

    depth_pot_ohm: float = part("depth control, linear track")
    inject_ohm: float = part("depth: from the LFO into the clock's control voltage, sets the greatest depth")
    feedback_ohm: float = part("depth: feedback of the amplifier that sums the control voltage")

    def deviation(self, position: Values, peak_v: Values = PEAK_V, control_v: Values = CONTROL_V) -> Values:
        """Peak relative deviation of the clock at a position of the depth pot."""
        return position * peak_v / control_v * self.feedback_ohm / self.inject_ohm

    def position_for(self, deviation: Values, peak_v: Values = PEAK_V, control_v: Values = CONTROL_V) -> Values:
        """Position of the depth pot whose deviation is nearest to one asked for, 0..1."""
        return on_the_track(deviation / self.deviation(1.0, peak_v, control_v))

    def snapped(self, resistors: Series, capacitors: Series) -> DepthInjection:
        """The bought resistors whose greatest deviation is nearest."""
        inject, feedback = combinations(
            within(resistors, self.inject_ohm, 1.6), within(resistors, self.feedback_ohm, 1.6)
        )
        error = off(feedback / inject, self.feedback_ohm / self.inject_ohm) + 1e-3 * off(feedback, self.feedback_ohm)
        return DepthInjection(self.depth_pot_ohm, *least(error, inject, feedback))


def design_depth(deepest: float = DEEPEST, peak_v: float = PEAK_V) -> DepthInjection:
    """The injection whose pot spans deviations from 0 to ``deepest`` for an LFO of that peak.

    Raises
    ------
    CircuitError
        For a greatest deviation outside 1..50 % or a peak outside 0.1..4 V.
    """
    require(deepest * 100, 1, 50, "the greatest deviation of the clock", "%", "use 20 %: it serves every voicing")
    require(peak_v, 0.1, 4, "the peak of the LFO", "V", "use 2 V")
    return DepthInjection(DEPTH_POT_OHM, FEEDBACK_OHM * peak_v / (CONTROL_V * deepest), FEEDBACK_OHM)
