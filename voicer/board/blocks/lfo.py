"""The low-frequency oscillator: an integrator and a Schmitt trigger with a rate pot.

The trigger's square wave goes through the rate pot (a divider with a stop at its low end, a follower behind its
wiper) to the integrator, whose triangle switches the trigger. The range switch selects the integrator's
capacitor and adds a second stop in the fast range: one pot serves both.

| symbol | name                  | unit | meaning                                                         |
|--------|-----------------------|------|-----------------------------------------------------------------|
| R1     | schmitt_in_ohm        | ohm  | triangle to the trigger                                         |
| R2     | schmitt_feedback_ohm  | ohm  | the trigger's own output to its input; R1 < R2                  |
| R      | integrator_ohm        | ohm  | into the integrator                                             |
| C      | ..._farad             | F    | of the range the range switch has chosen                         |
| a      | share                 | 1    | of the divider: ``(S + p P) / (S + P)``, S the stops, P the pot |
| p      | position              | 1    | of the rate pot: 0 slowest, 1 fastest                           |
| f      | rate_hz               | Hz   | ``a (R2/R1) / (4 R C)``                                         |
| Vp     | peak_v                | V    | ``Vsat R1/R2``                                                  |

Source of the law with a = 1: the triangle generator of any op-amp handbook (worked example in the tests). The divider
in place of a variable R is ours: a rate of 0.05 Hz then needs no electrolytic, and the rate is linear in p.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from voicer.board.blocks.common import combinations, least, off, on_the_track, pots_near, require, within
from voicer.board.blocks.supply import AMPLIFIER_SHORT_V, LINE_V
from voicer.board.parts import part
from voicer.board.series import Series
from voicer.circuit.arrays import Values
from voicer.errors import CircuitError
from voicer.voicing import RATE_SPAN_HZ

LfoRange = Literal["slow", "fast"]

SATURATION_V = LINE_V / 2 - AMPLIFIER_SHORT_V
"""Swing of the trigger's output about the bias node: 4 V."""

PEAK_V = 2.0
"""Peak of the triangle: half of what the integrator could swing. Chosen."""

SCHMITT_IN_OHM, INTEGRATOR_OHM, RATE_POT_OHM = 10e3, 1e6, 50e3
"""Chosen: film capacitors will do, and no current is worth counting."""


@dataclass(frozen=True)
class Lfo:
    """Integrator, trigger, rate pot and the two stops."""

    integrator_farad: float = part("LFO: integrator capacitor, slow range")
    fast_range_farad: float = part("LFO: integrator capacitor, fast range")
    integrator_ohm: float = part("LFO: integrator resistor")
    stop_ohm: float = part("LFO: low end of the rate pot, sets the slowest rate")
    fast_stop_ohm: float = part("LFO: in series with the stop in the fast range, shorted in the slow one")
    rate_pot_ohm: float = part("rate control, linear track")
    schmitt_in_ohm: float = part("LFO: Schmitt trigger, input resistor")
    schmitt_feedback_ohm: float = part("LFO: Schmitt trigger, feedback: sets the peak of the triangle")

    @property
    def peak_v(self) -> Values:
        """Peak of the triangle about the bias node, V."""
        return triangle_peak_v(self.schmitt_in_ohm, self.schmitt_feedback_ohm, SATURATION_V)

    def rate_hz(self, lfo_range: LfoRange, position: Values) -> Values:
        """Rate at a position of the pot, Hz."""
        stop_ohm, farad = self._range(lfo_range)
        share = (stop_ohm + position * self.rate_pot_ohm) / (stop_ohm + self.rate_pot_ohm)
        return share * triangle_hz(self.schmitt_in_ohm, self.schmitt_feedback_ohm, self.integrator_ohm, farad)

    def position_for(self, lfo_range: LfoRange, rate_hz: Values) -> Values:
        """Position of the rate pot whose rate is nearest to one asked for, 0..1."""
        stop_ohm, _ = self._range(lfo_range)
        share = rate_hz / self.rate_hz(lfo_range, 1.0)
        return on_the_track((share * (stop_ohm + self.rate_pot_ohm) - stop_ohm) / self.rate_pot_ohm)

    def span_hz(self, lfo_range: LfoRange) -> tuple[Values, Values]:
        """Slowest and fastest rate, Hz."""
        return self.rate_hz(lfo_range, 0.0), self.rate_hz(lfo_range, 1.0)

    def snapped(self, resistors: Series, capacitors: Series) -> Lfo:
        """The oscillator of bought values whose peak and four ends are nearest."""
        schmitt_in, feedback = self._bought_trigger(resistors)
        pot, stop, fast_stop = self._bought_stops(resistors)
        ohm, slow, fast = combinations(
            within(resistors, self.integrator_ohm, 1.6),
            within(capacitors, self.integrator_farad, 1.8),
            within(capacitors, self.fast_range_farad, 1.8),
        )
        error = np.maximum(
            off(triangle_hz(schmitt_in, feedback, ohm, slow), self.rate_hz("slow", 1.0)),
            off(triangle_hz(schmitt_in, feedback, ohm, fast), self.rate_hz("fast", 1.0)),
        )
        best_slow, best_fast, best_ohm = least(error + 1e-3 * off(ohm, self.integrator_ohm), slow, fast, ohm)
        return Lfo(best_slow, best_fast, best_ohm, stop, fast_stop, pot, schmitt_in, feedback)

    def _range(self, lfo_range: LfoRange) -> tuple[float, float]:
        if lfo_range == "slow":
            return self.stop_ohm, self.integrator_farad
        if lfo_range == "fast":
            return self.stop_ohm + self.fast_stop_ohm, self.fast_range_farad
        raise CircuitError(f"the LFO's range must be slow or fast (got '{lfo_range}')", remedy="choose one of them")

    def _bought_trigger(self, resistors: Series) -> tuple[float, ...]:
        into, feedback = combinations(
            within(resistors, self.schmitt_in_ohm, 1.6), within(resistors, self.schmitt_feedback_ohm, 1.6)
        )
        error = off(feedback / into, self.schmitt_feedback_ohm / self.schmitt_in_ohm)
        return least(error + 1e-3 * off(into, self.schmitt_in_ohm), into, feedback)

    def _bought_stops(self, resistors: Series) -> tuple[float, ...]:
        """Pot and stops whose two divisions are nearest; the pot within a factor of five of the exact one."""
        found = [self._stops_of(pot, resistors) for pot in pots_near(self.rate_pot_ohm, 5)]
        return min(found)[1:]

    def _stops_of(self, pot: float, resistors: Series) -> tuple[float, ...]:
        """Error, pot and stops for one pot."""
        scale, whole = pot / self.rate_pot_ohm, self.stop_ohm + self.fast_stop_ohm
        stop, fast = combinations(
            within(resistors, self.stop_ohm * scale, 1.3), within(resistors, self.fast_stop_ohm * scale, 1.3)
        )
        slow_error = off(stop / (stop + pot), self.stop_ohm / (self.stop_ohm + self.rate_pot_ohm))
        fast_error = off((stop + fast) / (stop + fast + pot), whole / (whole + self.rate_pot_ohm))
        error = np.maximum(slow_error, fast_error) + 1e-3 * off(pot, self.rate_pot_ohm)
        return least(error, error, np.full_like(stop, pot), stop, fast)


