"""A second opinion on the echo: a bucket-brigade line simulated by brute force, far above the audio rate.

Shares the physics with the product and no code: numpy and scipy only. Nothing is modal here and nothing is
evaluated between audio samples. The whole path runs on a grid ``rate_factor`` times finer than the audio:

    x(t)  = band-limited interpolation of the samples, frame n standing at t = n / sample_rate
    u(t)  = HP1 (x + D (feedback_gain * wet))       coupling, s / (s + w); D limiting diodes, see `Diodes`
    a(t)  = anti-alias low-pass (u)
    line  : tick k at the time t_k where phi(t_k) is whole takes a(t_k), which leaves at t_(k + periods);
            phi(t) = first_tick_phase + integral of the clock from 0 to t; the output is held between ticks
    r(t)  = reconstruction low-pass (staircase)
    wet(t)= HP2 (r)                                 coupling
    out[n]= wet, limited to the audio band by a linear-phase filter of no net delay, at t = n / sample_rate

Time origin: t = 0 is frame 0. Ticks are the whole numbers from ``ceil(first_tick_phase)`` on, so phase 0 puts
a tick at t = 0 itself and 0.25 puts the first one three quarters of a period later. The line is empty and the
filters are at rest before t = 0.

Limits: the interpolation and the band limit are as ideal as the ends of the signal allow: taper them.
Memory is some 80 bytes for each frame times ``rate_factor``: meant for signals of a few seconds. What the
product leaves above 20 kHz (images of the clock through wide filters) is not in ``out``: it falls from 20 kHz
on and is gone at half the sample rate.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import acosh, ceil, cosh, pi, sqrt

import numpy as np
from numpy.typing import NDArray
from scipy import fft, signal

Array = NDArray[np.float64]
Clock = float | Callable[[Array], Array]
Filter = tuple[str, int, float]
"""Shape, order and -3 dB point in hertz."""

RIPPLE_DB = {"chebyshev-0.5db": 0.5, "chebyshev-1db": 1.0}
FLAT_TO_HZ = 20_000.0
"""The output's band limit is flat up to here and closed at half the sample rate."""

LEAD = 8
"""Spare high-rate samples around every buffer, for interpolation across its ends."""

LONGEST_CHUNK = 65_536
INTERPOLATION_POINTS = np.arange(-2, 4)
"""Neighbours of a tick used to read a(t) at the tick, relative to the grid sample before it."""


@dataclass(frozen=True)
class Diodes:
    """A voltage through a resistor to a node, from there a resistor and two diodes to earth and a resistor onwards.

    Attributes
    ----------
    series_ohm, diode_ohm, load_ohm : float
        To the node, in series with the diodes, and from the node to a virtual earth.
    per_volt : float
        Current into that earth times the next amplifier's feedback, for a volt at the input and no diodes.
    """

    series_ohm: float
    diode_ohm: float
    load_ohm: float
    per_volt: float
    saturation_a: float = 2.5e-9
    thermal_v: float = 0.0455

    def __call__(self, x: Array) -> Array:
        """What passes of what would without diodes, by Newton's method on the diodes' voltage."""
        driven, share = np.abs(x) / self.per_volt, 1 + self.series_ohm / self.load_ohm
        total = self.series_ohm + self.diode_ohm * share
        w = np.minimum(driven, self.thermal_v * np.arcsinh(driven / total / (2 * self.saturation_a)))
        for _ in range(30):  # from above on a convex curve: falls to the root and never past it
            current = 2 * self.saturation_a * np.sinh(w / self.thermal_v)
            slope = 2 * self.saturation_a / self.thermal_v * np.cosh(w / self.thermal_v)
            step = (share * w + total * current - driven) / (share + total * slope)
            w = w - step
            if np.abs(step).max() < 1e-14:
                break
        node = w + self.diode_ohm * 2 * self.saturation_a * np.sinh(w / self.thermal_v)
        return np.asarray(np.sign(x) * node * share * self.per_volt)


