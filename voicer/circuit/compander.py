"""The 2:1 compressor and 1:2 expander: one averaging rectifier and one gain cell each.

Law: the compressor divides by the average of its own output, the expander multiplies by the average of its
input; both averages see the same signal, so the pair is transparent. Source of the law: application note on
compandors AN174 (gain cell driven by the rectified average; input falls 6 dB, expander output falls 12 dB).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from voicer.circuit.arrays import Values

UNITY_RMS_V = 0.775
"""Level that passes both halves unchanged, as a sine (common practice)."""

SINE_AVERAGE_OF_RMS = 2 * np.sqrt(2) / np.pi
"""Rectified average of a sine whose rms is 1."""


SEND_FLOOR, RETURN_FLOOR = 0.010, 0.008
"""Rectified average, as a share of unity, below which a gain cell stands still: 40 dB of gain in the compressor, and
2 dB more of loss in the expander. On silence the pair so loses 2 dB, and a loop below its edge falls silent although
the expander no longer doubles what the line and the filters lose. Chosen."""


@dataclass(frozen=True)
class CompanderParts:
    """What the pair does, as its parts decide."""

    enabled: bool
    send_s: Values
    """Time constant of the compressor's average: averaging capacitor times the rectifier's resistance."""
    return_s: Values
    """The same of the expander; the pair is transparent where both are alike."""
    unity_average_v: float = UNITY_RMS_V * float(SINE_AVERAGE_OF_RMS)
    """Rectified average at which the gain is one."""
    lowest_average: Values = SEND_FLOOR
    """The compressor's floor, as a share of unity: its gain on silence is at most the inverse."""
    lowest_return_average: Values = RETURN_FLOOR
    """The expander's floor, as a share of unity."""

    @property
    def silence_gain(self) -> Values:
        """Gain of both halves together on silence, where both stand at their floors."""
        return self.lowest_return_average / self.lowest_average if self.enabled else 1.0


def attack_s(time_constant_s: float) -> float:
    """Time from a 12 dB step up until the compressed level is within 1.5 times its final value.

    Own closed form from ``d(E^2)/dt = (2/T)(|x| - E^2)``: ``-(T/2) ln(20/27)``; 3.00 ms for T = 20 ms.
    """
    return float(-time_constant_s / 2 * np.log(20 / 27))


def recovery_s(time_constant_s: float) -> float:
    """Time from a 12 dB step down until the level has come up to 0.75 of its final value: ``-(T/2) ln(7/27)``."""
    return float(-time_constant_s / 2 * np.log(7 / 27))
