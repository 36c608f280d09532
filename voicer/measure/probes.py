"""Measuring a circuit through the kernel that is heard: pulses, tones, bursts and silence in, figures out.

A probe never looks at a formula of the circuit but for where to look (which pitch, how long to wait); what it gives
is read from the samples.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from voicer.board.part_choice import design
from voicer.circuit.circuit import Circuit, MixerParts
from voicer.dsp.rendering import render
from voicer.measure.meters import thd_n, tone_level
from voicer.voicing import Compander, Delay, Filters, Flaws, Line, LowPass, Output, Repeats, Voicing

RATE_HZ = 48_000
FAST_RATE_HZ = 192_000
"""For what lies above hearing, such as the clock itself."""

PULSES, LOOP_PULSES = 24, 10
"""Pulses averaged: each meets the clock at another moment, so that what folds falls out of their mean. Of a loop, which
is listened to for long, fewer."""

PULSE_V = 0.01

SETTLED = 0.03
"""A level that moves by less within two seconds has settled."""

LEAST_PERIODS = 25
"""A tone's level is read from at least so many of its periods."""

FOLLOWED_DB = 8.0
"""A level that moves by less than this in a time constant is followed by both rectifiers: the compressed signal falls
half as fast, and an average can fall by 8.7 dB in a time constant at most."""

_ROW, _CHOICE = 512, 1000

Array = NDArray[np.float64]


def echo_alone(circuit: Circuit) -> Circuit:
    """The same circuit with nothing but one pass of the echo at its output."""
    mixer = MixerParts(0.0, 0.0, 1.0, 1.0, circuit.mixer.entry_gain, circuit.mixer.rail_v)
    return replace(circuit, mixer=mixer)


def linear(circuit: Circuit) -> Circuit:
    """The same circuit as small signals see it: no noise, no soft limits, compander held, clock at rest."""
    line = replace(circuit.line, noise=0.0, saturation=0.0, clock_bleed=0.0)
    return replace(
        circuit, line=line, compander=replace(circuit.compander, enabled=False), lfo=replace(circuit.lfo, deviation=0.0)
    )


def modulated(circuit: Circuit) -> Circuit:
    """`linear`, but with its clock moved as it is."""
    return replace(linear(circuit), lfo=circuit.lfo)


def at_rest(circuit: Circuit) -> Circuit:
    """The same circuit with its clock at rest, and none of it at the output."""
    line, lfo = replace(circuit.line, clock_bleed=0.0), replace(circuit.lfo, deviation=0.0)
    return replace(circuit, line=line, lfo=lfo)


def looped(circuit: Circuit, feedback_gain: float) -> Circuit:
    """Only the echo at the output, going round."""
    alone = echo_alone(circuit)
    return replace(alone, mixer=replace(alone.mixer, feedback_gain=feedback_gain))


def played(circuit: Circuit, x: Array, rate_hz: int = RATE_HZ) -> Array:
    """What the circuit makes of samples, in volts, with no ceiling."""
    return render(x, rate_hz, circuit, ceiling_db=None)


def pulse_response(
    circuit: Circuit, f_hz: Array, *, tail_s: float = 0.08, pulses: int = PULSES
) -> NDArray[np.complex128]:
    """Complex gain at frequencies, the delay in it, from averaged small pulses [shape like ``f_hz``].

    Parameters
    ----------
    circuit : Circuit
        A linear one.
    f_hz : array
        Below half the clock and half the rate.
    tail_s : float
        How long it is listened to after the delay.
    pulses : int
        How many are averaged.
    """
    return pass_responses(circuit, f_hz, 1, tail_s=tail_s, pulses=pulses)[0]


def pass_responses(
    circuit: Circuit, f_hz: Array, passes: int, *, tail_s: float = 0.08, pulses: int = PULSES
) -> list[NDArray[np.complex128]]:
    """The same after each of several passes: repeats 1, 2, 3 … of a loop whose feedback gain is 1."""
    long = int(RATE_HZ * (passes * circuit.time_s + tail_s))
    starts = _spread_starts(circuit.clock_hz / RATE_HZ, long, pulses)
    y, found = np.zeros(starts[-1] + long), []
    y[starts] = PULSE_V
    for _ in range(passes):
        y = played(circuit, y)
        mean = np.mean([y[start : start + long] for start in starts], axis=0)
        found.append(_transform(mean / PULSE_V, f_hz))
    return found


def _spread_starts(periods_per_frame: float, apart: int, pulses: int) -> NDArray[np.intp]:
    """Frames, at least so far apart, that meet the clock at moments spread evenly over its period."""
    window = np.arange(_CHOICE)
    starts = []
    for number in range(pulses):
        frames = number * (apart + _CHOICE) + window
        off = (frames * periods_per_frame - number / pulses + 0.5) % 1 - 0.5
        starts.append(frames[np.argmin(np.abs(off))])
    return np.array(starts)


