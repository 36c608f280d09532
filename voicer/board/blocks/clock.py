"""The two-phase clock: a current-driven oscillator with a control for the delay time, and a divider by two.

The control voltage across the stop and the time pot sets a current, which charges and discharges the timing
capacitor between the two thresholds of a window comparator. A divide-by-two then gives two opposite phases
of exactly half a period each, so **the clock is half the oscillator**. Three equal resistors across the supply make
both thresholds; the lower one is the control voltage with the LFO at rest.

| symbol | name          | unit | meaning                                                                 |
|--------|---------------|------|-------------------------------------------------------------------------|
| Vc     | CONTROL_V     | V    | at the LFO's rest, ``Vl Rb / (Rt + Rm + Rb)``: a third of the supply    |
| dV     | SWING_V       | V    | between the thresholds, ``Vl Rm / (Rt + Rm + Rb)``: another third       |
| p      | position      | 1    | of the time pot: 0 shortest delay, fastest clock; 1 longest, slowest    |
| I      | current_a     | A    | ``Vc / (Rs + p Rp)``, Rs the stop and its padder                        |
| fo     | oscillator_hz | Hz   | ``I / (2 C dV)``, C the timing capacitor and its padder                 |
| fc     | clock_hz      | Hz   | ``fo / 2``; one sample of the line per period                           |

The time in the line grows in a straight line with p. Control voltage and swing are parts of one supply, so the
frequency ``Rb / Rm / (4 C (Rs + p Rp))`` does not move with it. Source of the law: charge ``I t = C dV``,
twice a period.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from voicer.board.blocks.common import (
    LEAST_PADDER_FARAD,
    LEAST_PADDER_OHM,
    POT_SIZES_OHM,
    closest,
    least,
    off,
    on_the_track,
    shared,
    two_values,
)
from voicer.board.blocks.supply import LINE_V
from voicer.board.parts import part
from voicer.board.series import Series
from voicer.circuit.arrays import Values
from voicer.errors import CircuitError

THRESHOLD_LOW_V, THRESHOLD_HIGH_V = LINE_V / 3, 2 * LINE_V / 3
"""2.9 and 5.8 V, from three equal resistors across the supply after the protection diode. Chosen."""

THIRD_OHM = 10e3
"""Each of the three. Chosen."""

SWING_V = THRESHOLD_HIGH_V - THRESHOLD_LOW_V
CONTROL_V = LINE_V / 3
"""Control voltage with the LFO at rest, V. Chosen."""

STOP_SPAN_OHM = (1e3, 470e3)
"""Below, the current exceeds 3 mA; above, leakage and bias currents disturb the clock. Chosen."""

TIMING_SPAN_FARAD = (47e-12, 100e-9)
"""Timing capacitor and padder together; below, strays matter too much. Chosen."""

LEEWAY = 1.02
"""How far standard values may exceed those limits, so that a clock designed at a limit can be built. Chosen."""

BEST_TIMING_FARAD = 1e-9
"""Among suitable pots, the one whose capacitance is nearest to this is used. Chosen."""


@dataclass(frozen=True)
class ClockOscillator:
    """Timing capacitor and stop, each with a padder, and the time pot."""

    timing_farad: float = part("clock: timing capacitor")
    padder_farad: float = part("clock: in parallel with the timing capacitor, trims the range")
    stop_ohm: float = part("clock: in series with the time pot, sets the shortest delay")
    stop_padder_ohm: float = part("clock: in series with the stop, trims the ratio of the range")
    time_pot_ohm: float = part("time control, linear track")
    top_ohm: float = part("clock: threshold divider, to the supply")
    middle_ohm: float = part("clock: threshold divider, between the thresholds")
    bottom_ohm: float = part("clock: threshold divider, to ground; carries the control voltage")

    @property
    def control_v(self) -> Values:
        """Lower threshold, and control voltage with the LFO at rest, V."""
        return LINE_V * self.bottom_ohm / (self.top_ohm + self.middle_ohm + self.bottom_ohm)

    @property
    def swing_v(self) -> Values:
        """Between the thresholds, V."""
        return LINE_V * self.middle_ohm / (self.top_ohm + self.middle_ohm + self.bottom_ohm)

    @property
    def whole_farad(self) -> float:
        """Timing capacitance, F."""
        return self.timing_farad + self.padder_farad

    @property
    def whole_stop_ohm(self) -> float:
        """Resistance in series with the time pot, ohm."""
        return self.stop_ohm + self.stop_padder_ohm

    def current_a(self, position: Values, deviation: Values = 0.0) -> Values:
        """Timing current, A, with the control voltage moved by a relative deviation."""
        return self.control_v * (1 + deviation) / (self.whole_stop_ohm + position * self.time_pot_ohm)

    def oscillator_hz(self, position: Values, deviation: Values = 0.0) -> Values:
        """Frequency of the oscillator, before the divider, Hz."""
        return self.current_a(position, deviation) / (2 * self.whole_farad * self.swing_v)

    def clock_hz(self, position: Values, deviation: Values = 0.0) -> Values:
        """Frequency of the two-phase clock, Hz; a deviation of 0.01 makes it one percent faster."""
        return self.oscillator_hz(position, deviation) / 2

    def position_for(self, clock_hz: Values) -> Values:
        """Position of the time pot whose clock is nearest to one asked for, 0..1."""
        whole_ohm = self.control_v / (4 * self.whole_farad * self.swing_v * clock_hz)
        return on_the_track((whole_ohm - self.whole_stop_ohm) / self.time_pot_ohm)

    @property
    def slowest_hz(self) -> Values:
        """Clock at the long end of the time control, Hz."""
        return self.clock_hz(1.0)

    @property
    def fastest_hz(self) -> Values:
        """Clock at the short end of the time control, Hz."""
        return self.clock_hz(0.0)

    @property
    def span(self) -> Values:
        """Fastest over slowest clock."""
        return self.fastest_hz / self.slowest_hz

    def snapped(self, resistors: Series, capacitors: Series) -> ClockOscillator:
        """The clock of bought values whose worse end is nearest: pots, stops and capacitors tried together."""
        slowest_hz, fastest_hz = float(self.slowest_hz), float(self.fastest_hz)
        tried = (_bought(pot, slowest_hz, fastest_hz, resistors, capacitors) for pot in POT_SIZES_OHM)
        found = [clock for clock in tried if clock is not None]
        if not found:
            raise _no_clock(slowest_hz, fastest_hz)
        return min(found, key=lambda clock: clock._miss(self))

    def _miss(self, wanted: ClockOscillator) -> float:
        """Error of the worse end; among equal clocks, the one with the pot nearest to the wanted size wins."""
        ends = max(off(self.slowest_hz, wanted.slowest_hz), off(self.fastest_hz, wanted.fastest_hz))
        return float(ends + 1e-3 * off(self.time_pot_ohm, wanted.time_pot_ohm))


def design_clock(slowest_hz: float, fastest_hz: float) -> ClockOscillator:
    """The clock whose time pot spans exactly those two frequencies.

    Raises
    ------
    CircuitError
        For a span no standard pot, stop and timing capacitor can make: too narrow, too wide, or upside down.
    """
    if not 0 < slowest_hz < fastest_hz < np.inf:
        raise CircuitError(
            f"the slowest clock must be above 0 and below the fastest (got {slowest_hz:.4g} and {fastest_hz:.4g} Hz)",
            remedy="widen the span of the time control",
        )
    pots = np.array(POT_SIZES_OHM)
    stops = pots / (fastest_hz / slowest_hz - 1)
    totals = CONTROL_V / (4 * SWING_V * stops * fastest_hz)
    fits = _inside(stops, STOP_SPAN_OHM) & _inside(totals, TIMING_SPAN_FARAD)
    if not np.any(fits):
        raise _no_clock(slowest_hz, fastest_hz)
    pot, stop, total = least(np.where(fits, off(totals, BEST_TIMING_FARAD), np.inf), pots, stops, totals)
    return ClockOscillator(*shared(total), *shared(stop), pot, THIRD_OHM, THIRD_OHM, THIRD_OHM)


def _inside(value: Values, span: tuple[float, float], leeway: float = 1.0) -> NDArray[np.bool_]:
    inside: NDArray[np.bool_] = np.logical_and(value >= span[0] / leeway, value <= span[1] * leeway)
    return inside


def _bought(
    pot_ohm: float, slowest_hz: float, fastest_hz: float, resistors: Series, capacitors: Series
) -> ClockOscillator | None:
    """The nearest clock with that pot; None where stop or capacitor would leave their limits.

    The capacitance is the nearest there is. The stop then puts both ends equally far off, in opposite directions:
    ``Rs (Rs + Rp) = g^2``, g being the resistance that makes their geometric mean.
    """
    exact_ohm = pot_ohm / (fastest_hz / slowest_hz - 1)
    total_farad = CONTROL_V / (4 * SWING_V * exact_ohm * fastest_hz)
    if not (_inside(exact_ohm, STOP_SPAN_OHM, LEEWAY) and _inside(total_farad, TIMING_SPAN_FARAD, LEEWAY)):
        return None
    farads = two_values(capacitors, total_farad, LEAST_PADDER_FARAD)
    mean_ohm = CONTROL_V / (4 * SWING_V * sum(farads) * np.sqrt(slowest_hz * fastest_hz))
    stop_ohm = float(np.hypot(pot_ohm / 2, mean_ohm) - pot_ohm / 2)
    third_ohm = closest(resistors, THIRD_OHM)
    stops = two_values(resistors, stop_ohm, LEAST_PADDER_OHM)
    return ClockOscillator(*farads, *stops, pot_ohm, third_ohm, third_ohm, third_ohm)


def _no_clock(slowest_hz: float, fastest_hz: float) -> CircuitError:
    """Why no pot fits: the least and greatest span that the limits leave for that fastest clock."""
    largest_stop = min(STOP_SPAN_OHM[1], CONTROL_V / (4 * SWING_V * TIMING_SPAN_FARAD[0] * fastest_hz))
    smallest_stop = max(STOP_SPAN_OHM[0], CONTROL_V / (4 * SWING_V * TIMING_SPAN_FARAD[1] * fastest_hz))
    least_span, most_span = 1 + POT_SIZES_OHM[0] / largest_stop, 1 + POT_SIZES_OHM[-1] / smallest_stop
    got = fastest_hz / slowest_hz
    if got < least_span:
        crowded = largest_stop < STOP_SPAN_OHM[1]
        remedy = "widen the span of the time control" + (", or use fewer stages" if crowded else "")
    else:
        crowded = smallest_stop > STOP_SPAN_OHM[0]
        remedy = "narrow the span of the time control" + (", or use more stages" if crowded else "")
    return CircuitError(
        f"the fastest clock of {fastest_hz / 1e3:.4g} kHz must be {least_span:.4g} to {most_span:.4g} times the "
        f"slowest (got {got:.5g} times)",
        remedy=remedy,
    )
