"""Meters: loudness, weighted levels, a tone's level, distortion and noise of a recorded signal.

| symbol | name    | unit | meaning                                              |
|--------|---------|------|------------------------------------------------------|
| K      | warp    | 1    | tan(pi f0 / fs): corner of a bilinear second order   |
| V      | shelf   | 1    | gain of the shelf, and at its middle                 |
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import signal

from voicer.errors import VoicerError

Weighting = Literal["A", "468", "none"]

BLOCK_S, STEP_S = 0.4, 0.1
"""Blocks of 400 ms that overlap by 75 % (ITU-R BS.1770-4)."""

OFFSET_LUFS, ABSOLUTE_GATE_LUFS, RELATIVE_GATE_LU = -0.691, -70.0, -10.0
"""ITU-R BS.1770-4."""

LOWEST_RATE_HZ = 8_000.0
"""Below this the shelf of the loudness filter leaves no room for itself. Chosen."""

AUDIO_HZ = (20.0, 20_000.0)
"""Band of `thd_n`."""

_SEGMENT_S = 1.0  # of a spectrum: 20 Hz is told from its neighbours
_KAISER_BETA, _LOBE_BINS = 20.0, 8  # side lobes below -150 dB, main lobe 6.4 bins to each side


def loudness_lufs(x: ArrayLike, sample_rate_hz: float) -> float:
    """Integrated loudness of one channel, LUFS, by ITU-R BS.1770-4.

    Parameters
    ----------
    x : array [shape=(frames,)]
        1.0 is full scale.
    sample_rate_hz : float, 8000 or more

    Returns
    -------
    float
        -inf for silence (nothing above -70 LUFS) and for less than 400 ms.

    Raises
    ------
    VoicerError
        For another shape, a lower rate or what is not finite.
    """
    power = _block_power(x, sample_rate_hz)
    power = power[_lufs(power) > ABSOLUTE_GATE_LUFS]
    if power.size:
        power = power[_lufs(power) > _lufs(power.mean()) + RELATIVE_GATE_LU]
    return float(_lufs(power.mean())) if power.size else -np.inf


def loudest_lufs(x: ArrayLike, sample_rate_hz: float) -> float:
    """Loudness of the loudest 400 ms of one channel, LUFS (the largest momentary loudness of EBU Tech 3341).

    -inf for silence and for less than 400 ms.
    """
    power = _block_power(x, sample_rate_hz)
    return float(_lufs(power.max())) if power.size else -np.inf


def _block_power(x: ArrayLike, sample_rate_hz: float) -> NDArray[np.float64]:
    """K-weighted mean square of blocks of 400 ms, every 100 ms [shape=(blocks,)]."""
    heard = _checked(x, sample_rate_hz)
    for b, a in k_weighting(sample_rate_hz):
        heard = signal.lfilter(b, a, heard)
    block, count = round(BLOCK_S * sample_rate_hz), int((heard.size / sample_rate_hz - BLOCK_S) / STEP_S + 1e-9) + 1
    if heard.size < block:
        return np.empty(0)
    starts = np.minimum(np.round(np.arange(count) * STEP_S * sample_rate_hz).astype(int), heard.size - block)
    so_far = np.concatenate(([0.0], np.cumsum(heard**2)))
    return np.asarray((so_far[starts + block] - so_far[starts]) / block)


def k_weighting(sample_rate_hz: float) -> list[tuple[NDArray[np.float64], NDArray[np.float64]]]:
    """Both filters of ITU-R BS.1770-4 for any rate, as numerator and denominator: the shelf, the high-pass.

    The standard prints coefficients for 48 kHz only; these are the analogue filters behind them, mapped bilinearly:
    a shelf at 1681.97 Hz of +4 dB and a high-pass at 38.14 Hz (De Man, "Evaluation of implementations of the EBU R128
    loudness measurement", 2018; digits from memory, checked against the printed 48 kHz coefficients). The printed
    high-pass lets 0.04 dB too much through; it does so here at every rate, so that a sound has one loudness.
    """
    warp, q = np.tan(np.pi * 1681.974450955533 / sample_rate_hz), 0.7071752369554196
    shelf = 10 ** (3.999843853973347 / 20)
    middle = shelf**0.4996667741545416
    top = np.array([
        shelf + middle * warp / q + warp**2, 2 * (warp**2 - shelf), shelf - middle * warp / q + warp**2,
    ])  # fmt: skip
    below = _second_order(warp, q)
    low, printed = (
        _second_order(np.tan(np.pi * 38.13547087602444 / rate_hz), 0.5003270373238773)
        for rate_hz in (sample_rate_hz, 48_000)
    )
    return [(top / below[0], below / below[0]), (np.array([1.0, -2.0, 1.0]) * printed[0] / low[0], low / low[0])]


def a_weighting_db(f_hz: ArrayLike) -> NDArray[np.float64]:
    """A-weighting, dB [shape like ``f_hz``], by the formula of IEC 61672-1; -inf at 0 Hz."""
    f2 = np.asarray(f_hz, dtype=np.float64) ** 2
    gain = 12194.0**2 * f2**2 / ((f2 + 20.6**2) * (f2 + 12194.0**2) * np.sqrt((f2 + 107.7**2) * (f2 + 737.9**2)))
    weight: NDArray[np.float64] = _decibels(gain) + 2.0
    return weight


def itu_468_db(f_hz: ArrayLike) -> NDArray[np.float64]:
    """Noise weighting of ITU-R BS.468, dB [shape like ``f_hz``], 0 dB near 1 kHz, +12.2 dB at 6.3 kHz; -inf at 0 Hz.

    The rational form of the standard's passive network; its digits from memory, checked against the standard's table.
    """
    f = np.asarray(f_hz, dtype=np.float64)
    even = -4.737338981378384e-24 * f**6 + 2.043828333606125e-15 * f**4 - 1.363894795463638e-7 * f**2 + 1
    odd = 1.306612257412824e-19 * f**5 - 2.118150887518656e-11 * f**3 + 5.559488023498642e-4 * f
    weight: NDArray[np.float64] = _decibels(1.246332637532143e-4 * f / np.hypot(even, odd)) + 18.2
    return weight


WEIGHTINGS: dict[str, Callable[[NDArray[np.float64]], NDArray[np.float64]]] = {
    "A": a_weighting_db, "468": itu_468_db, "none": np.zeros_like,
}  # fmt: skip
"""In dB over frequency."""


def spectrum(
    x: ArrayLike, sample_rate_hz: float, segment_s: float = _SEGMENT_S
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Frequencies, Hz, and power density, full scale squared per Hz, averaged over segments (Welch)."""
    given = _checked(x, sample_rate_hz)
    length = max(min(given.size, round(segment_s * sample_rate_hz)), 1)
    f_hz, density = signal.welch(given, sample_rate_hz, "hann", length, detrend=False)
    return f_hz, density


def weighted_rms(x: ArrayLike, sample_rate_hz: float, weighting: Weighting) -> float:
    """Rms of a signal as a weighting hears it, 1.0 is full scale.

    Parameters
    ----------
    x : array [shape=(frames,)]
    weighting : {"A", "468", "none"}
        With ``468`` this is the rms reading, not the quasi-peak one of ITU-R BS.468.
    """
    f_hz, density = spectrum(x, sample_rate_hz)
    if weighting not in WEIGHTINGS:
        raise VoicerError(f"the weighting must be one of {', '.join(WEIGHTINGS)} (got '{weighting}')")
    weight_db = WEIGHTINGS[weighting](f_hz)
    apart_hz = f_hz[1] if f_hz.size > 1 else sample_rate_hz
    return float(np.sqrt(np.sum(density * 10 ** (weight_db / 10)) * apart_hz))


def centroid_hz(x: ArrayLike, sample_rate_hz: float) -> float:
    """Middle of the power spectrum, Hz: brighter sounds have a higher one; 0 for silence."""
    f_hz, density = spectrum(x, sample_rate_hz)
    whole = float(np.sum(density))
    return float(np.sum(f_hz * density) / whole) if whole > 0 else 0.0


def tone_level(x: ArrayLike, sample_rate_hz: float, f_hz: float) -> float:
    """Amplitude of the tone at a frequency, 1.0 is full scale, by projection under a window.

    Another tone counts for less than 1e-7 of its amplitude from 8 / duration away.
    """
    given = _checked(x, sample_rate_hz)
    window = np.kaiser(given.size, _KAISER_BETA)
    turn = np.exp(-2j * np.pi * f_hz / sample_rate_hz * np.arange(given.size))
    return float(2 * np.abs(np.sum(given * window * turn)) / window.sum()) if given.size else 0.0


def thd_n(x: ArrayLike, sample_rate_hz: float, f_hz: float) -> float:
    """Distortion and noise beside a tone: rms of what is left with the tone notched out, relative to all.

    Parameters
    ----------
    x : array [shape=(frames,)]
        At least 20 periods of the tone.
    f_hz : float, 20..20000
        The notch takes 8 / duration to each side of it.

    Returns
    -------
    float, 0..1
        Both taken from 20 Hz to 20 kHz; nan for silence. What is below 1e-7 is the window's.

    Raises
    ------
    VoicerError
        For a tone out of the band or too few of its periods.
    """
    given = _checked(x, sample_rate_hz)
    if not AUDIO_HZ[0] <= f_hz <= min(AUDIO_HZ[1], sample_rate_hz / 2):
        raise VoicerError(f"the tone must be in 20..20000 Hz and below half the rate (got {f_hz:g} Hz)")
    periods = given.size * f_hz / sample_rate_hz
    if periods < 20:
        raise VoicerError(
            f"the tone must last at least 20 periods (got {periods:.3g})", remedy="record more of it"
        )
    power = np.abs(np.fft.rfft(given * np.kaiser(given.size, _KAISER_BETA))) ** 2
    at_hz = np.fft.rfftfreq(given.size, 1 / sample_rate_hz)
    band = (at_hz >= AUDIO_HZ[0]) & (at_hz <= AUDIO_HZ[1])
    tone = np.abs(at_hz - f_hz) <= _LOBE_BINS * sample_rate_hz / given.size
    everything = power[band | tone].sum()
    return float(np.sqrt(power[band & ~tone].sum() / everything)) if everything else np.nan


def _checked(x: ArrayLike, sample_rate_hz: float) -> NDArray[np.float64]:
    given = np.asarray(x, dtype=np.float64)
    if given.ndim != 1:
        raise VoicerError(
            f"the signal must be one channel [shape=(frames,)] (got shape {given.shape})",
            remedy="mix the channels or take one",
        )
    if not sample_rate_hz >= LOWEST_RATE_HZ:
        raise VoicerError(
            f"the sample rate must be at least {LOWEST_RATE_HZ:g} Hz (got {sample_rate_hz:g})", remedy="resample it"
        )
    if not np.isfinite(given).all():
        raise VoicerError("the signal must be finite numbers (got nan or infinity)", remedy="record it again")
    return given


def _second_order(warp: float, q: float) -> NDArray[np.float64]:
    return np.array([1 + warp / q + warp**2, 2 * (warp**2 - 1), 1 - warp / q + warp**2])


def _lufs(power: Any) -> Any:
    with np.errstate(divide="ignore"):
        return OFFSET_LUFS + 10 * np.log10(power)


def _decibels(gain: Any) -> Any:
    with np.errstate(divide="ignore"):
        return 20 * np.log10(gain)