def triangle_hz(schmitt_in_ohm: Values, schmitt_feedback_ohm: Values, integrator_ohm: Values, farad: Values) -> Values:
    """Frequency of integrator and Schmitt trigger: ``(R2/R1) / (4 R C)``, Hz."""
    return schmitt_feedback_ohm / schmitt_in_ohm / (4 * integrator_ohm * farad)


def triangle_peak_v(schmitt_in_ohm: Values, schmitt_feedback_ohm: Values, saturation_v: Values) -> Values:
    """Peak of the triangle: ``Vsat R1/R2``, V."""
    return saturation_v * schmitt_in_ohm / schmitt_feedback_ohm


def design_lfo(
    slow_hz: tuple[float, float] = RATE_SPAN_HZ["slow"],
    fast_hz: tuple[float, float] = RATE_SPAN_HZ["fast"],
    peak_v: float = PEAK_V,
) -> Lfo:
    """The oscillator whose rate pot spans exactly those rates in its two ranges.

    Raises
    ------
    CircuitError
        For rates outside 0.1..50 Hz, a span the stops cannot make, or a peak the integrator cannot hold.
    """
    for name, (slowest_hz, fastest_hz) in (("slow", slow_hz), ("fast", fast_hz)):
        require(fastest_hz, 0.1, 50, f"the fastest rate of the {name} range", "Hz", "choose a slower or faster span")
        times = fastest_hz / slowest_hz if slowest_hz > 0 else np.inf
        require(times, 1.5, 200, f"fastest over slowest rate of the {name} range", "", "narrow or widen the span")
    require(peak_v, 0.2, 0.9 * SATURATION_V, "the peak of the LFO", "V", "use 2 V")
    slow_stop, fast_stop = (RATE_POT_OHM / (high / low - 1) for low, high in (slow_hz, fast_hz))
    if fast_stop <= slow_stop:
        raise CircuitError(
            f"the fast range must span a smaller ratio than the slow one "
            f"(got {fast_hz[1] / fast_hz[0]:.3g} and {slow_hz[1] / slow_hz[0]:.3g} to one)",
            remedy="raise the slowest rate of the fast range",
        )
    ratio = SATURATION_V / peak_v
    slow_farad, fast_farad = (ratio / (4 * INTEGRATOR_OHM * high) for _, high in (slow_hz, fast_hz))
    return Lfo(
        slow_farad, fast_farad, INTEGRATOR_OHM, slow_stop, fast_stop - slow_stop, RATE_POT_OHM,
        SCHMITT_IN_OHM, SCHMITT_IN_OHM * ratio,
    )  # fmt: skip
