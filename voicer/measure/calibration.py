"""Volts at full scale, from a recording of a tone of known level."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from voicer.errors import VoicerError
from voicer.measure.meters import tone_level

LOWEST_DB, HIGHEST_PEAK = -60.0, 0.98
LEAST_PURITY_DB = 26.0
"""Everything but the tone must be this far below it: 5 %."""

MOST_DRIFT = 0.02


@dataclass(frozen=True)
class ToneFound:
    """The tone in a recording."""

    f_hz: float
    peak: float
    """Full scale is 1."""


def tone_found(x: NDArray[np.float64], sample_rate_hz: float) -> ToneFound:
    """Find the one steady tone of a recording.

    Raises
    ------
    VoicerError
        For silence, a clipped recording, more than one tone or noise, or a tone that drifts.
    """
    if x.size < sample_rate_hz / 2:
        raise VoicerError(f"the recording must be at least half a second long (got {x.size / sample_rate_hz:.2g} s)")
    highest = float(np.abs(x).max())
    if highest < 10 ** (LOWEST_DB / 20):
        raise VoicerError(
            f"the input must carry a tone above {LOWEST_DB:g} dB of full scale (got {_db(highest):.0f} dB)",
            remedy="check that it is plugged in and turned up",
        )
    if highest > HIGHEST_PEAK:
        raise VoicerError("the tone must stay below full scale (it reaches it)", remedy="turn the input down")
    spectrum = np.abs(np.fft.rfft(x * np.blackman(x.size)))
    at = int(np.argmax(spectrum[1:])) + 1
    near = [tone_level(x, sample_rate_hz, (at + share) * sample_rate_hz / x.size) for share in (-0.5, 0.0, 0.5)]
    bend = near[0] - 2 * near[1] + near[2]
    shift = 0.25 * (near[0] - near[2]) / bend if bend else 0.0
    f_hz = (at + shift) * sample_rate_hz / x.size
    peak = tone_level(x, sample_rate_hz, f_hz)
    rest = float(np.sqrt(max(np.mean((x - x.mean()) ** 2) - peak**2 / 2, 0.0)))
    if rest > peak / np.sqrt(2) * 10 ** (-LEAST_PURITY_DB / 20):
        below_db = _db(peak / np.sqrt(2) / rest)
        raise VoicerError(
            f"the input must carry one steady tone, all else {LEAST_PURITY_DB:g} dB below it (got {below_db:.0f} dB)",
            remedy="use a plain sine of constant level, such as 400 Hz",
        )
    halves = [tone_level(piece, sample_rate_hz, f_hz) for piece in np.array_split(x, 2)]
    if abs(halves[1] / halves[0] - 1) > MOST_DRIFT:
        moved = abs(halves[1] / halves[0] - 1)
        raise VoicerError(f"the tone must be steady (its level changes by {moved:.1%})", remedy="let it settle")
    return ToneFound(float(f_hz), peak)


def volts_at_full_scale(tone: ToneFound, rms_v: float) -> float:
    """Peak volts at a sample value of 1, for a tone of ``rms_v`` at the input."""
    return float(rms_v * np.sqrt(2) / tone.peak)


def _db(level: float) -> float:
    return float(20 * np.log10(max(level, 1e-12)))
