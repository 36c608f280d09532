"""Low-pass prototypes as the pole sections a circuit is built from.

| symbol | name      | unit  | meaning                                          |
|--------|-----------|-------|--------------------------------------------------|
| f0     | f0_hz     | Hz    | pole frequency of a section                      |
| Q      | q         | 1     | pole quality; 0 marks a first-order section      |
| fc     | cutoff_hz | Hz    | -3.0103 dB point of the whole filter             |

Every section has a gain of one at zero frequency, as a unity-gain circuit has: even-order Chebyshev
ripple peaks are therefore above 0 dB.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from voicer.circuit.arrays import Array, ComplexArray, Values
from voicer.voicing import Shape

CHEBYSHEV_RIPPLE_DB = {"chebyshev-0.5db": 0.5, "chebyshev-1db": 1.0}


@dataclass(frozen=True)
class Section:
    """One first- or second-order low-pass section."""

    f0_hz: Values
    q: Values
    """Pole quality; 0 for a first-order section."""

    @property
    def order(self) -> int:
        """1 or 2."""
        return 1 if isinstance(self.q, float) and self.q == 0 else 2

    def denominator(self) -> tuple[Values, Values]:
        """(a, b) of ``1 + a s + b s^2``, in s and s^2 [shape like the fields]."""
        w0 = 2 * np.pi * self.f0_hz
        return (1 / (self.q * w0), 1 / w0**2) if self.order == 2 else (1 / w0, 0.0)

    def poles_rad_s(self) -> ComplexArray:
        """Poles in the s plane, rad/s [shape=(order,)]; the fields must be plain numbers."""
        a, b = self.denominator()
        if self.order == 1:
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
    return _sections(_unit_poles(shape, order) * cutoff_hz)


def _sections(poles: ComplexArray) -> tuple[Section, ...]:
    """Sections with those poles, given as frequencies: first order first, then pairs, lowest Q first."""
    least = 1e-9 * np.abs(poles)
    first = [Section(float(-p.real), 0.0) for p in poles[np.abs(poles.imag) <= least]]
    pairs = [Section(float(abs(p)), float(abs(p) / (-2 * p.real))) for p in poles[poles.imag > least]]
    return tuple(first + sorted(pairs, key=lambda section: float(section.q)))


def response(sections: tuple[Section, ...], f_hz: Values) -> ComplexArray:
    """Complex gain of sections in cascade at each frequency, Hz (broadcasts)."""
    s = 2j * np.pi * np.asarray(f_hz, dtype=np.float64)
    gain = np.ones_like(s)
    for section in sections:
        a, b = section.denominator()
        gain = gain / (1 + a * s + b * s * s)
    return gain


def gain(sections: tuple[Section, ...], f_hz: Values) -> Array:
    """Magnitude of `response`, cheaper (broadcasts)."""
    w2 = (2 * np.pi * np.asarray(f_hz, dtype=np.float64)) ** 2
    power: Array = np.ones_like(w2)
    for section in sections:
        a, b = section.denominator()
        power = power * ((1 - b * w2) ** 2 + a * a * w2)
    level: Array = 1 / np.sqrt(power)
    return level


def low_frequency_delay_s(sections: tuple[Section, ...]) -> Values:
    """Group delay towards zero frequency, s: the sum of the first-order coefficients."""
    return sum((section.denominator()[0] for section in sections), start=0.0)


def high_pass_response(cutoff_hz: Values, f_hz: Values) -> ComplexArray:
    """Complex gain of a coupling capacitor into a resistor, ``s / (s + w)`` (broadcasts)."""
    jf = 1j * np.asarray(f_hz, dtype=np.float64)
    return jf / (jf + cutoff_hz)


def high_pass_gain(cutoff_hz: Values, f_hz: Values) -> Array:
    """Magnitude of `high_pass_response` (broadcasts)."""
    level: Array = f_hz / np.hypot(f_hz, cutoff_hz)
    return level


def half_power_hz(sections: tuple[Section, ...]) -> Values:
    """Highest frequency where a cascade is 3.0103 dB below its gain at zero frequency, Hz [shape like the fields].

    By bisection: above that frequency the gain only falls.
    """
    poles_hz = np.broadcast_arrays(*(section.f0_hz for section in sections))
    low, high = np.min(poles_hz, axis=0) / 20, np.max(poles_hz, axis=0) * 20
    for _ in range(48):
        middle = np.sqrt(low * high)
        above = gain(sections, middle) > np.sqrt(0.5)
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    found: Array = np.sqrt(low * high)
    return found if found.ndim else float(found)


@lru_cache(maxsize=32)
def _unit_poles(shape: Shape, order: int) -> ComplexArray:
    """Poles for a -3.0103 dB point at 1 (unit: that point's frequency), left half plane."""
    if shape == "butterworth":
        return _butterworth_poles(order)
    poles = _bessel_poles(order) if shape == "bessel" else _chebyshev_poles(order, CHEBYSHEV_RIPPLE_DB[shape])
    return poles / half_power_hz(_sections(poles))


def _butterworth_poles(order: int) -> ComplexArray:
    k = np.arange(1, order + 1)
    return _tidy(np.exp(1j * np.pi * (2 * k + order - 1) / (2 * order)))


def _chebyshev_poles(order: int, ripple_db: float) -> ComplexArray:
    angle = (2 * np.arange(1, order + 1) - 1) * np.pi / (2 * order)
    mu = np.arcsinh(1 / np.sqrt(10 ** (ripple_db / 10) - 1)) / order
    return _tidy(-np.sinh(mu) * np.sin(angle) + 1j * np.cosh(mu) * np.cos(angle))


def _bessel_poles(order: int) -> ComplexArray:
    coefficients = [1.0]  # of the reverse Bessel polynomial, highest power first
    for k in range(order - 1, -1, -1):
        coefficients.append(coefficients[-1] * (2 * order - k) * (k + 1) / (2 * (order - k)))
    return _tidy(np.roots(coefficients).astype(np.complex128))


def _tidy(poles: ComplexArray) -> ComplexArray:
    return np.where(np.abs(poles.imag) < 1e-9 * np.abs(poles), poles.real + 0j, poles)