@dataclass(frozen=True)
class IdealEcho:
    """The parts of an echo without flaws and without compander.

    Attributes
    ----------
    periods : float, a whole number
        Clock periods a sample spends in the line: stages * devices / 2.
    low_cut_hz, output_coupling_hz : float
        -3 dB points of the first-order couplings before the anti-alias and after the reconstruction.
    anti_alias, reconstruction : (shape, order, cutoff_hz)
        See `low_pass_poles`.
    feedback_gain : float
        Plain factor from wet back to the input.
    limiter : Diodes, optional
        On what returns.
    """

    periods: float
    low_cut_hz: float = 70.0
    output_coupling_hz: float = 7.234
    anti_alias: Filter = ("butterworth", 3, 3100.0)
    reconstruction: Filter = ("butterworth", 5, 2900.0)
    feedback_gain: float = 0.0
    limiter: Diodes | None = None


def simulate(
    x: Array,
    sample_rate_hz: float,
    echo: IdealEcho,
    clock_hz: Clock,
    *,
    first_tick_phase: float = 0.0,
    rate_factor: int = 64,
) -> Array:
    """The wet signal of an ideal echo, frame by frame beside ``x``.

    Parameters
    ----------
    x : float array [shape=(frames,)]
        Input; zero outside, so its ends should be tapered.
    sample_rate_hz : float, at least 44100
    echo : IdealEcho
    clock_hz : float or callable
        Clock frequency, or a function from times in seconds (an array on the fine grid, from 0 to some
        milliseconds past the end) to frequencies in hertz.
    first_tick_phase : float
        Clock phase in periods at t = 0.
    rate_factor : int
        Fine grid over audio rate.

    Returns
    -------
    float array [shape=(frames,)]
        wet at t = n / sample_rate_hz, limited to below half the sample rate.

    Raises
    ------
    ValueError
        Where ``periods`` is not whole or the line holds a sample for fewer than 64 fine samples.
    """
    if echo.periods != int(echo.periods) or echo.periods < 1:
        raise ValueError(f"periods must be a whole number of at least 1 (got {echo.periods})")
    limit = band_limit(sample_rate_hz, rate_factor)
    after_end = (len(limit) - 1) // 2
    fine = np.zeros(len(x) * rate_factor + after_end)
    fine[: len(x) * rate_factor] = interpolated(np.asarray(x, dtype=np.float64), rate_factor)
    rate_hz = sample_rate_hz * rate_factor
    ticks = tick_positions(clock_hz, first_tick_phase, len(fine) + 2 * LEAD, rate_hz)
    wet = _run(fine, ticks, echo, rate_hz)
    return _decimated(wet, limit, rate_factor)[: len(x)]


