"""A whole signal through a circuit, faster than it sounds."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray

from voicer.circuit import Circuit
from voicer.dsp.ceiling import Ceiling
from voicer.dsp.coefficients import CEILING_DB, ceiling_numbers, echo_coefficients
from voicer.dsp.echo import Echo
from voicer.errors import VoicerError

LOWEST_RATE_HZ, HIGHEST_RATE_HZ = 44_100, 192_000
_CHUNK = 4096


def render(
    x: ArrayLike,
    sample_rate_hz: float,
    circuit: Circuit,
    *,
    ceiling_db: float | None = CEILING_DB,
    seed: int = 1,
    progress: Callable[[int], None] | None = None,
) -> NDArray[np.float64]:
    """The circuit's output for an input, sample for sample what is heard live.

    Parameters
    ----------
    x : array [shape=(frames,)]
        Input, 1.0 is full scale and one volt.
    sample_rate_hz : float, 44100..192000
    circuit : Circuit
        From `design`.
    ceiling_db : float or None
        Output ceiling; None leaves it out.
    seed : int
        Of the line's noise.
    progress : callable, optional
        Told the number of frames done, a few times a second.

    Returns
    -------
    float64 [shape=(frames,)]

    Raises
    ------
    VoicerError
        For another shape or sample rate.
    """
    signal = np.ascontiguousarray(x, dtype=np.float64)
    if signal.ndim != 1:
        raise VoicerError(
            f"the input must be one channel [shape=(frames,)] (got shape {signal.shape})",
            remedy="mix the channels or take one",
        )
    if not LOWEST_RATE_HZ <= sample_rate_hz <= HIGHEST_RATE_HZ:
        raise VoicerError(
            f"sample_rate_hz must be in {LOWEST_RATE_HZ}..{HIGHEST_RATE_HZ} Hz (got {sample_rate_hz:g})",
            remedy="resample the input first",
        )
    echo = Echo(echo_coefficients(circuit, sample_rate_hz), sample_rate_hz, seed=seed)
    ceiling = None if ceiling_db is None else Ceiling(ceiling_numbers(ceiling_db, sample_rate_hz))
    y = np.empty_like(signal)
    for start in range(0, signal.size, _CHUNK):
        part = y[start : start + _CHUNK]
        echo.process(signal[start : start + _CHUNK], part)
        if ceiling is not None:
            ceiling.process(part, part)
        if progress is not None:
            progress(min(start + _CHUNK, signal.size))
    return y
