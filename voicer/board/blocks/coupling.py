"""A coupling capacitor into a resistor: the low cut after the input sum, and the output coupling of the line.

| symbol | name           | unit | meaning                        |
|--------|----------------|------|--------------------------------|
| C      | coupling_farad | F    | in series with the signal      |
| R      | load_ohm       | ohm  | to the bias node               |
| fc     | cutoff_hz      | Hz   | ``1 / (2 pi R C)``, -3.01 dB   |

Source of the equation: a first-order high-pass as in any electronics handbook. 100 nF into 220 kohm makes 7.234 Hz.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from voicer.board.blocks.common import combinations, least, off, require, within
from voicer.board.parts import part
from voicer.board.series import Series
from voicer.circuit.arrays import Array, ComplexArray, Values
from voicer.circuit.ideal import OUTPUT_COUPLING_FARAD, OUTPUT_LOAD_OHM

LOAD_OHM = 47e3
"""Of the low cut: 10..500 Hz then need 339..6.8 nF. Chosen."""


@dataclass(frozen=True)
class LowCut:
    """A first-order high-pass; a follower, or another input of high impedance, reads it."""

    coupling_farad: float = part("coupling capacitor: sets the cutoff with its load")
    load_ohm: float = part("load of the coupling capacitor: sets the cutoff")

    @property
    def cutoff_hz(self) -> Values:
        """-3.01 dB point, Hz."""
        return 1 / (2 * np.pi * self.load_ohm * self.coupling_farad)

    def response(self, f_hz: Array) -> ComplexArray:
        """Complex gain at each frequency (broadcasts against the parts)."""
        s_tau = 2j * np.pi * np.asarray(f_hz, dtype=np.float64) * self.load_ohm * self.coupling_farad
        gain: ComplexArray = s_tau / (1 + s_tau)
        return gain

    def snapped(self, resistors: Series, capacitors: Series) -> LowCut:
        """The bought values whose cutoff is nearest to this one's, the load within a factor of three."""
        farad, ohm = combinations(within(capacitors, self.coupling_farad, 3.2), within(resistors, self.load_ohm, 3.0))
        error = off(1 / (2 * np.pi * ohm * farad), self.cutoff_hz) + 1e-3 * off(ohm, self.load_ohm)
        return LowCut(*least(error, farad, ohm))


def design_low_cut(cutoff_hz: float, load_ohm: float = LOAD_OHM) -> LowCut:
    """The coupling with that cutoff into that load.

    Raises
    ------
    CircuitError
        For a cutoff outside 1..1000 Hz or a load outside 10..470 kohm.
    """
    require(cutoff_hz, 1.0, 1000.0, "the cutoff of a coupling", "Hz", "choose a low cut inside that span")
    require(load_ohm / 1e3, 10, 470, "the load of a coupling", "kohm", "use 47 kohm, or 220 kohm at the output")
    return LowCut(coupling_farad=1 / (2 * np.pi * load_ohm * cutoff_hz), load_ohm=load_ohm)


def design_output_coupling() -> LowCut:
    """100 nF into 220 kohm: 7.234 Hz."""
    return LowCut(coupling_farad=OUTPUT_COUPLING_FARAD, load_ohm=OUTPUT_LOAD_OHM)
