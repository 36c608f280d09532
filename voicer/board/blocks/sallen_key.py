"""Unity-gain Sallen-Key low-passes: resistors, capacitors and a follower, one amplifier each.

    second order   in -- R1 --+-- R2 --+-- follower -- out
                              |        |
                           C feedback  C ground
                              |        |
                             out     ground

    third order    in -- R1 --+-- R2 --+-- R3 --+-- follower -- out
                              |        |        |
                           C first  C feedback  C ground
                              |        |        |
                            ground    out     ground

A field may hold an array: ten thousand units of a spread are one call.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from voicer.board.parts import part
from voicer.circuit.arrays import Array, column
from voicer.circuit.filters import Section


@dataclass(frozen=True)
class SecondOrder:
    """A second-order low-pass of unity gain."""

    r1_ohm: float = part("input resistor")
    r2_ohm: float = part("to the follower's input")
    ground_farad: float = part("follower's input to ground")
    feedback_farad: float = part("feedback, from the output to between the resistors: the larger")

    def denominator(self) -> tuple[float, float]:
        """(a, b) of ``1 + a s + b s^2``, in s and s^2 [shape like the parts]."""
        r1, r2, ground, feedback = self.r1_ohm, self.r2_ohm, self.ground_farad, self.feedback_farad
        return ground * (r1 + r2), r1 * r2 * ground * feedback

    def f0_q(self) -> tuple[Array, Array]:
        """Pole frequency, Hz, and quality; below 0.5 means two real poles [shape like the parts]."""
        a, b = self.denominator()
        return pole_pair(np.asarray(a), np.asarray(b))

    def sections(self) -> tuple[Section, ...]:
        """One section, its fields columns for a spread [shape=(units, 1)]."""
        f0_hz, q = self.f0_q()
        return (Section(column(f0_hz), column(q)),)


@dataclass(frozen=True)
class ThirdOrder:
    """A third-order low-pass of unity gain around a single follower."""

    r1_ohm: float = part("input resistor")
    r2_ohm: float = part("second resistor")
    r3_ohm: float = part("to the follower's input")
    first_farad: float = part("after the input resistor, to ground")
    feedback_farad: float = part("feedback, from the output to after the second resistor: the largest")
    ground_farad: float = part("follower's input to ground: the smallest")

    def denominator(self) -> tuple[float, float, float]:
        """(a, b, c) of ``1 + a s + b s^2 + c s^3``, in s, s^2 and s^3 [shape like the parts]."""
        r1, r2, r3 = self.r1_ohm, self.r2_ohm, self.r3_ohm
        first, feedback, ground = self.first_farad, self.feedback_farad, self.ground_farad
        a = first * r1 + ground * (r1 + r2 + r3)
        b = ground * (feedback * r3 * (r1 + r2) + first * r1 * (r2 + r3))
        return a, b, first * feedback * ground * r1 * r2 * r3

    def f0_q(self) -> tuple[Array, Array, Array]:
        """Frequency of the real pole, Hz, then pole frequency, Hz, and quality of the pair [shape like the parts].

        Where all three poles are real, the slowest is the single one and the pair has a quality below 0.5.
        """
        a, b, c = (np.asarray(value, dtype=np.float64) for value in self.denominator())
        tau = slowest_real(a, b, c)
        return (1 / (2 * np.pi * tau), *pole_pair(a - tau, c / tau))

    def sections(self) -> tuple[Section, ...]:
        """The first-order section, then the second-order one; their fields columns for a spread [shape=(units, 1)]."""
        real_hz, f0_hz, q = self.f0_q()
        return Section(column(real_hz), 0.0), Section(column(f0_hz), column(q))


def pole_pair(a: Array, b: Array) -> tuple[Array, Array]:
    """Pole frequency, Hz, and quality of ``1 + a s + b s^2`` [shape like ``a``]."""
    root = np.sqrt(b)
    return 1 / (2 * np.pi * root), root / a


def slowest_real(a: Array, b: Array, c: Array) -> Array:
    """Longest time constant of a real pole of ``1 + a s + b s^2 + c s^3``, all positive, s [shape like ``a``].

    Time constants are the roots of ``t^3 - a t^2 + b t - c``; taken in closed form, with ``t = u + a / 3``.
    """
    third = a / 3
    p = b / 3 - third * third
    half = (third * b - c) / 2 - third**3
    what = half * half + p**3
    root = np.cbrt(-half - np.copysign(np.sqrt(np.maximum(what, 0)), half))
    single = root - np.divide(p, root, out=np.zeros_like(root), where=root != 0)
    down = np.sqrt(np.maximum(-p, 0))
    cosine = np.divide(-half, down**3, out=np.ones_like(down), where=down > 0)
    threefold = 2 * down * np.cos(np.arccos(np.clip(cosine, -1, 1)) / 3)
    return _polished(third + np.where(what > 0, single, threefold), a, b, c)


def _polished(tau: Array, a: Array, b: Array, c: Array) -> Array:
    """One Newton step, skipped near a double root, where it would do harm."""
    slope = (3 * tau - 2 * a) * tau + b
    value = ((tau - a) * tau + b) * tau - c
    return tau - np.divide(value, slope, out=np.zeros_like(tau), where=np.abs(slope) > 1e-4 * b)
