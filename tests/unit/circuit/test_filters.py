"""Section poles against scipy, and the assembled response."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from voicer.circuit.filters import half_power_hz, low_frequency_delay_s, low_pass_sections, response

SHAPES = ("butterworth", "bessel", "chebyshev-0.5db", "chebyshev-1db")
ORDERS = range(2, 7)


def scipy_poles(shape: str, order: int) -> np.ndarray:
    """Poles for -3.0103 dB at 1 rad/s, relative to zero frequency."""
    if shape == "butterworth":
        return signal.buttap(order)[1]
    if shape == "bessel":
        return signal.besselap(order, norm="mag")[1]
    poles = signal.cheb1ap(order, {"chebyshev-0.5db": 0.5, "chebyshev-1db": 1.0}[shape])[1]
    w = np.linspace(0.8, 2.5, 400_001)
    gain = np.prod([np.abs(pole) / np.abs(1j * w - pole) for pole in poles], axis=0)
    return poles / w[np.flatnonzero(gain > np.sqrt(0.5))[-1]]


@pytest.mark.parametrize("order", ORDERS)
@pytest.mark.parametrize("shape", SHAPES)
def test_poles_are_those_of_scipy(shape: str, order: int) -> None:
    """Pole for pole, to 1e-5 (the Chebyshev oracle is scaled on a grid), for any cutoff."""
    sections = low_pass_sections(shape, order, 2500.0)
    poles = np.sort_complex(np.concatenate([section.poles_rad_s() for section in sections]))
    expected = np.sort_complex(2 * np.pi * 2500 * scipy_poles(shape, order))
    assert np.abs(poles - expected).max() < 1e-5 * np.abs(expected).max()


@pytest.mark.parametrize("order", ORDERS)
@pytest.mark.parametrize("shape", SHAPES)
def test_cutoff_is_the_half_power_point(shape: str, order: int) -> None:
    """-3.0103 dB at the cutoff against a gain of exactly one at zero frequency."""
    sections = low_pass_sections(shape, order, 3000.0)
    gain = np.abs(response(sections, np.array([0.0, 3000.0])))
    assert gain[0] == 1.0
    assert 20 * np.log10(gain[1]) == pytest.approx(-3.0103, abs=1e-4)
    assert half_power_hz(sections) == pytest.approx(3000, rel=1e-9)


@pytest.mark.parametrize("shape", SHAPES)
def test_odd_orders_have_their_real_pole_first(shape: str) -> None:
    """One first-order section, then pairs by rising Q."""
    sections = low_pass_sections(shape, 5, 1000.0)
    assert [section.order for section in sections] == [1, 2, 2]
    assert sections[1].q < sections[2].q


@pytest.mark.parametrize("shape", SHAPES)
def test_low_frequency_delay_is_the_phase_slope(shape: str) -> None:
    """The sum of first-order coefficients is the group delay towards zero frequency."""
    sections = low_pass_sections(shape, 5, 3000.0)
    phase = np.angle(response(sections, np.array([1.0])))[0]
    assert low_frequency_delay_s(sections) == pytest.approx(-phase / (2 * np.pi), rel=1e-5)