def _transform(x: Array, f_hz: Array) -> NDArray[np.complex128]:
    """Fourier transform of a short signal at any frequencies [shape like ``f_hz``].

    In rows of `_ROW` samples: within a row by a product of matrices, from row to row by one turn each.
    """
    rows = np.pad(x, (0, -x.size % _ROW)).reshape(-1, _ROW)
    turn = -2j * np.pi * f_hz / RATE_HZ
    within = rows @ np.exp(turn * np.arange(_ROW)[:, None])
    between = np.exp(turn * _ROW * np.arange(rows.shape[0])[:, None])
    return np.asarray(np.sum(within * between, axis=0))


def tone(f_hz: float, seconds: float, peak_v: float, rate_hz: int = RATE_HZ) -> Array:
    """A tone that begins and ends softly."""
    time_s = np.arange(int(seconds * rate_hz)) / rate_hz
    soft = np.clip(np.minimum(time_s, time_s[-1] - time_s) / 0.005, 0, 1)
    return np.asarray(peak_v * np.sin(2 * np.pi * f_hz * time_s) * np.sin(np.pi / 2 * soft) ** 2)


def folded(circuit: Circuit, f_hz: float, peak_v: float = 0.1) -> tuple[float, float]:
    """Where a tone comes out and how strong: frequency, Hz, of the strongest line and its gain."""
    seconds = 0.5
    y = played(echo_alone(linear(circuit)), tone(f_hz, seconds + circuit.time_s + 0.1, peak_v))
    y = y[int((circuit.time_s + 0.05) * RATE_HZ) :][: int(seconds * RATE_HZ)]
    spectrum = np.abs(np.fft.rfft(y * np.blackman(y.size), 4 * y.size))
    at = int(np.argmax(spectrum)) * RATE_HZ / (4 * y.size)
    best = at + np.linspace(-1, 1, 41) * RATE_HZ / (4 * y.size)
    levels = [tone_level(y, RATE_HZ, float(one)) for one in best]
    return float(best[int(np.argmax(levels))]), max(levels) / peak_v


def silence(circuit: Circuit, seconds: float = 4.0, rate_hz: int = RATE_HZ) -> Array:
    """What comes out with nothing going in, once it has settled, V."""
    whole = played(echo_alone(circuit), np.zeros(int((circuit.time_s + 0.5 + seconds) * rate_hz)), rate_hz)
    return whole[-int(seconds * rate_hz) :]


def round_gains(circuit: Circuit, f_hz: Array, share: float) -> NDArray[np.complex128]:
    """Small-signal gain once round the loop at each frequency, its feedback amplifier set to ``share`` of itself.

    From two responses: with the loop open, H, and closed, ``K = H / (1 - G)``; so ``G = 1 - H / K``.
    """
    bare = linear(circuit)
    opened, closed = echo_alone(bare), looped(bare, share * circuit.mixer.feedback_gain)
    tail_s = 0.1 + 12 * circuit.time_s
    heard = [pulse_response(one, f_hz, tail_s=tail_s, pulses=LOOP_PULSES) for one in (opened, closed)]
    return 1 - heard[0] / heard[1]


