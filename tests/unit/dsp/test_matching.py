"""Digital filters against the analogue ones they stand for, and the bridge between grid and clock."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from voicer.circuit.filters import high_pass_response, low_pass_sections, response
from voicer.dsp import bridge, layout, matching

RATE_HZ = 96_000.0
F_HZ = np.geomspace(5, 20_000, 3000)


LOOSER_DB = {
    ("chebyshev-0.5db", 6, 18_000.0): (-68, -76), ("chebyshev-0.5db", 6, 20_000.0): (-64, -73),
    ("chebyshev-1db", 6, 16_000.0): (-73, -79.5), ("chebyshev-1db", 6, 18_000.0): (-68, -75),
    ("chebyshev-1db", 6, 20_000.0): (-63, -72),
}  # fmt: skip
"""Allowed to 20 kHz and to 6 kHz where eight taps do not reach the rule: the highest Q next to the band's edge."""


@pytest.mark.parametrize("coupling_hz", [0.0, 7.234])
@pytest.mark.parametrize("cutoff_hz", [200.0, 500.0, 1000.0, 3000.0, 8000.0, 14_000.0, 16_000.0, 18_000.0, 20_000.0])
@pytest.mark.parametrize("order", range(2, 7))
@pytest.mark.parametrize("shape", ["butterworth", "bessel", "chebyshev-0.5db", "chebyshev-1db"])
def test_low_pass_is_the_analogue_one(shape: Any, order: int, cutoff_hz: float, coupling_hz: float) -> None:
    """Complex response within -70 dB to 20 kHz and -80 dB to 6 kHz, but for the few of `LOOSER_DB`."""
    sections = low_pass_sections(shape, order, cutoff_hz)
    fir, poles = matching.matched_low_pass(sections, coupling_hz, RATE_HZ)
    got, expected = low_pass_response(fir, poles), response(sections, F_HZ)
    if coupling_hz:
        got, expected = got * digital_coupling(coupling_hz), expected * high_pass_response(coupling_hz, F_HZ)
    error = np.abs(got - expected)
    wide_db, guitar_db = LOOSER_DB.get((shape, order, cutoff_hz), (-70, -80))
    assert 20 * np.log10(error.max()) < wide_db
    assert 20 * np.log10(error[F_HZ < 6000].max()) < guitar_db


def low_pass_response(fir: Any, poles: Any) -> Any:
    back = np.exp(-2j * np.pi * F_HZ / RATE_HZ)
    got = np.polyval(fir[::-1], back) * back ** (-layout.LOW_PASS_LOOKAHEAD)
    for gain, a1, a2 in poles:
        got *= gain / (1 + a1 * back + a2 * back**2)
    return got


def digital_coupling(cutoff_hz: float) -> Any:
    gain, pole = matching.digital_high_pass(cutoff_hz, RATE_HZ)
    back = np.exp(-2j * np.pi * F_HZ / RATE_HZ)
    return gain * (1 - back) / (1 - pole * back)


@pytest.mark.parametrize("cutoff_hz", [10.0, 70.0, 500.0])
def test_coupling_is_the_analogue_one(cutoff_hz: float) -> None:
    """Complex response of the input coupling within -70 dB to 20 kHz."""
    fir = matching.matched_coupling(cutoff_hz, RATE_HZ)
    back = np.exp(-2j * np.pi * F_HZ / RATE_HZ)
    got = np.polyval(fir[::-1], back) * back ** (-layout.COUPLING_LOOKAHEAD) * digital_coupling(cutoff_hz)
    assert 20 * np.log10(np.abs(got - high_pass_response(cutoff_hz, F_HZ)).max()) < -70


@pytest.mark.parametrize(
    ("low_hz", "high_hz", "allowed_db"),
    [(50, 1000, -100), (1000, 6000, -85), (6000, 12_000, -76), (12_000, 20_000, -68)],
)
@pytest.mark.parametrize("name", ["reading", "step"])
def test_bridge_reads_and_writes_between_samples(name: str, low_hz: float, high_hz: float, allowed_db: float) -> None:
    """A tone read at, and a step written at, any fraction of a sample is right to so many dB, anywhere in the span."""
    w = 2 * np.pi * np.linspace(low_hz, high_hz, 80) / RATE_HZ
    table = bridge.reading_table() if name == "reading" else bridge.step_table()
    spectrum = np.ones_like(w) if name == "reading" else (1 - np.exp(-1j * w)) / (1j * w)
    offset = np.arange(bridge.BRIDGE_TAPS) - (bridge.BRIDGE_TAPS // 2 - 1)
    place = np.linspace(0, bridge.BRIDGE_ROWS - 0.01, 999)
    row, share = place.astype(int), (place % 1)[:, None]
    weights = table[row] * (1 - share) + table[row + 1] * share
    got = weights @ np.exp(-1j * np.outer(offset, w))
    expected = spectrum * np.exp(-1j * np.outer(place / bridge.BRIDGE_ROWS, w))
    assert 20 * np.log10((np.abs(got - expected) / np.abs(spectrum)).max()) < allowed_db


def test_bridge_keeps_levels() -> None:
    """Each row sums to one: a constant is read, and a held level reached, exactly."""
    for table in (bridge.reading_table(), bridge.step_table()):
        assert np.abs(table.sum(axis=1) - 1).max() < 1e-12


def test_rate_filter_is_an_exact_half_band() -> None:
    """The centre is 1/2, other even taps are zero, the sum is one; flat to 18 kHz within 0.01 dB."""
    taps = bridge.rate_filter()
    centre = bridge.RATE_TAPS // 2
    assert taps[centre] == 0.5
    assert not np.delete(taps[centre % 2 :: 2], centre // 2).any()
    gain = np.abs(np.exp(-2j * np.pi * np.outer(np.linspace(0, 18_000, 200) / RATE_HZ, np.arange(taps.size))) @ taps)
    assert 20 * np.log10(np.abs(gain).min()) > -0.01
