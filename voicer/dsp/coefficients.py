"""The one place where a circuit becomes numbers for the kernel.

The coefficients are one flat float64 array behind a named layout (`layout`).
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray

from voicer.circuit import Circuit
from voicer.circuit.devices import transfer_weights
from voicer.circuit.limiter import LimiterParts
from voicer.dsp.bridge import inner_factor
from voicer.dsp.layout import COUNT, LAYOUT, LIMIT_INTERVALS, LINE_ROWS, LINE_TAPS, SEGMENT
from voicer.dsp.matching import digital_high_pass, matched_coupling, matched_low_pass

UNLIMITED_V = 1000.0
"""Where a loop without a limiter is cut."""

CEILING_DB = -3.0
"""Default ceiling, dB below full scale."""

RELEASE_S = 0.2
"""Time constant with which the gain comes back. Chosen."""

MUTE_S = 0.004
"""Length of the fade into and out of a mute: as fast as the echo's own. Chosen."""

Bypass = Literal["off", "cut", "tail"]
"""Echo on; off at once; off with the repeats left to ring out."""

_TAIL = 1e-9  # weight that may be dropped from the end of a transfer row

RING_OUT_S = 8.0
"""A bypassed echo loses 60 dB in this time at most. Chosen."""

BYPASSED_LOOP_GAIN = 0.97
"""Highest loop gain of a bypassed echo, however short its delay. Chosen."""


def echo_coefficients(
    circuit: Circuit,
    sample_rate_hz: float,
    *,
    bypass: Bypass = "off",
    volts_per_unit: float = 1.0,
    muted: bool = False,
    generation: int = 0,
    line: int = 0,
    tail: bool = False,
    clock_glide_ms: float = 0.0,
) -> NDArray[np.float64]:
    """Numbers for `echo.Echo` from a circuit.

    Parameters
    ----------
    circuit : Circuit
    sample_rate_hz : float, 44100..192000
    bypass : {"off", "cut", "tail"}
        While bypassed the feedback is held to `bypassed_feedback`, so that even a runaway rings out.
    volts_per_unit : float
        Volts at a sample value of 1.0 (the input calibration).
    muted : bool
        Silence within 4 ms at 48 kHz, the dry signal included; the line is emptied.
    generation : int
        Any other number than before fades the echo out, empties the line and fades in again, 12 ms each way: counted
        up where what the line holds must not be heard on (a recall out of a runaway).
    line : int
        Any other number than before plays on the other line (`lines`).
    tail : bool
        Whether the line before may ring on.
    clock_glide_ms : float
        How long another clock takes to be reached, where that is longer than usual: for knobs of coarse steps.

    Returns
    -------
    float64 [shape=(COUNT,)]
    """
    flat = np.zeros(COUNT)
    c = flat.view(LAYOUT)[0]
    rate_hz = sample_rate_hz * inner_factor(sample_rate_hz)
    _put_gains(c, circuit, bypass, volts_per_unit)
    c["generation"], c["muted"] = generation, muted
    c["line"], c["tail"], c["clock_glide"] = line, tail, 1e-3 * clock_glide_ms * sample_rate_hz / SEGMENT
    if muted:
        c["send"] = c["dry"] = c["wet"] = c["feedback"] = 0.0
    c["clock"] = circuit.clock_hz / rate_hz
    c["deviation"] = circuit.lfo.deviation
    c["lfo_step"] = circuit.lfo.rate_hz / rate_hz
    c["lfo_sine"] = circuit.lfo.shape == "sine"
    _put_filters(c, circuit, rate_hz)
    c["companding"] = circuit.compander.enabled
    c["send_share"] = -np.expm1(-1 / (rate_hz * circuit.compander.send_s))
    c["return_share"] = -np.expm1(-1 / (rate_hz * circuit.compander.return_s))
    c["unity_v"] = circuit.compander.unity_average_v
    c["lowest_average"] = circuit.compander.lowest_average
    c["lowest_return_average"] = circuit.compander.lowest_return_average
    _put_line(c, circuit, rate_hz)
    return flat


def bypassed_feedback(circuit: Circuit) -> float:
    """Feedback gain of a bypassed echo: the circuit's own, or as much as lets it ring out within `RING_OUT_S`.

    The loop gain counts at its loudest pitch, over the modulation's swing about the present clock, and for loud and
    soft sounds alike.
    """
    swing = circuit.lfo.deviation
    clocks_hz = [circuit.clock_hz * (1 + part * swing) for part in ((-1, 0, 1) if swing else (0,))]
    loudest = max(max(circuit.loop_gain(hz), circuit.loop_gain_in_silence(hz)) for hz in clocks_hz)
    most = min(BYPASSED_LOOP_GAIN, 10 ** (-3 * circuit.time_s / RING_OUT_S))
    return circuit.mixer.feedback_gain * min(1.0, most / max(loudest, 1e-9))


