"""Tables that carry a signal between the audio grid and the clock's own instants.

The audio grid is first raised to the *inner rate* (twice the sample rate, or once at 80 kHz and above), where the
filters run. A short kernel then reads the filtered signal at a tick's true instant, and another writes each step
of the held staircase back on to the grid. Both are least-squares fits to the exact delay over the audio band, so
everything below 20 kHz is right: folding, the copies a staircase has around multiples of its clock, and the bend of
pitch when the clock moves. What lies above 20 kHz is removed instead of being folded by the audio rate.

The kernels need samples from the near future. They get them because the line delays by more than they look ahead:
see `echo`.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import numpy as np
from numpy.typing import NDArray

BRIDGE_TAPS = 8
"""Width of the reading and writing kernels in inner samples."""

BRIDGE_ROWS = 128
"""Fractions of an inner sample that are tabulated; between rows the weights are interpolated linearly."""

RATE_TAPS = 48
"""Width of the filter that doubles and halves the rate, in inner samples; its centre tap comes on top."""

_BAND = 0.21  # of the inner rate: 20.2 kHz of 96 kHz
_GUITAR_BAND = 0.07  # of the inner rate, fitted three times as close
_RATE_BETA = 9.0


def inner_factor(sample_rate_hz: float) -> int:
    """How many inner samples an audio sample has: 2 below 80 kHz, else 1."""
    return 2 if sample_rate_hz < 80_000 else 1


@cache
def reading_table() -> NDArray[np.float64]:
    """Weights that read a signal between its samples [shape=(BRIDGE_ROWS + 1, BRIDGE_TAPS)].

    Row r, tap j weighs the sample at ``j - (BRIDGE_TAPS / 2 - 1)`` for an instant ``r / BRIDGE_ROWS`` after the
    sample at 0. Each row sums to one.
    """
    return np.array([_fitted(fraction, lambda w: np.ones_like(w, complex)) for fraction in _fractions()])


@cache
def step_table() -> NDArray[np.float64]:
    """Weights that write a unit step on to the grid as increments [shape=(BRIDGE_ROWS + 1, BRIDGE_TAPS)].

    Row r, tap j is the increment at sample ``j - (BRIDGE_TAPS / 2 - 1)`` for a step ``r / BRIDGE_ROWS`` after the
    sample at 0. Each row sums to one, so a held value is reached exactly.
    """
    return np.array([_fitted(fraction, lambda w: (1 - np.exp(-1j * w)) / (1j * w)) for fraction in _fractions()])


@cache
def rate_filter() -> NDArray[np.float64]:
    """Half-band low-pass between the audio rate and twice that rate [shape=(RATE_TAPS + 1,)], sum one."""
    offset = np.arange(RATE_TAPS + 1) - RATE_TAPS // 2
    taps = np.sinc(offset / 2) * np.kaiser(RATE_TAPS + 1, _RATE_BETA)
    odd = offset % 2 != 0  # an exact half band: even offsets but the centre are zero
    taps[~odd] = 0.0
    taps[odd] *= 0.5 / taps[odd].sum()
    taps[RATE_TAPS // 2] = 0.5
    return taps


def _fractions() -> NDArray[np.float64]:
    return np.arange(BRIDGE_ROWS + 1) / BRIDGE_ROWS


def _fitted(
    fraction: float, spectrum: Callable[[NDArray[np.float64]], NDArray[np.complex128]]
) -> NDArray[np.float64]:
    """Taps whose spectrum is ``spectrum`` delayed by ``fraction``, in the band; their sum is exactly one."""
    w = 2 * np.pi * np.linspace(_BAND / 400, _BAND, 400)
    weight = np.where(w < 2 * np.pi * _GUITAR_BAND, 3.0, 1.0)
    offset = np.arange(BRIDGE_TAPS) - (BRIDGE_TAPS // 2 - 1)
    columns = np.exp(-1j * np.outer(w, offset)) * weight[:, None]
    wanted = spectrum(w) * np.exp(-1j * w * fraction) * weight
    free = columns[:, 1:] - columns[:, :1]  # the first tap is one minus the others
    wanted = wanted - columns[:, 0]
    matrix = np.concatenate((free.real, free.imag))
    rest, *_ = np.linalg.lstsq(matrix, np.concatenate((wanted.real, wanted.imag)), rcond=None)
    return np.concatenate(([1 - rest.sum()], rest))
