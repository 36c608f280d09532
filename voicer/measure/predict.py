"""What a circuit's closed form says of its figures; nothing here renders a sample.

| symbol | name     | unit | meaning                                    |
|--------|----------|------|--------------------------------------------|
| fc     | clock_hz | Hz   | clock of the line, one sample per period   |
| P      | periods  | 1    | clock periods from input to output         |
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.fft import next_fast_len

from voicer.circuit.circuit import Circuit
from voicer.circuit.filters import gain, high_pass_gain, high_pass_response, response
from voicer.dsp.coefficients import line_noise

Array = NDArray[np.float64]


def wet(circuit: Circuit, f_hz: Array) -> NDArray[np.complex128]:
    """Small-signal gain once through the wet path, its delay in it."""
    clock_hz = circuit.clock_hz
    delay = np.exp(-2j * np.pi * f_hz * circuit.line.periods / clock_hz)
    once: NDArray[np.complex128] = circuit.mixer.entry_gain * circuit.wet_response(f_hz, clock_hz) * delay
    return once


def corners_hz(f_hz: Array, response_gain: Array) -> tuple[float, float]:
    """Where a response has fallen 3.0103 dB below its highest, on both sides, read between its points."""
    level = 20 * np.log10(np.abs(response_gain))
    level = level - level.max() + 3.0103
    inside = np.flatnonzero(level >= 0)
    first, last = inside[0], inside[-1]
    log_f = np.log(f_hz)

    def crossing(a: int, b: int) -> float:
        return float(np.exp(log_f[a] + (log_f[b] - log_f[a]) * level[a] / (level[a] - level[b])))

    low = crossing(first, first - 1) if first > 0 else float(f_hz[0])
    high = crossing(last, last + 1) if last < f_hz.size - 1 else float(f_hz[-1])
    return low, high


def folded_hz(f_hz: float, clock_hz: float) -> float:
    """Where a tone comes out: ``|f - fc round(f / fc)|`` (sampling theorem)."""
    return abs(f_hz - clock_hz * round(f_hz / clock_hz))


def folded_gain(circuit: Circuit, f_hz: float) -> float:
    """Gain from a tone to its copy below half the clock: filtered where it enters, and again where it comes out."""
    out_hz = np.array([folded_hz(f_hz, circuit.clock_hz)])
    into = high_pass_response(circuit.low_cut_hz, np.array([f_hz])) * response(circuit.anti_alias, np.array([f_hz]))
    out = response(circuit.reconstruction, out_hz) * high_pass_response(circuit.output_coupling_hz, out_hz)
    line = circuit.line.gain(out_hz, np.array(circuit.clock_hz))
    return float(circuit.mixer.entry_gain * np.abs(into * out)[0] * line[0])


def energy_above_half_clock_db(circuit: Circuit, x: Array, sample_rate_hz: float) -> float:
    """Energy that reaches the line above half the clock, and folds there, relative to all that reaches it, dB.

    Parameters
    ----------
    circuit : Circuit
    x : array [shape=(frames,)]
        What is played into it.
    sample_rate_hz : float

    Returns
    -------
    float
        -inf for silence and for a clock above the sample rate.
    """
    size = next_fast_len(max(x.size, 2), real=True)
    f_hz: Array = np.fft.rfftfreq(size, 1 / sample_rate_hz).astype(np.float64)
    into = high_pass_gain(circuit.low_cut_hz, f_hz) * gain(circuit.anti_alias, f_hz)
    energy = np.abs(np.fft.rfft(x, size) * into) ** 2
    above, whole = float(energy[f_hz > circuit.clock_hz / 2].sum()), float(energy.sum())
    return 10 * float(np.log10(above / whole)) if above > 0 else -np.inf


def noise_density(circuit: Circuit, f_hz: Array) -> Array:
    """One-sided power density of the line's noise behind the output coupling, compander held, V^2/Hz.

    A sequence ``c0 w[k] + c1 w[k-1]`` of unit white noise, held for a clock period each.
    """
    first, second = line_noise(circuit)
    clock_hz = circuit.clock_hz
    shaped = np.abs(first + second * np.exp(-2j * np.pi * f_hz / clock_hz)) ** 2
    held = 2 / clock_hz * np.sinc(f_hz / clock_hz) ** 2
    around = np.abs(response(circuit.reconstruction, f_hz) * high_pass_response(circuit.output_coupling_hz, f_hz))
    return np.asarray(shaped * held * around**2)


def noise_rms_v(circuit: Circuit, weight_db: Array, f_hz: Array) -> float:
    """Weighted noise with the compander held, V rms; ``f_hz`` evenly spaced."""
    return float(np.sqrt(np.sum(noise_density(circuit, f_hz) * 10 ** (weight_db / 10)) * (f_hz[1] - f_hz[0])))


def expander_gain(circuit: Circuit, rms_v: float) -> float:
    """Gain of the expander for noise of that level: its average over unity, no less than the cell's floor.

    The rectified average of a bell-shaped noise is sqrt(2 / pi) of its rms.
    """
    if not circuit.compander.enabled:
        return 1.0
    average = np.sqrt(2 / np.pi) * rms_v / circuit.compander.unity_average_v
    return float(max(average, circuit.compander.lowest_return_average))


def residue_v(circuit: Circuit) -> float:
    """Clock left at the output, V peak, compander held: a square wave's first harmonic through the filter."""
    bleed_v = circuit.line.makeup * circuit.line.clock_bleed * circuit.line.device.bleed_v
    bleed_v *= np.sqrt(circuit.line.devices)
    return float(4 / np.pi * bleed_v * np.abs(response(circuit.reconstruction, np.array([circuit.clock_hz])))[0])