def ceiling_numbers(ceiling_db: float, sample_rate_hz: float, *, muted: bool = False) -> NDArray[np.float64]:
    """Numbers for `ceiling.Ceiling` [shape=(3,)].

    Highest sample value, share of the way back per sample, and step of the mute per sample: negative while it closes.
    """
    opening = (-1 if muted else 1) / (MUTE_S * sample_rate_hz)
    return np.array([10 ** (ceiling_db / 20), -np.expm1(-1 / (RELEASE_S * sample_rate_hz)), opening])


def named(flat: NDArray[np.float64]) -> np.void:
    """The same memory by name: ``named(flat)["clock"]``."""
    record: np.void = flat.view(LAYOUT)[0]
    return record


def _put_gains(c: np.void, circuit: Circuit, bypass: Bypass, volts_per_unit: float) -> None:
    mixer, on = circuit.mixer, bypass == "off"
    c["volts_per_unit"] = volts_per_unit
    c["send"] = mixer.entry_gain if on else 0.0
    c["dry"] = mixer.dry_gain * mixer.level_gain if on else 1.0
    c["wet"] = 0.0 if bypass == "cut" else mixer.wet_gain * mixer.level_gain
    c["feedback"] = mixer.feedback_gain if on else bypassed_feedback(circuit)
    c["rail_v"] = mixer.rail_v
    highest_v = mixer.limiter.highest_v if mixer.limiter else UNLIMITED_V
    c["limit_places"] = LIMIT_INTERVALS / highest_v
    c["limit"] = _limit_cubics(mixer.limiter, highest_v)


def _limit_cubics(limiter: LimiterParts | None, highest_v: float) -> NDArray[np.float64]:
    """Value and slope of the limiter at both ends of each interval as a cubic in the place between them, 0..1."""
    at_v = np.linspace(0, highest_v, LIMIT_INTERVALS + 1)
    value, slope = (limiter.limited(at_v), limiter.slope(at_v)) if limiter else (at_v, np.ones_like(at_v))
    rise, slope = np.diff(value), slope * highest_v / LIMIT_INTERVALS
    first, last = slope[:-1], slope[1:]
    return np.stack((value[:-1], first, 3 * rise - 2 * first - last, first + last - 2 * rise), axis=1)


def _put_filters(c: np.void, circuit: Circuit, rate_hz: float) -> None:
    c["coupling"] = digital_high_pass(circuit.low_cut_hz, rate_hz)
    c["coupling_fir"] = matched_coupling(circuit.low_cut_hz, rate_hz)
    c["anti_alias_fir"], c["anti_alias"] = matched_low_pass(circuit.anti_alias, 0.0, rate_hz)
    c["output_coupling"] = digital_high_pass(circuit.output_coupling_hz, rate_hz)
    c["reconstruction_fir"], c["reconstruction"] = matched_low_pass(
        circuit.reconstruction, circuit.output_coupling_hz, rate_hz
    )


def _put_line(c: np.void, circuit: Circuit, rate_hz: float) -> None:
    line, device = circuit.line, circuit.line.device
    c["periods"], c["devices"] = line.periods, line.devices
    c["saturation"] = line.saturation / device.saturation_v
    c["unevenness_v"] = device.unevenness_v
    c["noise_v"] = line_noise(circuit)
    c["bleed_v"] = line.makeup * line.clock_bleed * device.bleed_v * np.sqrt(line.devices)
    c["imbalance"] = line.clock_bleed * device.imbalance
    first, last = np.log2(circuit.slowest_clock_hz / 1.02), np.log2(circuit.fastest_clock_hz * 1.02)
    clock_hz = 2 ** np.linspace(first, last, LINE_ROWS)
    c["row_first"], c["row_step"] = first - np.log2(rate_hz), (last - first) / (LINE_ROWS - 1)
    c["bias_shift_v"] = line.bias_shift_v(clock_hz)
    losses, gains = line.transfer_loss_at(clock_hz), line.gain_at(clock_hz)
    rows = np.array([transfer_weights(line.stages, float(e), LINE_TAPS) for e in losses])
    used = LINE_TAPS - int(np.argmax((rows[:, ::-1] > _TAIL).any(axis=0)))
    c["taps"] = -(-used // 4) * 4
    c["transfer"] = (rows * gains[:, None])[:, ::-1]


def line_noise(circuit: Circuit) -> tuple[float, float]:
    """(c0, c1) such that ``c0 w[k] + c1 w[k-1]`` of unit white noise has the line's spectrum, V.

    White part A per device, transfer part B with spectrum ``2 B (1 - cos w)``: c0^2 + c1^2 = A + 2 B, c0 c1 = -B.
    """
    line, device = circuit.line, circuit.line.device
    white = line.devices * (line.makeup * line.noise * device.device_noise_v) ** 2
    transfer = line.stages * (line.makeup * line.noise * device.transfer_noise_v) ** 2
    total, half = np.sqrt(white + 4 * transfer), np.sqrt(white)
    return float(total + half) / 2, float(half - total) / 2
