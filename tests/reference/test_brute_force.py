"""The brute-force echo against closed forms: it must be right by itself before it judges anything else.

Errors are the largest difference over the largest wanted value, in dB. Each docstring
gives the limit and, in brackets, what was reached when this was written.
"""

from __future__ import annotations

from math import pi

import numpy as np
import pytest
from brute_force import (
    Cascade,
    Clock,
    Filter,
    IdealEcho,
    guitar_band_signal,
    high_pass,
    low_pass,
    low_pass_poles,
    simulate,
)
from numpy.typing import NDArray
from scipy import signal

RATE_HZ = 48_000
MANUAL = IdealEcho(2048, 70.0, 7.234, ("butterworth", 3, 3100.0), ("butterworth", 5, 2900.0))
WIDE = IdealEcho(1024, 10.0, 7.234, ("bessel", 6, 18_000.0), ("bessel", 2, 20_000.0))
STEEP = IdealEcho(2048, 200.0, 20.0, ("chebyshev-1db", 6, 8000.0), ("chebyshev-0.5db", 3, 12_000.0))
SHAPES = ("butterworth", "bessel", "chebyshev-0.5db", "chebyshev-1db")

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]


def error_db(actual: NDArray[np.number], wanted: NDArray[np.number]) -> float:
    """Largest difference over largest wanted value, in dB."""
    return float(20 * np.log10(np.abs(actual - wanted).max() / np.abs(wanted).max()))


def changed(echo: IdealEcho, **parts: object) -> IdealEcho:
    """A copy of the echo with some parts replaced."""
    return IdealEcho(**{**vars(echo), **parts})


def low_pass_at(parts: Filter, f_hz: Floats) -> Complexes:
    """Analogue response of a low-pass, by scipy."""
    poles = low_pass_poles(*parts)
    response = signal.freqs_zpk([], poles, np.prod(-poles).real, 2 * pi * np.atleast_1d(f_hz))[1]
    return np.asarray(response, dtype=np.complex128)


def high_pass_at(cutoff_hz: float, f_hz: Floats) -> Complexes:
    """Analogue response of a coupling high-pass, by scipy."""
    response = signal.freqs([1, 0], [1, 2 * pi * cutoff_hz], 2 * pi * np.atleast_1d(f_hz))[1]
    return np.asarray(response, dtype=np.complex128)


def into_line(echo: IdealEcho, f_hz: Floats) -> Complexes:
    """Response from the input to the line."""
    return high_pass_at(echo.low_cut_hz, f_hz) * low_pass_at(echo.anti_alias, f_hz)


def out_of_line(echo: IdealEcho, f_hz: Floats, clock_hz: float) -> Complexes:
    """Response from the samples in the line to the wet signal, hold and delay of the line included."""
    hold = np.sinc(f_hz / clock_hz) * np.exp(-1j * pi * f_hz / clock_hz)
    filters = low_pass_at(echo.reconstruction, f_hz) * high_pass_at(echo.output_coupling_hz, f_hz)
    return np.asarray(hold * filters * np.exp(-2j * pi * f_hz * echo.periods / clock_hz))


def by_response(x: Floats, response: Complexes, padding_s: float = 4.0) -> Floats:
    """``x`` through a response given at the frequencies of `padded_frequencies`."""
    length = len(x) + int(padding_s * RATE_HZ)
    return np.asarray(np.fft.irfft(np.fft.rfft(x, length) * response, length)[: len(x)])


def padded_frequencies(x: Floats, padding_s: float = 4.0) -> Floats:
    """The bins on which `by_response` wants its response; the padding lets the slow couplings die away."""
    return np.asarray(np.fft.rfftfreq(len(x) + int(padding_s * RATE_HZ), 1 / RATE_HZ))


def guitar(seconds: float = 0.4) -> Floats:
    """The same pseudo-guitar each time."""
    return guitar_band_signal(np.random.default_rng(20), seconds, RATE_HZ)


def tone(f_hz: float, seconds: float) -> Floats:
    """cos(2 pi f t) with smooth ends of 60 ms."""
    t = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    ramp = np.cumsum(signal.windows.kaiser(int(0.06 * RATE_HZ), 12.0))
    ends = np.minimum(1, np.minimum(np.arange(len(t)), np.arange(len(t))[::-1]) / len(ramp))
    shape = np.interp(ends, np.linspace(0, 1, len(ramp)), ramp / ramp[-1])
    return np.asarray(np.cos(2 * pi * f_hz * t) * shape)


