"""The parts around one device of the line: its bias and the balance of its two phases. One block per device.

| symbol | name               | unit | meaning                                                                     |
|--------|--------------------|------|-----------------------------------------------------------------------------|
| p      | position           | 1    | of a trim pot, 0..1; 0.5 is its middle                                      |
| Vb     | bias_v             | V    | ``Vl (Rb + p Pb) / (Rt + Pb + Rb)``: middle of the buckets                  |
| fc     | corner_hz          | Hz   | ``1 / (2 pi C (Rf + Rt' || Rb'))``: coupling into the bias network          |
| wa, wb | phase_weights      | 1    | of the two phases in their mean: ``(R2 + (1-p) P) / S``, ``(R1 + p P) / S`` |

S is ``R1 + P + R2``; Rt' and Rb' are the halves of the bias divider above and below the wiper. Source: resistive
dividers of any electronics handbook. A follower reads the balance.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from voicer.board.blocks.common import (
    closest,
    combinations,
    least,
    require,
    within,
)
from voicer.board.blocks.supply import LINE_V
from voicer.board.parts import part
from voicer.board.series import Series
from voicer.circuit.arrays import Values

BIAS_V, BIAS_REACH_V = LINE_V / 2, 1.0
"""Middle of the bias trim and how far it reaches to each side. Chosen."""

BALANCE_REACH = 0.1
"""Greatest relative difference of the two phases that the balance trim can null. Chosen."""

CORNER_HZ = 1.6
"""Of the coupling into the device: far below the low cut. Chosen."""

BIAS_TRIM_OHM, BALANCE_TRIM_OHM, FEED_OHM = 10e3, 10e3, 100e3
"""Chosen."""


@dataclass(frozen=True)
class LineStage:
    """Bias and balance of one device."""

    stages: int
    """Buckets of the device."""
    device: int
    """Which of the devices in series, from 1."""
    devices: int
    input_farad: float = part("line: input coupling")
    feed_ohm: float = part("line: feeds the bias to the device's input")
    bias_top_ohm: float = part("line: bias divider, to the supply")
    bias_bottom_ohm: float = part("line: bias divider, to ground")
    bias_trim_pot_ohm: float = part("line: bias trim, set for symmetrical clipping")
    phase_a_ohm: float = part("line: first output phase to the balance trim")
    phase_b_ohm: float = part("line: second output phase to the balance trim")
    balance_trim_pot_ohm: float = part("line: balance trim, set for least clock feedthrough")

    @property
    def note(self) -> str:
        """Which device this is, for the sheet: ``device 1 of 2, 4096 stages``."""
        return f"device {self.device} of {self.devices}, {self.stages} stages"

    def bias_v(self, position: Values) -> Values:
        """Bias of the device's input at a position of its trim, V."""
        whole_ohm = self.bias_top_ohm + self.bias_trim_pot_ohm + self.bias_bottom_ohm
        return LINE_V * (self.bias_bottom_ohm + position * self.bias_trim_pot_ohm) / whole_ohm

    def corner_hz(self, position: Values = 0.5) -> Values:
        """-3.01 dB point of the coupling into the device at a position of the bias trim, Hz."""
        below = self.bias_bottom_ohm + position * self.bias_trim_pot_ohm
        above = self.bias_top_ohm + (1 - position) * self.bias_trim_pot_ohm
        return 1 / (2 * np.pi * self.input_farad * (self.feed_ohm + below * above / (below + above)))

    def phase_weights(self, position: Values) -> tuple[Values, Values]:
        """Share of the first and the second phase in the output at a position of the balance trim; their sum is 1."""
        whole_ohm = self.phase_a_ohm + self.balance_trim_pot_ohm + self.phase_b_ohm
        second = (self.phase_a_ohm + position * self.balance_trim_pot_ohm) / whole_ohm
        return 1 - second, second

    def snapped(self, resistors: Series, capacitors: Series) -> LineStage:
        """The stage of bought values whose trims span most nearly the same."""
        bias_top, bias_bottom = self._bought_bias(resistors)
        phase_ohm = closest(resistors, self.phase_a_ohm)
        return LineStage(
            self.stages, self.device, self.devices,
            closest(capacitors, self.input_farad), closest(resistors, self.feed_ohm),
            bias_top, bias_bottom, self.bias_trim_pot_ohm,
            phase_ohm, phase_ohm, self.balance_trim_pot_ohm,
        )  # fmt: skip

    def _bought_bias(self, resistors: Series) -> tuple[float, ...]:
        """Top and bottom of the bias divider whose ends are nearest, for the trim pot the stage has."""
        top, bottom = combinations(
            within(resistors, self.bias_top_ohm, 1.3), within(resistors, self.bias_bottom_ohm, 1.3)
        )
        per_ohm = LINE_V / (top + bottom + self.bias_trim_pot_ohm)
        low_v, high_v = per_ohm * bottom, per_ohm * (bottom + self.bias_trim_pot_ohm)
        error = np.maximum(np.abs(low_v - self.bias_v(0.0)), np.abs(high_v - self.bias_v(1.0)))
        return least(error, top, bottom)


def design_line_stage(
    stages: int,
    device: int = 1,
    devices: int = 1,
    *,
    bias_v: float = BIAS_V,
    bias_reach_v: float = BIAS_REACH_V,
) -> LineStage:
    """The stage of one device whose bias trim spans ``bias_v`` plus and minus its reach.

    Raises
    ------
    CircuitError
        For a bias trim that leaves the supply.
    """
    require(bias_reach_v, 0.1, 0.45 * LINE_V, "the reach of the bias trim", "V", "use 1 V")
    require(
        bias_v, bias_reach_v + 0.05 * LINE_V, 0.95 * LINE_V - bias_reach_v, "the middle of the bias trim", "V",
        f"use half of the {LINE_V:g} V supply",
    )  # fmt: skip
    whole_ohm = LINE_V * BIAS_TRIM_OHM / (2 * bias_reach_v)
    bottom_ohm = whole_ohm * (bias_v - bias_reach_v) / LINE_V
    below_ohm = bottom_ohm + BIAS_TRIM_OHM / 2
    bias_source_ohm = below_ohm * (whole_ohm - below_ohm) / whole_ohm
    phase_ohm = BALANCE_TRIM_OHM / BALANCE_REACH
    return LineStage(
        stages, device, devices, 1 / (2 * np.pi * CORNER_HZ * (FEED_OHM + bias_source_ohm)), FEED_OHM,
        whole_ohm - BIAS_TRIM_OHM - bottom_ohm, bottom_ohm, BIAS_TRIM_OHM, phase_ohm, phase_ohm, BALANCE_TRIM_OHM,
    )  # fmt: skip
