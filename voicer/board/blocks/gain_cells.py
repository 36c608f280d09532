"""The two gain cells of the compander: what their averaging capacitors make.

Each half has a full-wave rectifier whose current charges an averaging capacitor across the cell's own resistance, so
the average settles with ``tau = R C``. A padder beside each capacitor brings an E12 value to the time asked for.

| symbol | name                | unit | meaning                                              |
|--------|---------------------|------|------------------------------------------------------|
| R      | RECTIFIER_OHM       | ohm  | inside the cell, averages the rectified current      |
| C      | ..._averaging_farad | F    | averaging capacitor and the padder in parallel       |
| tau    | send_s, return_s    | s    | time constant of a half: ``R C``                     |
| Rx     | ..._floor_ohm       | ohm  | from the rectifier's input to ground                 |
| floor  | ..._floor           | 1    | ``Rr Vref / ((Rx + Rr) Vu)``, a share of unity       |

A small direct current through each rectifier keeps the gain within bounds on silence: the floor. The expander's lies
2 dB below the compressor's, see `circuit.compander.RETURN_FLOOR`.

Source of the law: application note on compandors AN174 (see `circuit.compander`). The cell is a generic one: its
10 kohm is chosen.
"""

from __future__ import annotations

from dataclasses import dataclass

from voicer.board.blocks.common import LEAST_PADDER_FARAD, closest, require, shared, two_values
from voicer.board.parts import part
from voicer.board.series import Series
from voicer.circuit.compander import RETURN_FLOOR, SEND_FLOOR, SINE_AVERAGE_OF_RMS, UNITY_RMS_V, attack_s, recovery_s

RECTIFIER_OHM = 10e3
"""Resistance inside the generic gain cell that the averaging capacitor works with. Chosen."""

REFERENCE_V = 1.8
"""At every input of the generic gain cell. From memory, typical of the class."""

_UNITY_AVERAGE_V = UNITY_RMS_V * float(SINE_AVERAGE_OF_RMS)


@dataclass(frozen=True)
class GainCellPair:
    """Compressor before the line (send) and expander behind it (return)."""

    send_averaging_farad: float = part("compressor: averaging capacitor")
    send_padder_farad: float = part("compressor: in parallel with the averaging capacitor, trims it")
    return_averaging_farad: float = part("expander: averaging capacitor")
    return_padder_farad: float = part("expander: in parallel with the averaging capacitor, trims it")
    send_floor_ohm: float = part("compressor: bounds its gain on silence")
    return_floor_ohm: float = part("expander: bounds its loss on silence")

    @property
    def send_s(self) -> float:
        """Time constant of the compressor, s."""
        return RECTIFIER_OHM * (self.send_averaging_farad + self.send_padder_farad)

    @property
    def return_s(self) -> float:
        """Time constant of the expander, s."""
        return RECTIFIER_OHM * (self.return_averaging_farad + self.return_padder_farad)

    @property
    def send_floor(self) -> float:
        """Rectified average below which the compressor stands still, a share of unity."""
        return RECTIFIER_OHM * REFERENCE_V / (self.send_floor_ohm + RECTIFIER_OHM) / _UNITY_AVERAGE_V

    @property
    def return_floor(self) -> float:
        """The same of the expander."""
        return RECTIFIER_OHM * REFERENCE_V / (self.return_floor_ohm + RECTIFIER_OHM) / _UNITY_AVERAGE_V

    @property
    def attack_s(self) -> float:
        """Attack of the compressor on a 12 dB step, s."""
        return self.send_s * attack_s(1.0)

    @property
    def recovery_s(self) -> float:
        """Recovery of the compressor from a 12 dB step, s."""
        return self.send_s * recovery_s(1.0)

    def snapped(self, resistors: Series, capacitors: Series) -> GainCellPair:
        """The bought values whose time constants are nearest to this pair's."""
        send_farad = self.send_averaging_farad + self.send_padder_farad
        return_farad = self.return_averaging_farad + self.return_padder_farad
        return GainCellPair(
            *two_values(capacitors, send_farad, LEAST_PADDER_FARAD),
            *two_values(capacitors, return_farad, LEAST_PADDER_FARAD),
            closest(resistors, self.send_floor_ohm),
            closest(resistors, self.return_floor_ohm),
        )


def design_gain_cells(time_constant_s: float) -> GainCellPair:
    """Both halves with the same time constant.

    Raises
    ------
    CircuitError
        For a time constant outside 1..100 ms (0.1..10 uF).
    """
    require(
        time_constant_s * 1e3, 1, 100, "the compander's time constant", "ms",
        "lengthen it if low notes distort, shorten it if the noise breathes",
    )  # fmt: skip
    half = shared(time_constant_s / RECTIFIER_OHM)
    send_ohm, return_ohm = (
        RECTIFIER_OHM * (REFERENCE_V / (floor * _UNITY_AVERAGE_V) - 1) for floor in (SEND_FLOOR, RETURN_FLOOR)
    )
    return GainCellPair(*half, *half, send_ohm, return_ohm)