def amplitude(y: Floats, f_hz: float, from_s: float, to_s: float) -> complex:
    """Complex amplitude of the cosine at ``f_hz``, phase counted from t = 0, under a Kaiser window."""
    frames = np.arange(int(from_s * RATE_HZ), int(to_s * RATE_HZ))
    window = signal.windows.kaiser(len(frames), 22.0)
    carrier = np.exp(-2j * pi * f_hz * frames / RATE_HZ)
    return complex(2 * np.sum(window * y[frames] * carrier) / window.sum())


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("order", [2, 3, 4, 5, 6])
def test_a_low_pass_is_unity_at_dc_and_three_decibels_down_at_its_cutoff(shape: str, order: int) -> None:
    """|H(0)| = 1 and |H(cutoff)| = 1/sqrt(2), for every shape and order."""
    gains = np.abs(low_pass_at((shape, order, 3100.0), np.array([1e-6, 3100.0])))
    assert pytest.approx([1.0, 0.5**0.5], abs=1e-9) == gains


@pytest.mark.parametrize(
    ("shape", "order", "pairs"),
    [
        ("butterworth", 4, [(1.8478, 1.0), (0.7654, 1.0)]),
        ("butterworth", 5, [(1.6180, 1.0), (0.6180, 1.0)]),
        ("bessel", 4, [(1.3397, 0.4889), (0.7743, 0.3890)]),
        ("bessel", 5, [(1.1402, 0.4128), (0.6216, 0.3245)]),
        ("bessel", 6, [(1.2217, 0.3887), (0.9686, 0.3505), (0.5131, 0.2756)]),
    ],
)
def test_pole_pairs_are_those_of_the_book(shape: str, order: int, pairs: list[tuple[float, float]]) -> None:
    """1 + a s + b s^2 of each pair, from "Op Amps for Everyone", 5th ed., Tables 16.6 and 16.7."""
    poles = [p for p in low_pass_poles(shape, order, 1 / (2 * pi)) if p.imag > 1e-6]
    found = sorted(((-2 * p.real / abs(p) ** 2, 1 / abs(p) ** 2) for p in poles), reverse=True)
    assert pytest.approx(np.array(pairs), abs=6e-5) == np.array(found)


@pytest.mark.parametrize(
    ("shape", "denominator"),
    [
        ("chebyshev-0.5db", [1, 1.253, 1.535, 0.716]),
        ("chebyshev-0.5db", [1, 1.197, 1.717, 1.025, 0.379]),
        ("chebyshev-1db", [1, 1.098, 1.102]),
        ("chebyshev-1db", [1, 0.953, 1.454, 0.743, 0.276]),
    ],
)
def test_chebyshev_poles_stand_in_the_published_proportion(shape: str, denominator: list[float]) -> None:
    """Denominators of a university formula sheet (three decimals, ripple edge at 1), scaled alike."""
    poles = low_pass_poles(shape, len(denominator) - 1, 1.0)
    scale = (denominator[-1] / np.prod(-poles).real) ** (1 / len(poles))
    assert pytest.approx(denominator, abs=1.2e-3) == np.poly(poles * scale).real


@pytest.mark.parametrize(("shape", "ripple_db"), [("chebyshev-0.5db", 0.5), ("chebyshev-1db", 1.0)])
@pytest.mark.parametrize("order", [2, 3, 4, 5, 6])
def test_ripple_stands_above_dc_for_even_orders_and_below_for_odd(
    shape: str, ripple_db: float, order: int
) -> None:
    """With unity at DC the pass-band lies in 0..+ripple dB for even orders, in -ripple..0 dB for odd ones."""
    gains_db = 20 * np.log10(np.abs(low_pass_at((shape, order, 1000.0), np.linspace(0.01, 1100, 200_001))))
    turns = signal.argrelmax(gains_db)[0] if order % 2 == 0 else signal.argrelmin(gains_db)[0]
    assert pytest.approx(ripple_db if order % 2 == 0 else -ripple_db, abs=1e-6) == gains_db[turns[0]]


