"""Digital filters against the analogue ones they stand for, and the bridge between grid and clock."""

from __future__ import annotations

import numpy as np
import pytest

from voicer.circuit.filters import high_pass_response, low_pass_sections, response
from voicer.dsp import bridge, matching

RATE_HZ = 96_000.0
F_HZ = np.geomspace(5, 20_000, 3000)


@pytest.mark.parametrize("cutoff_hz", [200.0, 1000.0, 3000.0, 8000.0, 20_000.0])
@pytest.mark.parametrize("order", range(2, 7))
@pytest.mark.parametrize("shape", ["butterworth", "bessel", "chebyshev-0.5db", "chebyshev-1db"])
def test_low_pass_is_the_analogue_one(shape: str, order: int, cutoff_hz: float) -> None:
    """Within -62 dB to 20 kHz and -72 dB to 6 kHz; worst is a Chebyshev of order 6 at 20 kHz, most are below -100."""
    sections = low_pass_sections(shape, order, cutoff_hz)
    fir, poles = matching.matched_low_pass(sections, 7.234, RATE_HZ)
    back = np.exp(-2j * np.pi * F_HZ / RATE_HZ)
    gain, pole = matching.digital_high_pass(7.234, RATE_HZ)
    got = np.polyval(fir[::-1], back) * back ** (-matching.LOW_PASS_LOOKAHEAD)
    got *= gain * (1 - back) / (1 - pole * back)
    for g, a1, a2 in poles:
        got *= g / (1 + a1 * back + a2 * back**2)
    error = np.abs(got - response(sections, F_HZ) * high_pass_response(7.234, F_HZ))
    assert 20 * np.log10(error.max()) < -62
    assert 20 * np.log10(error[F_HZ < 6000].max()) < -72


@pytest.mark.parametrize("cutoff_hz", [10.0, 70.0, 500.0])
def test_coupling_is_the_analogue_one(cutoff_hz: float) -> None:
    """Complex response of the input coupling within -70 dB to 20 kHz."""
    fir = matching.matched_coupling(cutoff_hz, RATE_HZ)
    gain, pole = matching.digital_high_pass(cutoff_hz, RATE_HZ)
    back = np.exp(-2j * np.pi * F_HZ / RATE_HZ)
    got = np.polyval(fir[::-1], back) * back ** (-matching.COUPLING_LOOKAHEAD) * gain * (1 - back) / (1 - pole * back)
    assert 20 * np.log10(np.abs(got - high_pass_response(cutoff_hz, F_HZ)).max()) < -70


@pytest.mark.parametrize(("f_hz", "allowed_db"), [(1000, -105), (6000, -85), (12_000, -76), (20_000, -68)])
def test_bridge_reads_and_writes_between_samples(f_hz: float, allowed_db: float) -> None:
    """A tone read at, and a step written at, any fraction of a sample is right to so many dB."""
    w = 2 * np.pi * f_hz / RATE_HZ
    offset = np.arange(bridge.BRIDGE_TAPS) - (bridge.BRIDGE_TAPS // 2 - 1)
    for table, spectrum in ((bridge.reading_table(), 1), (bridge.step_table(), (1 - np.exp(-1j * w)) / (1j * w))):
        place = np.linspace(0, bridge.BRIDGE_ROWS - 0.01, 999)
        row, share = place.astype(int), (place % 1)[:, None]
        weights = table[row] * (1 - share) + table[row + 1] * share
        got = weights @ np.exp(-1j * w * offset)
        expected = spectrum * np.exp(-1j * w * place / bridge.BRIDGE_ROWS)
        assert 20 * np.log10(np.abs(got - expected).max() / np.abs(spectrum)) < allowed_db


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
