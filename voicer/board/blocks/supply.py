"""The supply: 9 V from an isolated source, reverse-polarity protection, and the bias node at half the supply.

| symbol | name              | unit | meaning                                                       |
|--------|-------------------|------|---------------------------------------------------------------|
| Vs     | SUPPLY_V          | V    | isolated wall supply or battery                               |
| Vd     | DIODE_DROP_V      | V    | series Schottky diode                                         |
| Vl     | LINE_V            | V    | supply of the circuit: ``Vs - Vd`` = 8.7 V                    |
| Vb     | bias_v            | V    | ``Vl Rb / (Rt + Rb)``, half of it: 4.35 V                     |
| h      | headroom_v        | V    | ``min(Vb, Vl - Vb) - AMPLIFIER_SHORT_V``: 4 V each side       |
| fb     | bias_corner_hz    | Hz   | ``1 / (2 pi (Rt || Rb) Cb)``: ripple above it is kept out     |
| fr     | filter_corner_hz  | Hz   | ``1 / (2 pi Rf Cd)``: same for the clock's branch             |

Source: a resistive divider and first-order low-passes as in any electronics handbook; the values are chosen. Never
open or connect mains-powered equipment: the source is isolated, of low voltage and current-limited.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from voicer.board.blocks.common import closest, combinations, least, off, require, within
from voicer.board.parts import part
from voicer.board.series import Series
from voicer.circuit.arrays import Values

SUPPLY_V = 9.0
"""Isolated wall supply or battery (common practice, no source)."""

DIODE_DROP_V = 0.3
"""Series Schottky diode at some 20 mA. From memory, unverified: 0.2 to 0.4 V."""

LINE_V = SUPPLY_V - DIODE_DROP_V
"""After the diode."""

AMPLIFIER_SHORT_V = 0.35
"""How close to each rail an amplifier with rail-to-rail output swings cleanly into 10 kohm. Chosen."""

BIAS_OHM = 22e3
"""Each half of the bias divider, which a follower buffers. Chosen."""

DECOUPLING_OHM = 47.0
"""Between the supply and the clock's branch. Chosen: 0.1 V at 2 mA."""

RESERVOIR_FARAD = 220e-6
"""After the diode. Chosen: it drops by 0.45 V when 20 mA are drawn for 5 ms."""


@dataclass(frozen=True)
class Supply:
    """Protection, reservoir, bias node, and a filter that keeps the clock's current out of the rest."""

    bias_top_ohm: float = part("bias divider, to the supply")
    bias_bottom_ohm: float = part("bias divider, to ground")
    bias_farad: float = part("bias node: filters out supply ripple")
    decoupling_ohm: float = part("clock supply: keeps its current spikes out of the audio")
    decoupling_farad: float = part("clock supply: decoupling")
    reservoir_farad: float = part("supply: reservoir after the protection diode")

    @property
    def bias_v(self) -> float:
        """Bias node, V."""
        return LINE_V * self.bias_bottom_ohm / (self.bias_top_ohm + self.bias_bottom_ohm)

    @property
    def headroom_v(self) -> Values:
        """Peak swing about the bias node before an amplifier clips on the nearer rail, V."""
        least_v: Values = np.minimum(self.bias_v, LINE_V - self.bias_v)
        return least_v - AMPLIFIER_SHORT_V

    @property
    def bias_corner_hz(self) -> Values:
        """Ripple above it is kept off the bias node, 6 dB an octave, Hz."""
        parallel_ohm = self.bias_top_ohm * self.bias_bottom_ohm / (self.bias_top_ohm + self.bias_bottom_ohm)
        return 1 / (2 * np.pi * parallel_ohm * self.bias_farad)

    @property
    def filter_corner_hz(self) -> Values:
        """Current spikes of the clock above it stay in its branch, 6 dB an octave, Hz."""
        return 1 / (2 * np.pi * self.decoupling_ohm * self.decoupling_farad)

    def snapped(self, resistors: Series, capacitors: Series) -> Supply:
        """The supply of bought values; both halves of the divider stay equal."""
        divider_ohm, bias_farad = _bought(self.bias_top_ohm, self.bias_farad, resistors, capacitors)
        filter_ohm, filter_farad = _bought(self.decoupling_ohm, self.decoupling_farad, resistors, capacitors)
        return Supply(
            bias_top_ohm=divider_ohm,
            bias_bottom_ohm=divider_ohm,
            bias_farad=bias_farad,
            decoupling_ohm=filter_ohm,
            decoupling_farad=filter_farad,
            reservoir_farad=closest(capacitors, self.reservoir_farad),
        )


def design_supply(bias_corner_hz: float = 1.5, filter_corner_hz: float = 34.0) -> Supply:
    """The supply with those corners.

    Raises
    ------
    CircuitError
        For a bias corner outside 0.1..5 Hz or a filter corner outside 5..500 Hz.
    """
    require(bias_corner_hz, 0.1, 5, "the corner of the bias node", "Hz", "use 1.5 Hz: higher lets hum in")
    require(filter_corner_hz, 5, 500, "the corner of the clock's supply filter", "Hz", "use 34 Hz: 47 ohm, 100 uF")
    return Supply(
        bias_top_ohm=BIAS_OHM,
        bias_bottom_ohm=BIAS_OHM,
        bias_farad=1 / (np.pi * BIAS_OHM * bias_corner_hz),
        decoupling_ohm=DECOUPLING_OHM,
        decoupling_farad=1 / (2 * np.pi * DECOUPLING_OHM * filter_corner_hz),
        reservoir_farad=RESERVOIR_FARAD,
    )


def _bought(exact_ohm: float, exact_farad: float, resistors: Series, capacitors: Series) -> tuple[float, float]:
    """Resistor and capacitor whose product is nearest, the resistor not far from the exact one."""
    ohm, farad = combinations(within(resistors, exact_ohm, 1.5), within(capacitors, exact_farad, 2.0))
    best = least(off(ohm * farad, exact_ohm * exact_farad) + 0.3 * off(ohm, exact_ohm), ohm, farad)
    return best[0], best[1]