@pytest.mark.parametrize("factor", [64, 128])
@pytest.mark.parametrize(
    "sections",
    [
        high_pass(7.234),
        high_pass(500.0),
        low_pass("butterworth", 5, 200.0),
        low_pass("bessel", 3, 20_000.0),
        low_pass("chebyshev-1db", 6, 20_000.0),
    ],
)
def test_a_filter_on_the_fine_grid_equals_the_analogue_one(
    sections: list[tuple[Floats, Floats]], factor: int
) -> None:
    """Magnitude and phase agree with scipy's freqs from 20 Hz to 20 kHz within -155 dB (-164)."""
    f_hz = np.geomspace(20, 20_000, 200)
    cascade, digital, analogue = Cascade(sections, RATE_HZ * factor), np.ones(200), np.ones(200)
    for (b, a), (numerator, denominator) in zip(cascade.filters, sections, strict=True):
        digital = digital * signal.freqz(b, a, f_hz, fs=RATE_HZ * factor)[1]
        analogue = analogue * signal.freqs(numerator, denominator, 2 * pi * f_hz)[1]
    worst_db = 20 * np.log10(np.max(np.abs(digital / analogue - 1)))
    assert worst_db < -155


@pytest.mark.parametrize("echo", [MANUAL, WIDE, STEEP])
@pytest.mark.parametrize("clock_hz", [30_000.0, 37_123.4, 102_400.0])
def test_one_pass_equals_delay_filters_and_hold_droop(echo: IdealEcho, clock_hz: float) -> None:
    """Steady clock: x delayed by P/fc + 1/(2 fc), times |Hin| |Hout| sinc(f/fc), within -135 dB (-140)."""
    x = guitar()
    f_hz = padded_frequencies(x)
    wanted = by_response(x, into_line(echo, f_hz) * out_of_line(echo, f_hz, clock_hz))
    assert error_db(simulate(x, RATE_HZ, echo, clock_hz, first_tick_phase=0.3), wanted) < -135


@pytest.mark.parametrize("f_hz", [100.0, 1000.0, 3000.0, 5900.0])
def test_a_tone_has_the_level_and_phase_of_the_filters(f_hz: float) -> None:
    """Within 0.000001 dB and 0.00000001 rad of the closed form, the droop of a 12 kHz hold included."""
    echo = changed(STEEP, periods=512)
    y = simulate(tone(f_hz, 0.5), RATE_HZ, echo, 12_000.0)
    wanted = into_line(echo, np.array(f_hz)) * out_of_line(echo, np.array(f_hz), 12_000.0)
    ratio = amplitude(y, f_hz, 0.12, 0.48) / wanted[0]
    assert pytest.approx(0, abs=1e-6) == 20 * np.log10(abs(ratio))
    assert pytest.approx(0, abs=1e-8) == np.angle(ratio)


@pytest.mark.parametrize("phase", [0.0, 0.25, 0.9])
@pytest.mark.parametrize(
    ("f_hz", "zone"), [(7000.0, -1), (2000.0, 0), (2000.0, -1), (2000.0, 1), (2000.0, -2), (3000.0, -2)]
)
def test_folds_and_images_have_their_level_and_their_phase(f_hz: float, zone: int, phase: float) -> None:
    """A tone at f leaves at f + m fc with Hin(f) sinc((f + m fc)/fc) Hout(f + m fc), within -130 dB (-135).

    With 0.7 fc at m = -1 this is the fold to 0.3 fc: AA(0.7 fc) sinc(0.3) REC(0.3 fc). Ticks stand where
    first_tick_phase + fc t is whole, which turns zone m by 2 pi m first_tick_phase: the time origin.
    """
    clock_hz, echo = 10_000.0, changed(WIDE, periods=500)
    leaves_hz = f_hz + zone * clock_hz
    y = simulate(tone(f_hz, 0.5), RATE_HZ, echo, clock_hz, first_tick_phase=phase)
    wanted = into_line(echo, np.array(f_hz)) * out_of_line(echo, np.array(leaves_hz), clock_hz)
    wanted = wanted * np.exp(2j * pi * zone * phase)
    actual = amplitude(y, abs(leaves_hz), 0.12, 0.48)
    assert error_db(np.array([actual if leaves_hz > 0 else actual.conjugate()]), wanted) < -130


