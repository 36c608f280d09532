"""The plain RC oscillator around one Schmitt inverter, for comparison with published exercises.

| symbol | name     | unit | meaning                                                        |
|--------|----------|------|----------------------------------------------------------------|
| R, C   |          |      | from the inverter's output to its input, and there to ground   |
| V      | supply_v | V    | the output swings from 0 to V                                  |
| Vl, Vh | low_v, high_v | V | thresholds                                                   |
| f      |          | Hz   | ``1 / (R C [ln((V - Vl)/(V - Vh)) + ln(Vh/Vl)])``              |

Source: Sedra and Smith, section 17.5 (the charging half read there, the discharging half by the same derivation).
"""

from __future__ import annotations

import numpy as np

from voicer.circuit.arrays import Values
from voicer.errors import CircuitError


def schmitt_oscillator_hz(ohm: Values, farad: Values, supply_v: float, low_v: float, high_v: float) -> Values:
    """Frequency of a Schmitt inverter that charges C through R from its own output, Hz."""
    return 1 / (ohm * farad * _periods_over_rc(supply_v, low_v, high_v))


def design_schmitt_ohm(frequency_hz: float, farad: float, supply_v: float, low_v: float, high_v: float) -> float:
    """Resistor that brings a Schmitt inverter with that capacitor to a frequency, ohm.

    Raises
    ------
    CircuitError
        For thresholds that do not rise from ground to the supply.
    """
    return 1 / (frequency_hz * farad * _periods_over_rc(supply_v, low_v, high_v))


def _periods_over_rc(supply_v: float, low_v: float, high_v: float) -> float:
    if not 0 < low_v < high_v < supply_v:
        raise CircuitError(
            f"the thresholds must rise from ground to the supply of {supply_v:g} V (got {low_v:g} and {high_v:g} V)",
            remedy="give the lower threshold first",
        )
    return float(np.log((supply_v - low_v) / (supply_v - high_v)) + np.log(high_v / low_v))