def decay_db(circuit: Circuit, f_hz: float, feedback_gain: float) -> float:
    """Level lost from one repeat to the next at a pitch, compander settled, dB."""
    once = circuit.round_gain(np.array([f_hz]), np.array(circuit.clock_hz))[0]
    return float(20 * np.log10(feedback_gain * once))


def held(circuit: Circuit) -> Circuit:
    """The same circuit with its compander off."""
    return replace(circuit, compander=replace(circuit.compander, enabled=False))


def cents_over_time(circuit: Circuit) -> tuple[Array, Array]:
    """Pitch deviation in the echo from the clock law: time from the first sample on, s, and cents [each shape=(n,)].

    What enters at u leaves at t when the clock has run P periods in between; its pitch is the clock at t over the
    clock at u. Followed numerically.
    """
    lfo, count = circuit.lfo, 40_000
    long_s = 2.2 / lfo.rate_hz + 2.5 * circuit.line.periods / circuit.clock_hz / (1 - lfo.deviation)
    time_s = np.linspace(0, long_s, count)
    phase = lfo.rate_hz * time_s
    wave = np.sin(2 * np.pi * phase) if lfo.shape == "sine" else 1 - 4 * np.abs((phase + 0.25) % 1 - 0.5)
    clock_hz = circuit.clock_hz * (1 + lfo.deviation * wave)
    passed = np.concatenate(([0.0], np.cumsum((clock_hz[1:] + clock_hz[:-1]) / 2 * np.diff(time_s))))
    out = passed >= circuit.line.periods
    entered_hz = np.interp(np.interp(passed[out] - circuit.line.periods, passed, time_s), time_s, clock_hz)
    return time_s[out], np.asarray(1200 * np.log2(clock_hz[out] / entered_hz))


def repeat_gains(circuit: Circuit, f_hz: Array, count: int) -> Array:
    """Small-signal gain of repeats 1 to ``count``, compander held; of repeat 1 alone where there is no feedback.

    Returns
    -------
    float64 [shape=(repeats, frequencies)]
    """
    once, around = np.abs(wet(circuit, f_hz)), held(circuit).round_gain(f_hz, np.array(circuit.clock_hz))
    around = circuit.mixer.feedback_gain * around
    repeats = range(count if circuit.mixer.feedback_gain else 1)
    return np.array([once * around**number for number in repeats])