@pytest.mark.parametrize(
    ("echo", "clock_hz", "gain"),
    [
        (MANUAL, 30_000.0, 0.9),
        (STEEP, 61_000.0, -0.6),
        (WIDE, 37_123.4, 0.6),
        (changed(WIDE, periods=256), 102_400.0, 0.8),
    ],
)
def test_feedback_sums_all_repeats_with_images_that_fold_back(
    echo: IdealEcho, clock_hz: float, gain: float
) -> None:
    """The wet signal is Hout Hin X / (1 - g L), L being the loop summed over all zones; -130 dB (-140).

    Each repeat's images pass the filters, meet the same clock again and fold to where they came from:
    L(f) = sum over m of (Hout Hin)(f + m fc), by zones up to 40. The line's delay is the same in all zones.
    """
    x = guitar()
    f_hz = padded_frequencies(x)
    used = f_hz[f_hz < 6500]
    zones = [used + m * clock_hz for m in range(-40, 41)]
    loop = sum(into_line(echo, f) * out_of_line(echo, f, clock_hz) for f in zones)
    once = into_line(echo, used) * out_of_line(echo, used, clock_hz)
    response = np.zeros(len(f_hz), dtype=np.complex128)
    response[: len(used)] = sum(once * (gain * loop) ** k for k in range(repeats_within(x, echo, clock_hz)))
    actual = simulate(x, RATE_HZ, changed(echo, feedback_gain=gain), clock_hz)
    assert error_db(actual, by_response(x, response)) < -130


def repeats_within(x: Floats, echo: IdealEcho, clock_hz: float) -> int:
    """Repeats that begin before the end of ``x``: later ones would wrap around the transform."""
    return int(len(x) / RATE_HZ * clock_hz / echo.periods) + 1


@pytest.mark.parametrize("repeat", [1, 2, 3, 4])
def test_repeat_k_has_the_loop_response_to_the_power_k(repeat: int) -> None:
    """Repeat k+1 = g x loop response x repeat k, in its own span, within -135 dB of its peak (-142)."""
    echo, clock_hz, gain, delay_s = changed(MANUAL, periods=4096), 40_960.0, 0.7, 0.1
    x = np.zeros(int(0.6 * RATE_HZ))
    x[: int(0.08 * RATE_HZ)] = guitar(0.08)
    f_hz = padded_frequencies(x)
    loop = into_line(echo, f_hz) * out_of_line(echo, f_hz, clock_hz)
    repeats = [by_response(x, loop * (gain * loop) ** k) for k in range(5)]
    others = sum(repeats) - repeats[repeat - 1]
    alone = simulate(x, RATE_HZ, changed(echo, feedback_gain=gain), clock_hz) - others
    span = slice(int(repeat * delay_s * RATE_HZ), int((repeat + 1) * delay_s * RATE_HZ))
    assert error_db(alone[span], repeats[repeat - 1][span]) < -135


def test_doubling_the_rate_changes_nothing() -> None:
    """64 and 128 times the audio rate agree within -150 dB (-166) for a slow, deeply moved clock."""
    echo = changed(WIDE, periods=256, feedback_gain=0.7)

    def clock_hz(t: Floats) -> Floats:
        return np.asarray(7000 * (1 + 0.2 * np.sin(2 * pi * 9 * t)))

    coarse, fine = (simulate(guitar(), RATE_HZ, echo, clock_hz, rate_factor=n) for n in (64, 128))
    assert error_db(coarse, fine) < -150


def test_a_steady_clock_given_as_a_function_is_the_same_clock() -> None:
    """A function that returns the constant gives what the constant gives, within -140 dB."""
    number = simulate(guitar(), RATE_HZ, MANUAL, 20_480.0, first_tick_phase=0.4)
    function = simulate(guitar(), RATE_HZ, MANUAL, lambda t: np.full_like(t, 20_480.0), first_tick_phase=0.4)
    assert error_db(function, number) < -140


def test_a_modulated_clock_equals_the_sum_of_step_responses() -> None:
    """Each tick adds (a_k - a_(k-1)) times the analogue step response, from its time on; -120 dB (-126).

    Tick times by Newton's method from the phase integral in closed form; a(t_k) by Fourier sum; the step
    response of reconstruction and coupling by partial fractions. No grid is involved.
    """
    echo = IdealEcho(512, 70.0, 7.234, ("butterworth", 3, 5000.0), ("butterworth", 6, 3000.0))
    mean_hz, depth, rate, phase = 20_000.0, 0.2, 2 * pi * 7, 0.35
    x = tone(1500.0, 0.25)
    y = simulate(x, RATE_HZ, echo, lambda t: mean_hz * (1 + depth * np.sin(rate * t)), first_tick_phase=phase)
    ticks = np.arange(1, int(0.25 * mean_hz * 1.1))
    times = np.asarray((ticks - phase) / mean_hz, dtype=np.float64)
    for _ in range(20):
        reached = phase + mean_hz * (times + depth * (1 - np.cos(rate * times)) / rate)
        times -= (reached - ticks) / (mean_hz * (1 + depth * np.sin(rate * times)))
    heights = np.diff(fourier_sum(x, echo, times[: -echo.periods]), prepend=0.0)
    frames = np.arange(2400, len(x), 37)
    wanted = sum_of_steps(echo, heights, times[echo.periods :], frames / RATE_HZ)
    assert error_db(y[frames], wanted) < -120