def repeat_levels(circuit: Circuit, f_hz: float, count: int, peak_v: float = 0.5) -> Array:
    """Level of a burst's repeats, V peak, compander as it is, all but noise, bleed and soft limits [shape=(count,)].

    Read in the last third of each repeat, when the compander has settled.
    """
    period = int(circuit.time_s * RATE_HZ)
    long = int(0.9 * period)
    still = at_rest(circuit)
    clean = replace(still, line=replace(still.line, noise=0.0, saturation=0.0))
    heard = looped(clean, circuit.mixer.feedback_gain)
    x = np.zeros(int((count + 1.2) * period) + long)
    x[:long] = tone(f_hz, (long + 1) / RATE_HZ, peak_v)[:long]
    y = played(heard, x)
    starts = [round(repeat * circuit.time_s * RATE_HZ) for repeat in range(1, count + 1)]
    return np.array([tone_level(y[start + long * 2 // 3 : start + long], RATE_HZ, f_hz) for start in starts])


def tail_levels(circuit: Circuit, f_hz: float, burst_s: float, apart: int, peak_v: float) -> tuple[float, float]:
    """Level of a burst's tail at two moments, so many repeats apart, V peak.

    Each part of the tail comes back a delay later, changed by the loop gain, however many repeats overlap. It is read
    in the last third of a repeat, or over `LEAST_PERIODS` periods where a repeat holds fewer; the compander as it is,
    without noise, bleed, modulation and soft limits.
    """
    still = at_rest(circuit)
    clean = replace(still, line=replace(still.line, noise=0.0, saturation=0.0))
    long = max(int(circuit.time_s * RATE_HZ / 3), int(LEAST_PERIODS * RATE_HZ / f_hz))
    ends_s = [burst_s + (2 + repeats) * circuit.time_s for repeats in (0, apart)]
    if long > circuit.time_s * RATE_HZ:
        ends_s = [end_s + long / RATE_HZ for end_s in ends_s]
    x = np.zeros(int((ends_s[1] + 0.01) * RATE_HZ))
    burst = tone(f_hz, burst_s, peak_v)
    x[: burst.size] = burst
    y = played(looped(clean, circuit.mixer.feedback_gain), x)
    first, last = (tone_level(y[int(end_s * RATE_HZ) - long : int(end_s * RATE_HZ)], RATE_HZ, f_hz) for end_s in ends_s)
    return first, last


def cents_over_time(circuit: Circuit, f_hz: float) -> tuple[Array, Array]:
    """Pitch deviation of a tone in the echo over some LFO periods: time, s, and cents [each shape=(n,)]."""
    seconds = max(2.2 / circuit.lfo.rate_hz, 0.5)
    heard = echo_alone(modulated(circuit))
    y = played(heard, tone(f_hz, circuit.time_s + seconds + 0.3, 0.1))
    start = int((circuit.time_s + 0.1) * RATE_HZ)
    y = y[start : -int(0.1 * RATE_HZ)]
    length = int(6 * RATE_HZ / f_hz)
    window = np.blackman(length) / np.blackman(length).sum()
    turned = y * np.exp(-2j * np.pi * f_hz / RATE_HZ * np.arange(y.size))
    slope_hz = np.gradient(np.unwrap(np.angle(np.convolve(turned, window, "valid")))) * RATE_HZ / (2 * np.pi)
    time_s = (start + (length - 1) / 2 + np.arange(slope_hz.size)) / RATE_HZ
    steady = slice(length, -length)
    return time_s[steady], np.asarray(1200 * np.log2(1 + slope_hz[steady] / f_hz))


def self_oscillation(circuit: Circuit, seconds: float) -> tuple[float, float] | None:
    """Level, V rms, and frequency, Hz, on which the loop settles by itself after a burst; None if it still grows."""
    x = np.zeros(int(seconds * RATE_HZ))
    x[: RATE_HZ // 10] = 0.3 * np.random.default_rng(4).standard_normal(RATE_HZ // 10)
    heard = echo_alone(replace(circuit, lfo=replace(circuit.lfo, deviation=0.0)))
    y = played(replace(heard, mixer=replace(heard.mixer, feedback_gain=circuit.mixer.feedback_gain)), x)[-4 * RATE_HZ :]
    before, after = (float(np.std(half)) for half in np.array_split(y, 2))
    if abs(after / before - 1) > SETTLED:
        return None
    spectrum = np.abs(np.fft.rfft(y * np.blackman(y.size)))
    return float(np.sqrt(np.mean(y**2))), float(np.argmax(spectrum) * RATE_HZ / y.size)


def distortion(circuit: Circuit, f_hz: float, rms_v: float) -> float:
    """THD+N of the echo of a tone: everything else from 20 Hz to 20 kHz relative to the whole, noise left out."""
    still = at_rest(circuit)
    quiet = replace(still, line=replace(still.line, noise=0.0))
    y = played(echo_alone(quiet), tone(f_hz, circuit.time_s + 0.6, rms_v * np.sqrt(2)))
    return thd_n(y[int((circuit.time_s + 0.25) * RATE_HZ) :][: int(0.25 * RATE_HZ)], RATE_HZ, f_hz)


def compressor_times_s(time_constant_s: float) -> tuple[float, float]:
    """Attack and recovery of the kernel's compressor on a 12 dB step, s, seen through an expander that stands still.

    The expander's averaging is made so slow that its gain does not move; line and filters are as wide as they go.
    """
    heard = _wide(time_constant_s)
    f_hz, step_s = 4_000.0, max(8 * time_constant_s, 0.05)
    levels = np.repeat([0.1, 0.4, 0.1], int(step_s * RATE_HZ))
    y = played(heard, levels * np.sin(2 * np.pi * f_hz / RATE_HZ * np.arange(levels.size)))
    turned = y * np.exp(-2j * np.pi * f_hz / RATE_HZ * np.arange(y.size))
    length = int(4 * RATE_HZ / f_hz)
    envelope = np.abs(np.convolve(turned, np.ones(length) / length, "full"))[: y.size]
    delay = round((heard.time_s) * RATE_HZ) + length // 2
    up = envelope[delay + int(step_s * RATE_HZ) : delay + 2 * int(step_s * RATE_HZ)]
    down = envelope[delay + 2 * int(step_s * RATE_HZ) :]
    attack = np.flatnonzero(up[length:] <= 1.5 * up[-100])[0] + length
    recovery = np.flatnonzero(down[length:] >= 0.75 * envelope[delay + int(step_s * RATE_HZ) - 400])[0] + length
    return attack / RATE_HZ, recovery / RATE_HZ


def _wide(time_constant_s: float) -> Circuit:
    low_pass = LowPass(shape="bessel", order=2, cutoff_hz=20_000)
    circuit = design(Voicing(
        name="Wide", line=Line(stages=512), delay=Delay(time_ms=5, shortest_ms=4, longest_ms=20),
        flaws=Flaws(transfer_loss=0, saturation=0, leakage=0, noise=0, clock_bleed=0),
        filters=Filters(low_cut_hz=10, anti_alias=low_pass, reconstruction=low_pass),
        compander=Compander(time_constant_ms=1e3 * time_constant_s), repeats=Repeats(feedback=0),
        output=Output(blend=1),
    ))  # fmt: skip
    return replace(circuit, compander=replace(circuit.compander, return_s=1e9))
