"""A digital filter that equals an analogue one over the whole audio band.

The poles are the analogue poles mapped exactly (``z = exp(p / rate)``); the numerator is a short FIR filter
fitted so that the complex response matches from zero to 20 kHz. A response that is advanced by a few samples fits
better than a causal one; the caller takes the advance off the line's delay.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from voicer.circuit.filters import Section, high_pass_response, response
from voicer.dsp.layout import COUPLING_LOOKAHEAD, COUPLING_TAPS, LOW_PASS_LOOKAHEAD, LOW_PASS_TAPS

PASS_BAND_HZ = 20_000.0

_GRID = 400
_OUTSIDE_WEIGHT = 3e-3


@lru_cache(maxsize=64)
def matched_low_pass(
    sections: tuple[Section, ...], coupling_hz: float, rate_hz: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Low-pass sections, and a coupling high-pass in front of them unless ``coupling_hz`` is 0.

    Returns
    -------
    fir : [shape=(LOW_PASS_TAPS,)]
        Numerator, for a signal that is LOW_PASS_LOOKAHEAD samples ahead.
    poles : [shape=(3, 3)]
        Per second-order section (gain, a1, a2) of ``gain / (1 + a1 z^-1 + a2 z^-2)``, gain one at zero frequency.
    """
    first = [section for section in sections if section.order == 1]
    rows = [digital_poles(section, rate_hz) for section in sections if section.order == 2]
    rows += [digital_poles(section, rate_hz) for section in first]
    poles = np.array(rows + [(1.0, 0.0, 0.0)] * (3 - len(rows)))

    def target(f_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
        gain: NDArray[np.complex128] = response(sections, f_hz)
        return gain * high_pass_response(coupling_hz, f_hz) if coupling_hz else gain

    def fixed(f_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
        back = np.exp(-2j * np.pi * f_hz / rate_hz)
        gain: NDArray[np.complex128] = np.prod([g / (1 + a1 * back + a2 * back**2) for g, a1, a2 in poles], axis=0)
        return gain * _digital_high_pass_response(coupling_hz, f_hz, rate_hz) if coupling_hz else gain

    return _fitted(target, fixed, LOW_PASS_TAPS, LOW_PASS_LOOKAHEAD, rate_hz), poles


@lru_cache(maxsize=64)
def matched_coupling(cutoff_hz: float, rate_hz: float) -> NDArray[np.float64]:
    """FIR [shape=(COUPLING_TAPS,)] that makes `digital_high_pass` equal the analogue coupling."""
    return _fitted(
        lambda f_hz: high_pass_response(cutoff_hz, f_hz),
        lambda f_hz: _digital_high_pass_response(cutoff_hz, f_hz, rate_hz),
        COUPLING_TAPS,
        COUPLING_LOOKAHEAD,
        rate_hz,
    )


def digital_high_pass(cutoff_hz: float, rate_hz: float) -> tuple[float, float]:
    """(gain, pole) of ``gain (1 - z^-1) / (1 - pole z^-1)`` with the analogue pole mapped exactly."""
    pole = float(np.exp(-2 * np.pi * cutoff_hz / rate_hz))
    return (1 + pole) / 2, pole


def digital_poles(section: Section, rate_hz: float) -> tuple[float, float, float]:
    """(gain, a1, a2) of a section's poles mapped exactly, gain one at zero frequency."""
    mapped = np.exp(section.poles_rad_s() / rate_hz)
    if section.order == 1:
        a1, a2 = -float(mapped[0].real), 0.0
    else:
        a1, a2 = -float(mapped.sum().real), float(mapped.prod().real)
    return 1 + a1 + a2, a1, a2


def _digital_high_pass_response(
    cutoff_hz: float, f_hz: NDArray[np.float64], rate_hz: float
) -> NDArray[np.complex128]:
    gain, pole = digital_high_pass(cutoff_hz, rate_hz)
    back = np.exp(-2j * np.pi * f_hz / rate_hz)
    response_now: NDArray[np.complex128] = gain * (1 - back) / (1 - pole * back)
    return response_now


def _fitted(
    target: Callable[[NDArray[np.float64]], NDArray[np.complex128]],
    fixed: Callable[[NDArray[np.float64]], NDArray[np.complex128]],
    taps: int,
    lookahead: int,
    rate_hz: float,
) -> NDArray[np.float64]:
    """Least-squares FIR so that ``fir * fixed`` is ``target``; frequencies past the band weigh little."""
    low = np.geomspace(5, 1000, _GRID // 4)
    f_hz = np.concatenate((low, np.linspace(1000, rate_hz / 2, _GRID + 1)[1:]))
    weight = np.where(f_hz < min(PASS_BAND_HZ, 0.45 * rate_hz), 1.0, _OUTSIDE_WEIGHT)
    angle = 2 * np.pi * f_hz / rate_hz
    columns = np.exp(-1j * np.outer(angle, np.arange(taps) - lookahead)) * (fixed(f_hz) * weight)[:, None]
    wanted = target(f_hz) * weight
    matrix = np.concatenate((columns.real, columns.imag))
    fir: NDArray[np.float64]
    fir, *_ = np.linalg.lstsq(matrix, np.concatenate((wanted.real, wanted.imag)), rcond=1e-13)
    return fir
