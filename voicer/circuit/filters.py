"""Low-pass prototypes as the pole sections a circuit is built from.

| symbol | name      | unit  | meaning                                          |
|--------|-----------|-------|--------------------------------------------------|
| f0     | f0_hz     | Hz    | pole frequency of a section                      |
| Q      | q         | 1     | pole quality; 0 marks a first-order section      |
| fc     | cutoff_hz | Hz    | -3.0103 dB point of the whole filter             |

Every section has a gain of one at zero frequency, as a unity-gain circuit has: even-order Chebyshev
ripple peaks therefore stand above 0 dB.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from voicer.voicing import Shape

CHEBYSHEV_RIPPLE_DB = {"chebyshev-0.5db": 0.5, "chebyshev-1db": 1.0}


@dataclass(frozen=True)
class Section:
    """One first- or second-order low-pass section."""

    f0_hz: float
    q: float
    """Pole quality; 0 for a first-order section."""

    @property
    def order(self) -> int:
        """1 or 2."""
        return 2 if self.q else 1

    def denominator(self) -> tuple[float, float]:
        """(a, b) of ``1 + a s + b s^2``, in s and s^2."""
        w0 = 2 * np.pi * self.f0_hz
        return (1 / (self.q * w0), 1 / w0**2) if self.q else (1 / w0, 0.0)

    def poles_rad_s(self) -> NDArray[np.complex128]:
        """Poles in the s plane, rad/s [shape=(order,)]."""
        a, b = self.denominator()
        if not b:
            return np.array([-1 / a + 0j])
        root = np.sqrt(complex(a * a - 4 * b))
        return np.array([(-a + root) / (2 * b), (-a - root) / (2 * b)])


@lru_cache(maxsize=256)
def low_pass_sections(shape: Shape, order: int, cutoff_hz: float) -> tuple[Section, ...]:
    """Sections of a low-pass whose response has fallen 3.0103 dB at ``cutoff_hz``, lowest Q first.

    Parameters
    ----------
    shape : "butterworth", "bessel", "chebyshev-0.5db" or "chebyshev-1db"
    order : int, 2..6
        An odd order has one first-order section, which comes first.
    cutoff_hz : float > 0

    Notes
    -----
    Pole formulas: Butterworth and Chebyshev as in any filter handbook, Bessel from the reverse Bessel
    polynomial. Checked against "Op Amps for Everyone", tables 16.6 and 16.7, and scipy in the tests.
    """
    poles = _unit_poles(shape, order) * cutoff_hz
    upper = poles[poles.imag > 1e-9 * cutoff_hz]
    real = poles[np.abs(poles.imag) <= 1e-9 * cutoff_hz]
    first = [Section(float(-p.real), 0.0) for p in real]
    pairs = [Section(float(abs(p)), float(abs(p) / (-2 * p.real))) for p in upper]
    return tuple(first + sorted(pairs, key=lambda section: section.q))


def response(sections: tuple[Section, ...], f_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Complex gain of sections in cascade at each frequency, Hz [shape like ``f_hz``]."""
    s = 2j * np.pi * np.asarray(f_hz, dtype=np.float64)
    gain = np.ones_like(s)
    for section in sections:
        a, b = section.denominator()
        gain = gain / (1 + a * s + b * s * s)
    return gain


def gain(sections: tuple[Section, ...], f_hz: NDArray[np.float64]) -> NDArray[np.float64]:
    """Magnitude of `response`, cheaper [shape like ``f_hz``]."""
    w2 = (2 * np.pi * np.asarray(f_hz, dtype=np.float64)) ** 2
    power = np.ones_like(w2)
    for section in sections:
        a, b = section.denominator()
        power *= (1 - b * w2) ** 2 + a * a * w2
    level: NDArray[np.float64] = 1 / np.sqrt(power)
    return level


def low_frequency_delay_s(sections: tuple[Section, ...]) -> float:
    """Group delay towards zero frequency, s: the sum of the first-order coefficients."""
    return sum(section.denominator()[0] for section in sections)


def high_pass_response(cutoff_hz: float, f_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Complex gain of a coupling capacitor into a resistor, ``s / (s + w)`` [shape like ``f_hz``]."""
    jf = 1j * np.asarray(f_hz, dtype=np.float64)
    return jf / (jf + cutoff_hz)


def high_pass_gain(cutoff_hz: Any, f_hz: NDArray[np.float64]) -> NDArray[np.float64]:
    """Magnitude of `high_pass_response` (broadcasts)."""
    level: NDArray[np.float64] = f_hz / np.hypot(f_hz, cutoff_hz)
    return level


def half_power_hz(sections: tuple[Section, ...]) -> float:
    """Frequency where a cascade has fallen 3.0103 dB below its gain at zero frequency, Hz."""
    return _half_power_frequency(np.concatenate([s.poles_rad_s() for s in sections])) / (2 * np.pi)


@lru_cache(maxsize=32)
def _unit_poles(shape: Shape, order: int) -> NDArray[np.complex128]:
    """Poles for a -3.0103 dB point at 1 (unit: that point's frequency), left half plane."""
    if shape == "butterworth":
        return _butterworth_poles(order)
    poles = _bessel_poles(order) if shape == "bessel" else _chebyshev_poles(order, CHEBYSHEV_RIPPLE_DB[shape])
    return poles / _half_power_frequency(poles)


def _butterworth_poles(order: int) -> NDArray[np.complex128]:
    k = np.arange(1, order + 1)
    return _tidy(np.exp(1j * np.pi * (2 * k + order - 1) / (2 * order)))


def _chebyshev_poles(order: int, ripple_db: float) -> NDArray[np.complex128]:
    angle = (2 * np.arange(1, order + 1) - 1) * np.pi / (2 * order)
    mu = np.arcsinh(1 / np.sqrt(10 ** (ripple_db / 10) - 1)) / order
    return _tidy(-np.sinh(mu) * np.sin(angle) + 1j * np.cosh(mu) * np.cos(angle))


def _bessel_poles(order: int) -> NDArray[np.complex128]:
    coefficients = [1.0]  # of the reverse Bessel polynomial, highest power first
    for k in range(order - 1, -1, -1):
        coefficients.append(coefficients[-1] * (2 * order - k) * (k + 1) / (2 * (order - k)))
    return _tidy(np.roots(coefficients).astype(np.complex128))


def _tidy(poles: NDArray[np.complex128]) -> NDArray[np.complex128]:
    return np.where(np.abs(poles.imag) < 1e-9 * np.abs(poles), poles.real + 0j, poles)


def _half_power_frequency(poles: NDArray[np.complex128]) -> float:
    """Frequency where the power gain relative to zero frequency is last 1/2, by bisection."""
    low, high = 0.05 * np.min(np.abs(poles)), 20 * np.max(np.abs(poles))
    for _ in range(60):
        middle = np.sqrt(low * high)
        gain = np.prod(np.abs(poles) / np.abs(1j * middle - poles))
        low, high = (middle, high) if gain > np.sqrt(0.5) else (low, middle)
    return float(np.sqrt(low * high))
