"""The limiter of the loop: diodes on what returns to the input sum, so that a runaway settles at a moderate level.

The repeats are amplified behind their pot, and a resistor leads them to a node. From the node diodes, both ways and in
series with another resistor, lead to the bias, and a last resistor leads to the input sum. Below the knee the node
follows; of what exceeds it about a third comes through. Only what returns is limited, never the note itself nor its
first echo.

| symbol | name        | unit | meaning                                                         |
|--------|-------------|------|-----------------------------------------------------------------|
| r      |             | V    | output of the amplifier behind the repeats pot                  |
| u      |             | V    | at the node                                                     |
| R1     | series_ohm  | ohm  | from the amplifier to the node                                  |
| R2     | stop_ohm    | ohm  | from the node to the input sum, a virtual ground                |
| Rd     | diode_ohm   | ohm  | in series with the diodes                                       |
| w, i   |             | V, A | across the diodes, and through them: ``i = 2 Is sinh(w / nVt)`` |

In closed form along w: ``u = w + Rd i`` and ``r = u (1 + R1/R2) + R1 i``. Source: the diode equation and Kirchhoff's
laws; checked against ngspice in the tests.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

SATURATION_A, EMISSION_V = 2.5e-9, 0.0455
"""Is and nVt (n = 1.76 at 27 degC) of a small-signal silicon diode. From memory: 0.54 V at 0.4 mA."""

MOST_FEEDBACK = 1.5
"""``repeats.feedback`` with the repeats pot full up: the edge lies at two thirds of its travel. Chosen."""

SUM_OHM = 100e3
"""Feedback of the input sum. Chosen."""

BOOST = 5.7
"""Gain of the amplifier behind the repeats pot: it brings the diodes' knee down to the level of a guitar. Chosen."""

SERIES_OHM, DIODE_OHM = 10e3, 3.3e3
"""Chosen: above the knee about a third comes through, so that a loop gain of 1.5 is bounded with any tolerances."""

_W = np.linspace(0.0, 0.9, 20_001)
_I = 2 * SATURATION_A * np.sinh(_W / EMISSION_V)
_CONDUCTANCE = 2 * SATURATION_A / EMISSION_V * np.cosh(_W / EMISSION_V)


@dataclass(frozen=True)
class LimiterParts:
    """The limiter as its parts make it."""

    series_ohm: float
    diode_ohm: float
    stop_ohm: float
    sum_ohm: float
    """Feedback of the input sum."""
    rail_v: float
    """The amplifier behind the repeats pot clips here."""

    @property
    def highest_v(self) -> float:
        """What the amplifier at its rail would give the input sum if there were no diodes, V."""
        return self.rail_v * self.sum_ohm / (self.series_ohm + self.stop_ohm)

    def limited(self, unlimited_v: NDArray[np.float64]) -> NDArray[np.float64]:
        """What the input sum gets instead of what it would get without diodes, V [shape like ``unlimited_v``]."""
        u = _W + self.diode_ohm * _I
        size: NDArray[np.float64] = np.sign(unlimited_v) * self._read(u, unlimited_v) * self.sum_ohm / self.stop_ohm
        return size

    def slope(self, unlimited_v: NDArray[np.float64]) -> NDArray[np.float64]:
        """Derivative of `limited` below the rail, 1 for small signals [shape like ``unlimited_v``]."""
        ratio = (self.series_ohm + self.stop_ohm) / self.stop_ohm
        du = 1 + self.diode_ohm * _CONDUCTANCE
        return self._read(du / (du + self.series_ohm * _CONDUCTANCE / ratio), unlimited_v)

    def _read(self, along: NDArray[np.float64], unlimited_v: NDArray[np.float64]) -> NDArray[np.float64]:
        """What is given along w, at the w that the amplifier drives the diodes to [shape like ``unlimited_v``]."""
        ohm = self.series_ohm + self.stop_ohm
        r = (_W + self.diode_ohm * _I) * ohm / self.stop_ohm + self.series_ohm * _I
        found: NDArray[np.float64] = np.interp(
            np.minimum(np.abs(unlimited_v) * ohm / self.sum_ohm, self.rail_v), r, along
        )
        return found


def return_ohm(edge_gain: float) -> float:
    """Resistance from the amplifier to the input sum that makes full repeats `MOST_FEEDBACK` times the edge, ohm."""
    return BOOST * SUM_OHM / (MOST_FEEDBACK * edge_gain)


def design_limiter(edge_gain: float, rail_v: float) -> LimiterParts:
    """The limiter of a loop whose edge of self-oscillation lies at a return gain of ``edge_gain``."""
    return LimiterParts(SERIES_OHM, DIODE_OHM, return_ohm(edge_gain) - SERIES_OHM, SUM_OHM, rail_v)