def guitar_band_signal(
    rng: np.random.Generator, seconds: float, sample_rate_hz: float, top_hz: float = 5000.0
) -> Array:
    """A pseudo-guitar: plucked decaying partials and noise bursts, nothing from ``top_hz`` on.

    Peak 1; both ends rise and fall over a tenth of the length, so they are silent to many derivatives.
    """
    frames = round(seconds * sample_rate_hz)
    t = np.arange(frames) / sample_rate_hz
    raw = np.zeros(frames)
    for start in np.arange(0.05, 0.8, 0.15) * seconds:
        raw += _pluck(rng, t - start, 82.4 * 2 ** rng.uniform(0, 3), top_hz)
        raw += 0.4 * rng.standard_normal(frames) * np.exp(-(((t - start) / 0.01) ** 2))
    limited = _below(raw, sample_rate_hz, top_hz) * _smooth_ends(frames, frames // 10)
    return np.asarray(limited / np.abs(limited).max())


def _pluck(rng: np.random.Generator, t: Array, fundamental_hz: float, top_hz: float) -> Array:
    partials = np.arange(1, int(0.7 * top_hz / fundamental_hz) + 1)
    decay = np.exp(-np.maximum(t, 0)[:, None] * (3 + partials)) * (t >= 0)[:, None]
    waves = np.sin(2 * pi * fundamental_hz * t[:, None] * partials + rng.uniform(0, 2 * pi, partials.size))
    return np.asarray((decay * waves) @ (1 / partials))


def _below(x: Array, sample_rate_hz: float, top_hz: float) -> Array:
    spectrum = fft.rfft(x)
    place = np.clip(fft.rfftfreq(len(x), 1 / sample_rate_hz) / top_hz * 5 - 4, 0, 1)
    return np.asarray(fft.irfft(spectrum * (0.5 + 0.5 * np.cos(pi * place)), len(x)))


def _smooth_ends(frames: int, ramp: int) -> Array:
    """1 with ends that go to 0 as the integral of a Kaiser window: the narrowest spectrum for its length."""
    rise = np.cumsum(signal.windows.kaiser(ramp + 1, 16.0))
    shape = np.ones(frames)
    shape[: ramp + 1] = rise / rise[-1]
    shape[frames - ramp - 1 :] = rise[::-1] / rise[-1]
    return shape


def low_pass_poles(shape: str, order: int, cutoff_hz: float) -> NDArray[np.complex128]:
    """Poles in rad/s of an all-pole low-pass whose gain is 1 at DC and 1/sqrt(2) at ``cutoff_hz``.

    For even Chebyshev orders the ripple stands above 0 dB and the 3.0103 dB count from DC, not from the
    peaks: with T the Chebyshev polynomial, (1 + e^2) / (1 + e^2 T^2) = 1/2, and for odd orders
    1 / (1 + e^2 T^2) = 1/2.
    """
    if shape == "butterworth":
        poles = signal.buttap(order)[1]
    elif shape == "bessel":
        poles = signal.besselap(order, norm="mag")[1]
    else:
        ripple = 10 ** (RIPPLE_DB[shape] / 10) - 1
        height = sqrt((1 + 2 * ripple) / ripple) if order % 2 == 0 else sqrt(1 / ripple)
        poles = signal.cheb1ap(order, RIPPLE_DB[shape])[1] / cosh(acosh(height) / order)
    return np.asarray(poles * 2 * pi * cutoff_hz, dtype=np.complex128)


class Cascade:
    """Analogue sections in series on the fine grid, their states carried from call to call."""

    def __init__(self, sections: list[tuple[Array, Array]], rate_hz: float) -> None:
        self.filters = [_fitted(zeros_poles, rate_hz) for zeros_poles in sections]
        self._states = [np.zeros(max(len(b), len(a)) - 1) for b, a in self.filters]

    def __call__(self, x: Array) -> Array:
        """The response to the next samples ``x``."""
        for index, (b, a) in enumerate(self.filters):
            x, self._states[index] = signal.lfilter(b, a, x, zi=self._states[index])
        return x


def high_pass(cutoff_hz: float) -> list[tuple[Array, Array]]:
    """The coupling s / (s + w) as analogue sections: (numerator, denominator), highest power first."""
    return [(np.array([1.0, 0.0]), np.array([1.0, 2 * pi * cutoff_hz]))]


def low_pass(shape: str, order: int, cutoff_hz: float) -> list[tuple[Array, Array]]:
    """The low-pass of `low_pass_poles` as first- and second-order sections, each of gain 1 at DC."""
    poles = low_pass_poles(shape, order, cutoff_hz)
    real = np.abs(poles.imag) < 1e-9 * np.abs(poles)
    pairs = [np.array([1.0, -2 * p.real, abs(p) ** 2]) for p in poles if p.imag > 1e-9 * abs(p)]
    firsts = [np.array([1.0, -p.real]) for p in poles[real]]
    return [(denominator[-1:], denominator) for denominator in pairs + firsts]


def _fitted(section: tuple[Array, Array], rate_hz: float) -> tuple[Array, Array]:
    """The digital twin of one analogue section: exact poles, numerator fitted to the analogue response.

    The poles map by exp(p T). Five taps make H equal at 0, 12 and 24 kHz, magnitude and phase; between them
    and below 20 kHz the difference is under -155 dB (measured).
    """
    numerator, denominator = section
    poles = np.roots(denominator)
    s = 2j * pi * np.array([0.0, 12_000.0, 24_000.0])
    wanted = np.polyval(numerator, s) / np.polyval(denominator, s)
    for pole in poles:
        wanted = wanted * -np.expm1((pole - s) / rate_hz)
    powers = np.exp(-np.outer(s, np.arange(5)) / rate_hz)
    equations = np.vstack([powers.real, powers.imag[1:]])
    taps = np.linalg.solve(equations, np.concatenate([wanted.real, wanted.imag[1:]]))
    return np.asarray(taps), np.asarray(np.poly(np.exp(poles / rate_hz)).real, dtype=np.float64)


def interpolated(x: Array, factor: int) -> Array:
    """``x`` on a grid ``factor`` times finer: ideal band-limited interpolation, silence around it."""
    silence = len(x) // 4 + 256
    length = fft.next_fast_len(len(x) + 2 * silence, real=True)
    padded = np.zeros(length)
    padded[silence : silence + len(x)] = x
    fine = signal.resample(padded, length * factor)
    return np.asarray(fine[silence * factor : (silence + len(x)) * factor])


def band_limit(sample_rate_hz: float, factor: int) -> Array:
    """Linear-phase low-pass on the fine grid, flat to 20 kHz, closed at half the audio rate, of odd length.

    120 dB and better; the half length is a whole number of audio samples so that decimation adds no delay.
    """
    nyquist_hz = sample_rate_hz / 2
    if nyquist_hz <= FLAT_TO_HZ:
        raise ValueError(f"sample_rate_hz must be above {2 * FLAT_TO_HZ:g} (got {sample_rate_hz:g})")
    width_hz = nyquist_hz - FLAT_TO_HZ
    needed, beta = signal.kaiserord(125.0, width_hz / (nyquist_hz * factor))
    half = ceil(needed / 2 / factor) * factor
    middle_hz = FLAT_TO_HZ + width_hz / 2
    taps = signal.firwin(2 * half + 1, middle_hz, window=("kaiser", beta), fs=sample_rate_hz * factor)
    return np.asarray(taps)


def _decimated(fine: Array, taps: Array, factor: int) -> Array:
    limited = signal.oaconvolve(fine, taps)[(len(taps) - 1) // 2 :]
    return np.asarray(limited[::factor])


def tick_positions(clock_hz: Clock, first_tick_phase: float, length: int, rate_hz: float) -> Array:
    """Where the clock phase is whole, as positions on the fine grid: all of them in 0..length - 1.

    A clock that is a function is integrated by the trapezoid rule and inverted linearly within one fine
    sample: exact for straight pieces whose corners stand on the fine grid. A jump first seen at fine sample n
    counts as a jump at n - 1/2.
    """
    if not callable(clock_hz):
        last_phase = first_tick_phase + clock_hz * (length - 1) / rate_hz
        whole = np.arange(ceil(first_tick_phase), int(np.floor(last_phase)) + 1, dtype=np.float64)
        return np.asarray((whole - first_tick_phase) * (rate_hz / clock_hz))
    grid = np.arange(length)
    clock = np.asarray(clock_hz(grid / rate_hz), dtype=np.float64)
    if not clock.min() > 0:
        raise ValueError(f"clock_hz must be above 0 at all times (got {clock.min():g})")
    steps = (clock[1:] + clock[:-1]) / (2 * rate_hz)
    phase = first_tick_phase + np.concatenate([[0.0], np.cumsum(steps)])
    whole = np.arange(ceil(first_tick_phase), int(np.floor(phase[-1])) + 1, dtype=np.float64)
    return np.asarray(np.interp(whole, phase, grid))


def _run(x: Array, ticks: Array, echo: IdealEcho, rate_hz: float) -> Array:
    """Wet on the fine grid, in chunks shorter than the line so that all a chunk needs is already known."""
    filters_in = Cascade(high_pass(echo.low_cut_hz) + low_pass(*echo.anti_alias), rate_hz)
    filters_out = Cascade(low_pass(*echo.reconstruction) + high_pass(echo.output_coupling_hz), rate_hz)
    line = _Line(ticks, int(echo.periods), len(x))
    wet = np.empty(len(x))
    chunk = line.longest_chunk()
    for start in range(0, len(x), chunk):
        here = slice(start, min(start + chunk, len(x)))
        wet[here] = filters_out(line.read(here.start, here.stop))
        back = echo.feedback_gain * wet[here]
        line.write(filters_in(x[here] + (echo.limiter(back) if echo.limiter else back)))
    return wet


class _Line:
    """The bucket-brigade line between the fine grid and its own ticks."""

    def __init__(self, ticks: Array, periods: int, length: int) -> None:
        self._ticks, self._periods = ticks, periods
        self._input = np.zeros(length + 2 * LEAD)
        self._written = 0
        self._taken = np.zeros(len(ticks) + 1)
        """The sample of tick k at place k + 1; before the first there was silence."""
        self._take_next = 0
        self._leave_next = periods
        self._steps = np.zeros(length + 4 * LEAD)
        self._level = 0.0

    def longest_chunk(self) -> int:
        """Fine samples that can be read before anything newer than the last write is wanted."""
        if len(self._ticks) <= self._periods:
            return LONGEST_CHUNK
        shortest = np.min(self._ticks[self._periods :] - self._ticks[: -self._periods])
        chunk = min(int(shortest) - 2 * LEAD, LONGEST_CHUNK)
        if chunk < 64:
            raise ValueError(f"the line must hold a sample for at least 80 fine samples (got {shortest:g})")
        return chunk

    def write(self, filtered: Array) -> None:
        """Append what stands at the line's input, and take the samples of all ticks it covers."""
        begin = self._written + LEAD
        self._input[begin : begin + len(filtered)] = filtered
        self._written += len(filtered)
        until = int(np.searchsorted(self._ticks, self._written - INTERPOLATION_POINTS[-1]))
        new = slice(self._take_next, until)
        self._taken[new.start + 1 : new.stop + 1] = _read_between(self._input, self._ticks[new] + LEAD)
        self._take_next = until

    def read(self, start: int, stop: int) -> Array:
        """The held output on fine samples start..stop-1, smoothed as `_step_weights` says."""
        until = int(np.searchsorted(self._ticks, stop + LEAD / 2))
        leaving = np.arange(self._leave_next, max(until, self._leave_next))
        source = leaving - self._periods
        assert not source.size or source[-1] < self._take_next, "chunk reaches past what was written"
        heights = self._taken[source + 1] - self._taken[source]
        places, weights = _step_weights(self._ticks[leaving] + LEAD)
        np.add.at(self._steps, places, weights * heights[:, None])
        self._leave_next += leaving.size
        held = self._level + np.cumsum(self._steps[start + LEAD : stop + LEAD])
        self._level = held[-1]
        return np.asarray(held)


def _read_between(x: Array, positions: Array) -> Array:
    """``x`` at fractional positions by Lagrange interpolation through six neighbours."""
    before = np.floor(positions).astype(np.int64)
    fraction = positions - before
    weights = np.ones((len(positions), len(INTERPOLATION_POINTS)))
    for column, point in enumerate(INTERPOLATION_POINTS):
        for other in INTERPOLATION_POINTS[point != INTERPOLATION_POINTS]:
            weights[:, column] *= (fraction - other) / (point - other)
    return np.asarray(np.sum(weights * x[before[:, None] + INTERPOLATION_POINTS], axis=1))


def _step_weights(positions: Array) -> tuple[NDArray[np.int64], Array]:
    """What a unit step at each fractional position adds to the first difference of the fine samples.

    The staircase is sampled after smoothing by three fine-sample boxes in a row (cubic B-spline weights of
    the difference; half a sample later, which the difference takes back): its images around multiples of the
    fine rate fall by (offset/rate)^3. The boxes' own droop, 1 - (wT)^2 / 8, is undone by the taps
    (-1/8, 5/4, -1/8), to about (wT)^4 / 100: -150 dB at 20 kHz and 64 x 48 kHz. Steps keep their exact time.
    """
    places = positions + 0.5
    before = np.floor(places).astype(np.int64)
    f = (places - before)[:, None]
    spline = np.hstack(
        [(1 - f) ** 3, 3 * f**3 - 6 * f**2 + 4, -3 * f**3 + 3 * f**2 + 3 * f + 1, f**3]
    ) / 6  # fmt: skip
    weights = np.zeros((len(positions), 6))
    for shift, tap in enumerate((-0.125, 1.25, -0.125)):
        weights[:, shift : shift + 4] += tap * spline
    return before[:, None] + np.arange(-2, 4), weights
