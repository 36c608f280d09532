"""Section poles against scipy, and the assembled response."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy import signal

from voicer.circuit.filters import (
    half_power_hz,
    high_pass_response,
    low_frequency_delay_s,
    low_pass_sections,
    response,
)

SHAPES = ("butterworth", "bessel", "chebyshev-0.5db", "chebyshev-1db")
RIPPLE_DB = {"chebyshev-0.5db": 0.5, "chebyshev-1db": 1.0}
ORDERS = range(2, 7)
CUTOFFS_HZ = (200.0, 3000.0, 20_000.0)
HALF_POWER_DB = 10 * np.log10(0.5)


def half_power_over_edge(order: int, ripple_db: float) -> float:
    """Frequency, over the ripple's edge, where a Chebyshev has half its power at zero frequency.

    With T the Chebyshev polynomial and e^2 = 10^(r/10) - 1: odd orders have 1 + e^2 T^2 = 2, even ones, which begin
    at the bottom of their ripple, 1 + e^2 T^2 = 2 (1 + e^2).
    """
    square = 10 ** (ripple_db / 10) - 1
    height = np.sqrt((1 + 2 * square) / square if order % 2 == 0 else 1 / square)
    return float(np.cosh(np.arccosh(height) / order))


def scipy_poles(shape: str, order: int) -> Any:
    """Poles for -3.0103 dB at 1 rad/s, relative to zero frequency."""
    if shape == "butterworth":
        return signal.butter(order, 1, analog=True, output="zpk")[1]
    if shape == "bessel":
        return signal.besselap(order, norm="mag")[1]
    return signal.cheb1ap(order, RIPPLE_DB[shape])[1] / half_power_over_edge(order, RIPPLE_DB[shape])


@pytest.mark.parametrize("cutoff_hz", CUTOFFS_HZ)
@pytest.mark.parametrize("order", ORDERS)
@pytest.mark.parametrize("shape", SHAPES)
def test_poles_are_those_of_scipy(shape: Any, order: int, cutoff_hz: float) -> None:
    """Pole for pole, to 1e-9 of the farthest, for any cutoff."""
    sections = low_pass_sections(shape, order, cutoff_hz)
    poles = np.concatenate([section.poles_rad_s() for section in sections])
    expected = 2 * np.pi * cutoff_hz * scipy_poles(shape, order)
    away = np.abs(poles[:, None] - expected[None, :])
    assert away.min(axis=1).max() < 1e-9 * np.abs(expected).max()
    assert away.min(axis=0).max() < 1e-9 * np.abs(expected).max()


@pytest.mark.parametrize("cutoff_hz", CUTOFFS_HZ)
@pytest.mark.parametrize("order", ORDERS)
@pytest.mark.parametrize("shape", SHAPES)
def test_cutoff_is_the_half_power_point(shape: Any, order: int, cutoff_hz: float) -> None:
    """-3.0103 dB at the cutoff against a gain of exactly one at zero frequency, even orders' ripple included."""
    sections = low_pass_sections(shape, order, cutoff_hz)
    gain = np.abs(response(sections, np.array([0.0, cutoff_hz])))
    assert gain[0] == 1.0
    assert 20 * np.log10(gain[1]) == pytest.approx(HALF_POWER_DB, abs=1e-9)
    assert half_power_hz(sections) == pytest.approx(cutoff_hz, rel=1e-9)


@pytest.mark.parametrize("order", ORDERS)
@pytest.mark.parametrize("shape", SHAPES)
def test_response_is_that_of_scipy(shape: Any, order: int) -> None:
    """Magnitude and phase of the sections in series against `scipy.signal.freqs_zpk` of one filter, to 1e-9."""
    f_hz = np.geomspace(5, 40_000, 300)
    poles = 2 * np.pi * 2500 * scipy_poles(shape, order)
    expected = signal.freqs_zpk([], poles, np.prod(-poles).real, 2 * np.pi * f_hz)[1]
    assert np.abs(response(low_pass_sections(shape, order, 2500.0), f_hz) - expected).max() < 1e-9


@pytest.mark.parametrize("order", ORDERS)
@pytest.mark.parametrize("shape", RIPPLE_DB)
def test_ripple_is_the_one_named(shape: Any, order: int) -> None:
    """Peak to trough inside the pass band; above zero frequency's gain for even orders, below it for odd ones."""
    f_hz = np.linspace(0, 1000 / half_power_over_edge(order, RIPPLE_DB[shape]), 20_001)
    gain_db = 20 * np.log10(np.abs(response(low_pass_sections(shape, order, 1000.0), f_hz)))
    expected = (0, RIPPLE_DB[shape]) if order % 2 == 0 else (-RIPPLE_DB[shape], 0)
    assert (gain_db.min(), gain_db.max()) == pytest.approx(expected, abs=1e-5)


@pytest.mark.parametrize("order", ORDERS)
@pytest.mark.parametrize("shape", SHAPES)
def test_odd_orders_have_their_real_pole_first(shape: Any, order: int) -> None:
    """One first-order section where the order is odd, then pairs by rising Q."""
    sections = low_pass_sections(shape, order, 1000.0)
    assert [section.order for section in sections] == [1] * (order % 2) + [2] * (order // 2)
    qualities = [section.q for section in sections]
    assert qualities == sorted(qualities)


@pytest.mark.parametrize("order", ORDERS)
@pytest.mark.parametrize("shape", SHAPES)
def test_low_frequency_delay_is_the_phase_slope(shape: Any, order: int) -> None:
    """The sum of first-order coefficients is the group delay towards zero frequency."""
    sections = low_pass_sections(shape, order, 3000.0)
    phase = np.angle(response(sections, np.array([1.0])))[0]
    assert low_frequency_delay_s(sections) == pytest.approx(-phase / (2 * np.pi), rel=1e-6)


def test_coupling_is_the_first_order_high_pass_of_scipy() -> None:
    """Half power at its cutoff, and scipy's response everywhere."""
    f_hz = np.geomspace(1, 20_000, 200)
    b, a = signal.butter(1, 2 * np.pi * 70, btype="high", analog=True)
    assert np.abs(high_pass_response(70, f_hz) - signal.freqs(b, a, 2 * np.pi * f_hz)[1]).max() < 1e-12
    assert 20 * np.log10(abs(high_pass_response(70, np.array([70.0]))[0])) == pytest.approx(HALF_POWER_DB, abs=1e-9)
