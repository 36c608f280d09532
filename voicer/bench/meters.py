"""Meters: loudness, weighted noise. Each is checked against published values in the tests.

Sources: ITU-R BS.1770-4 (loudness), IEC 61672-1 (A weighting, formula), ITU-R BS.468 (noise weighting, rational form
from memory, checked against the table).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

Array = NDArray[np.float64]

SHELF_HZ, SHELF_DB, SHELF_Q = 1681.974450955533, 3.999843853973347, 0.7071752369554196
HIGH_PASS_HZ, HIGH_PASS_Q = 38.13547087602444, 0.5003270373238773
"""The two filters of the K curve as analogue parameters, from which 48 kHz coefficients follow as published."""

BLOCK_S, OVERLAP = 0.4, 0.75
ABSOLUTE_GATE_LUFS, RELATIVE_GATE_LU = -70.0, -10.0
OFFSET_LUFS = -0.691

A_AT_1_KHZ_DB = 2.0
"""IEC 61672-1 writes +2.00 dB; at 1 kHz the curve is then within 0.001 dB of 0."""


def loudness_lufs(x: Array, sample_rate_hz: float) -> float:
    """Integrated loudness of one channel, LUFS; -inf for silence and for less than one block of 0.4 s."""
    block, step = round(BLOCK_S * sample_rate_hz), round(BLOCK_S * (1 - OVERLAP) * sample_rate_hz)
    if x.size < block:
        return float("-inf")
    squares = np.cumsum(np.concatenate(([0.0], k_weighted(x, sample_rate_hz) ** 2)))
    starts = np.arange(0, x.size - block + 1, step)
    power = (squares[starts + block] - squares[starts]) / block
    power = power[power > 10 ** ((ABSOLUTE_GATE_LUFS - OFFSET_LUFS) / 10)]
    if not power.size:
        return float("-inf")
    gate = power.mean() * 10 ** (RELATIVE_GATE_LU / 10)
    return float(OFFSET_LUFS + 10 * np.log10(power[power > gate].mean()))


def k_weighted(x: Array, sample_rate_hz: float) -> Array:
    """A signal through the K curve: a high shelf and a high-pass, at any rate [shape like ``x``]."""
    k = np.tan(np.pi * SHELF_HZ / sample_rate_hz)
    high = 10 ** (SHELF_DB / 20)
    band = high**0.4996667741545416
    a0 = 1 + k / SHELF_Q + k * k
    b = np.array([high + band * k / SHELF_Q + k * k, 2 * (k * k - high), high - band * k / SHELF_Q + k * k]) / a0
    a = np.array([1, 2 * (k * k - 1) / a0, (1 - k / SHELF_Q + k * k) / a0])
    shelved = lfilter(b, a, x)
    k = np.tan(np.pi * HIGH_PASS_HZ / sample_rate_hz)
    a0 = 1 + k / HIGH_PASS_Q + k * k
    a = np.array([1, 2 * (k * k - 1) / a0, (1 - k / HIGH_PASS_Q + k * k) / a0])
    weighted: Array = lfilter([1.0, -2.0, 1.0], a, shelved)
    return weighted


def a_weighting_db(f_hz: Array) -> Array:
    """A weighting at frequencies above 0, dB [shape like ``f_hz``]."""
    f2 = np.asarray(f_hz, dtype=np.float64) ** 2
    ratio = 12194**2 * f2**2 / ((f2 + 20.6**2) * (f2 + 12194**2) * np.sqrt((f2 + 107.7**2) * (f2 + 737.9**2)))
    return np.asarray(20 * np.log10(ratio) + A_AT_1_KHZ_DB)


def itu_468_db(f_hz: Array) -> Array:
    """ITU-R 468 weighting, 0 dB at 1 kHz, at frequencies above 0, dB [shape like ``f_hz``]."""
    f = np.asarray(f_hz, dtype=np.float64)
    h1 = -4.737338981378384e-24 * f**6 + 2.043828333606125e-15 * f**4 - 1.363894795463638e-7 * f**2 + 1
    h2 = 1.306612257412824e-19 * f**5 - 2.118150887518656e-11 * f**3 + 5.559488023498642e-4 * f
    return np.asarray(18.246265068039158 + 20 * np.log10(1.246332637532143e-4 * f / np.hypot(h1, h2)))


def weighted_rms(y: Array, sample_rate_hz: float, weighting: str = "flat", highest_hz: float = 20_000.0) -> float:
    """Rms from 20 Hz to ``highest_hz`` under a weighting: ``flat``, ``A`` or ``468`` (rms detector in all three)."""
    spectrum = np.abs(np.fft.rfft(y)) ** 2 * 2 / y.size**2
    f = np.fft.rfftfreq(y.size, 1 / sample_rate_hz)
    band = (f >= 20) & (f <= highest_hz)
    curve = _CURVES[weighting](np.asarray(f[band], dtype=np.float64))
    return float(np.sqrt(np.sum(spectrum[band] * 10 ** (curve / 10))))


_CURVES: dict[str, Callable[[Array], Array]] = {
    "flat": lambda f_hz: np.zeros(f_hz.size), "A": a_weighting_db, "468": itu_468_db,
}  # fmt: skip


def centroid_hz(y: Array, sample_rate_hz: float) -> float:
    """Mean frequency of a signal's power from 20 Hz to 20 kHz, Hz; 0 for silence."""
    power = np.abs(np.fft.rfft(y)) ** 2
    f = np.fft.rfftfreq(y.size, 1 / sample_rate_hz)
    band = (f >= 20) & (f <= 20_000)
    whole = power[band].sum()
    return float((f[band] * power[band]).sum() / whole) if whole > 0 else 0.0
