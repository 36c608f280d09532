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
    lowest_average: float = 0.01
    """The gain cell's floor, as a share of unity: at most 40 dB of gain on silence. Chosen."""


def attack_s(time_constant_s: float) -> float:
    """Time from a 12 dB step up until the compressed level is within 1.5 times its final value.

    Own closed form from ``d(E^2)/dt = (2/T)(|x| - E^2)``: ``-(T/2) ln(20/27)``; 3.00 ms for T = 20 ms.
    """
    return float(-time_constant_s / 2 * np.log(20 / 27))


def recovery_s(time_constant_s: float) -> float:
    """Time from a 12 dB step down until the level has come up to 0.75 of its final value: ``-(T/2) ln(7/27)``."""
    return float(-time_constant_s / 2 * np.log(7 / 27))
