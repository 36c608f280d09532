"""The input buffer: a follower with a high impedance, so that a pickup is not loaded.

| symbol | name           | unit | meaning                                             |
|--------|----------------|------|-----------------------------------------------------|
| C      | coupling_farad | F    | keeps the bias off the pickup                       |
| R      | bias_ohm       | ohm  | to the bias node; the pickup sees nothing else      |
| fc     | corner_hz      | Hz   | ``1 / (2 pi R C)``, -3.01 dB                        |

Source of the equation: a first-order high-pass as in any electronics handbook. One megohm for a pickup is common
practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from voicer.board.blocks.common import combinations, least, off, require, within
from voicer.board.parts import part
from voicer.board.series import Series
from voicer.circuit.arrays import Values

IMPEDANCE_OHM = 1e6
"""Load on the pickup (common practice, no source)."""

HIGHEST_CORNER_HZ = 2.0
"""The buffer must not take part in the low cut, which begins at 10 Hz. Chosen."""

CORNER_HZ = 1.6
"""Asked for when nothing is: about 100 nF into 1 Mohm. Chosen."""


@dataclass(frozen=True)
class InputBuffer:
    """A unity-gain follower with its coupling capacitor and its resistor to the bias node."""

    coupling_farad: float = part("input coupling: keeps the bias off the pickup")
    bias_ohm: float = part("input bias: sets the load on the pickup")

    @property
    def impedance_ohm(self) -> float:
        """Load on the pickup in the audio range, ohm."""
        return self.bias_ohm

    @property
    def corner_hz(self) -> Values:
        """-3.01 dB point of the coupling, Hz."""
        return 1 / (2 * np.pi * self.bias_ohm * self.coupling_farad)

    def snapped(self, resistors: Series, capacitors: Series) -> InputBuffer:
        """The buffer of bought values nearest to this one in impedance and corner, the corner below its limit."""
        farad, ohm = combinations(within(capacitors, self.coupling_farad, 2.0), within(resistors, self.bias_ohm, 1.3))
        corner_hz = 1 / (2 * np.pi * ohm * farad)
        error = off(ohm, self.impedance_ohm) + 0.2 * off(corner_hz, self.corner_hz)
        return InputBuffer(*least(error + 10.0 * (corner_hz > HIGHEST_CORNER_HZ), farad, ohm))


def design_input_buffer(impedance_ohm: float = IMPEDANCE_OHM, corner_hz: float = CORNER_HZ) -> InputBuffer:
    """The buffer with that load on the pickup and that corner.

    Raises
    ------
    CircuitError
        For a load outside 0.47..4.7 Mohm or a corner outside 0.2..2 Hz.
    """
    require(impedance_ohm / 1e6, 0.47, 4.7, "the input impedance", "Mohm", "use 1 Mohm: less loads a pickup, more hums")
    require(
        corner_hz, 0.2, HIGHEST_CORNER_HZ, "the corner of the input coupling", "Hz",
        "leave higher frequencies to the low cut behind the input sum",
    )  # fmt: skip
    return InputBuffer(coupling_farad=1 / (2 * np.pi * impedance_ohm * corner_hz), bias_ohm=impedance_ohm)
