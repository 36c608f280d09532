"""Lags and levels out of recordings."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

RATE_HZ = 48_000
BAND_HZ = (500.0, 4000.0)
"""Above it a guitar has little; below it the coupling high-passes have a delay of their own."""


def lag_frames(sound: NDArray[Any], heard: NDArray[Any], most: int = 8000) -> float:
    """How many frames ``heard`` is behind ``sound``, to a fraction: the peak of the whitened cross-correlation,
    refined by the slope of the phase, weighted with the spectrum.
    """
    size = 1 << int(np.ceil(np.log2(2 * sound.size)))
    window = np.hanning(sound.size)
    cross = np.fft.rfft(heard * window, size) * np.conj(np.fft.rfft(sound * window, size))
    f_hz = np.fft.rfftfreq(size, 1 / RATE_HZ)
    cross[(f_hz < BAND_HZ[0]) | (f_hz > BAND_HZ[1])] = 0
    whitened = cross / (np.abs(cross) + 1e-3 * np.abs(cross).max())
    coarse = int(np.argmax(np.fft.irfft(whitened)[:most]))
    rest = cross * np.exp(2j * np.pi * f_hz * coarse / RATE_HZ)
    weight, phase = np.abs(rest), np.angle(rest)
    slope = np.sum(weight * f_hz * phase) / np.sum(weight * f_hz**2)
    return float(coarse - slope * RATE_HZ / (2 * np.pi))


def levels(heard: NDArray[Any], starts: list[float], length: int) -> NDArray[Any]:
    """Root mean square of stretches of ``length`` frames."""
    return np.array([np.sqrt(np.mean(heard[round(at) : round(at) + length] ** 2)) for at in starts])