def fourier_sum(x: Floats, echo: IdealEcho, times: Floats) -> Floats:
    """a(t) at any times, from the spectrum of ``x`` and the response into the line."""
    spectrum = np.fft.rfft(x, len(x) + 2 * RATE_HZ)
    f_hz = padded_frequencies(x, 2.0)
    strong = np.abs(spectrum) > 1e-9 * np.abs(spectrum).max()
    spectrum, f_hz = spectrum[strong] * into_line(echo, f_hz[strong]), f_hz[strong]
    waves = np.exp(2j * pi * np.outer(times, f_hz))
    return np.asarray((waves @ spectrum).real * 2 / (len(x) + 2 * RATE_HZ))


def sum_of_steps(echo: IdealEcho, heights: Floats, starts: Floats, times: Floats) -> Floats:
    """Steps of these heights from these starts on, through reconstruction and coupling, at ``times``."""
    low_poles = low_pass_poles(*echo.reconstruction)
    poles = np.append(low_poles, -2 * pi * echo.output_coupling_hz)
    total = np.zeros(len(times), dtype=np.complex128)
    age = times[:, None] - starts[None, :]
    for index, pole in enumerate(poles):
        residue = np.prod(-low_poles) / np.prod(pole - np.delete(poles, index))
        total += residue * (np.where(age > 0, np.exp(pole * np.maximum(age, 0)), 0) @ heights)
    return np.asarray(total.real)


def test_a_clock_step_bends_the_pitch_for_exactly_one_line_length() -> None:
    """N = 4096, 10 -> 12 kHz: +315.641 cents for N/(2 f2) = 170.667 ms, then none (du/dt = f now / f then).

    The phase is three straight lines: their slopes are the pitches (within 0.001 cents), and they meet where
    the clock jumps and one line length later (within 0.2 us: a jump counts half a fine sample, 0.16 us,
    before the grid time that first shows it), once the phase of filters and hold is taken out.
    """
    jump_s, tone_hz = 0.5, 1000.0
    echo = IdealEcho(2048, 10.0, 7.234, ("bessel", 4, 4000.0), ("butterworth", 6, 3500.0))
    before_grid_s = jump_s - 0.25 / (64 * RATE_HZ)
    y = simulate(tone(tone_hz, 0.95), RATE_HZ, echo, lambda t: np.where(t < before_grid_s, 10e3, 12e3))
    spans = [(0.30, 0.49, 1.0, 10e3), (0.51, 0.66, 1.2, 12e3), (0.69, 0.87, 1.0, 12e3)]
    lines = [phase_line(y, echo, tone_hz * ratio, clock, start, end) for start, end, ratio, clock in spans]
    (f1, c1), (f2, c2), (f3, c3) = lines
    assert pytest.approx([0, 315.641, 0], abs=1e-3) == 1200 * np.log2(np.array([f1, f2, f3]) / tone_hz)
    meetings_s = np.array([(c1 - c2) / (f2 - f1), (c3 - c2) / (f2 - f3)])
    assert pytest.approx([jump_s, jump_s + 2048 / 12e3], abs=2e-7) == meetings_s


def phase_line(
    y: Floats, echo: IdealEcho, f_hz: float, clock_hz: float, from_s: float, to_s: float
) -> tuple[float, float]:
    """Slope (Hz) and value at t = 0 (cycles) of the phase between two times, without filters and hold."""
    frames = np.arange(int(from_s * RATE_HZ), int(to_s * RATE_HZ))
    cycles = np.unwrap(np.angle(signal.hilbert(y)))[frames] / (2 * pi)
    window = signal.windows.kaiser(len(frames), 12.0)
    slope_hz, start = np.polyfit(frames / RATE_HZ, cycles, 1, w=np.sqrt(window))
    filters = out_of_line(changed(echo, periods=0), np.array(f_hz), clock_hz)
    return float(slope_hz), float(start - np.angle(filters[0]) / (2 * pi))


def wobbling(t: Floats) -> Floats:
    """A 200 kHz clock with 20 % of a lopsided 20 Hz wobble whose mean is exactly 0."""
    return np.asarray(200e3 * (1 + 0.13 * np.sin(2 * pi * 20 * t) + 0.07 * np.cos(2 * pi * 60 * t)))


def test_modulation_vanishes_when_the_line_spans_whole_periods_of_it() -> None:
    """P = k (period of the wobble) (mean clock): the delay is exactly k periods, whatever the wobble does.

    Twice the line is the same echo one wobble period later, within -180 dB (-218): all ticks coincide.
    """
    echo = IdealEcho(10_000, 70.0, 7.234, ("bessel", 3, 8000.0), ("butterworth", 4, 8000.0))
    x, period = np.append(guitar(0.25), np.zeros(7200)), RATE_HZ // 20
    once, twice = (simulate(x, RATE_HZ, changed(echo, periods=p), wobbling) for p in (10_000, 20_000))
    assert error_db(twice[period:], once[:-period]) < -180


@pytest.mark.parametrize(
    ("periods", "swing_us", "limit_us"), [(10_000, 0.96, 1e-3), (20_000, 0.96, 1e-3), (5000, 4446.3, 3.0)]
)
def test_the_delay_follows_the_integral_of_the_clock(periods: int, swing_us: float, limit_us: float) -> None:
    """A sample that leaves at t entered at u with integral(f, u..t) = P; the hold adds 1/(2 f(t)).

    So the delay of a tone keeps still at the null but for the hold, within 0.001 us (P / f(t) would swing by
    milliseconds); with half the line it swings by 4446 us and follows the law within 3 us (1.4): there the
    filter's own answer to the moving pitch is left.
    """
    echo = IdealEcho(periods, 10.0, 7.234, ("bessel", 3, 8000.0), ("bessel", 4, 8000.0))
    frames = np.arange(int(0.25 * RATE_HZ), int(0.4 * RATE_HZ))
    y = simulate(np.append(tone(1000.0, 0.5), np.zeros(9600)), RATE_HZ, echo, wobbling)
    cycles = np.unwrap(np.angle(signal.hilbert(y)))[frames] / (2 * pi) - 1000.0 * frames / RATE_HZ
    delay_us = -cycles * 1e3
    filter_s = -np.angle(low_pass_at(echo.reconstruction, np.array(1000.0))[0]) / (2 * pi * 1000)
    left_s = frames / RATE_HZ - filter_s
    law_us = (left_s - entered(left_s, periods) + 0.5 / wobbling(left_s)) * 1e6
    off_us = (delay_us - delay_us.mean()) - (law_us - law_us.mean())
    assert pytest.approx(swing_us, abs=0.1) == np.ptp(delay_us)
    assert np.abs(off_us).max() < limit_us


def entered(left_s: Floats, periods: int) -> Floats:
    """When the sample that leaves at each time entered, by Newton's method from the phase of `wobbling`."""
    slow, quick = 2 * pi * 20, 2 * pi * 60

    def phase(t: Floats) -> Floats:
        swing = 0.13 * (1 - np.cos(slow * t)) / slow + 0.07 * np.sin(quick * t) / quick
        return np.asarray(200e3 * (t + swing))

    entry_s = left_s - periods / 200e3
    for _ in range(30):
        entry_s = entry_s + (phase(left_s) - phase(entry_s) - periods) / wobbling(entry_s)
    return entry_s


@pytest.mark.parametrize(
    ("periods", "clock_hz", "rule"),
    [
        (512.5, 20e3, "periods must be a whole number"),
        (1, 100e3, "must hold a sample for at least 80 fine samples"),
        (512, lambda t: 1e3 * np.cos(40 * t), "clock_hz must be above 0"),
    ],
)
def test_what_cannot_be_simulated_is_refused(periods: float, clock_hz: Clock, rule: str) -> None:
    """A fractional line, one too short for the chunks and a clock that stands still are errors."""
    with pytest.raises(ValueError, match=rule):
        simulate(guitar(0.1), RATE_HZ, changed(MANUAL, periods=periods), clock_hz)
