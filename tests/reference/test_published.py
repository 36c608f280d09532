"""Published numbers, each beside its source, against the parts and against what the kernel puts out."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from voicer.board import design
from voicer.circuit import Circuit
from voicer.circuit.devices import DeviceClass, hold_response, transfer_response, transfer_weights
from voicer.circuit.filters import high_pass_response, low_pass_sections, response
from voicer.dsp.coefficients import echo_coefficients, line_noise, named
from voicer.dsp.echo import CLOCK_GLIDE_SEGMENTS, SEGMENT, Echo
from voicer.voicing import Compander, Delay, Filters, Flaws, Line, LowPass, Modulation, Output, Repeats, Voicing

RATE_HZ = 48_000
IDEAL = Flaws(transfer_loss=0, saturation=0, leakage=0, noise=0, clock_bleed=0)
OPEN = LowPass(shape="butterworth", order=2, cutoff_hz=20_000)


def circuit_with(time_ms: float, *, stages: int = 4096, filters: Filters | None = None, **changes: Any) -> Circuit:
    """An echo-only circuit, its compander and, if nothing else is said, its flaws off and its filters wide."""
    parts = {"flaws": IDEAL, "modulation": Modulation(), "line": Line(stages=stages), "delay": Delay(time_ms=time_ms, shortest_ms=20, longest_ms=600)}
    return design(
        Voicing(
            name="Published", compander=Compander(enabled=False), repeats=Repeats(feedback=0),
            filters=filters or Filters(low_cut_hz=10, anti_alias=OPEN, reconstruction=OPEN),
            output=Output(blend=1), **(parts | changes),
        )
    )  # fmt: skip


def wet(circuit: Circuit, x: Any) -> Any:
    echo, y = Echo(echo_coefficients(circuit, RATE_HZ), RATE_HZ), np.empty_like(x)
    echo.process(x, y)
    return y


def tone(f_hz: float, seconds: float, level: float = 0.5) -> Any:
    return level * np.cos(2 * np.pi * f_hz / RATE_HZ * np.arange(int(seconds * RATE_HZ)))


def level_at(y: Any, f_hz: float) -> float:
    """Amplitude of the component at a frequency in the last half second, by a windowed projection."""
    part = y[-RATE_HZ // 2 :]
    window = np.blackman(part.size)
    turn = np.exp(-2j * np.pi * f_hz / RATE_HZ * np.arange(y.size - part.size, y.size))
    return float(2 * np.abs(np.sum(part * window * turn)) / window.sum())


def decibels(ratio: float) -> float:
    return float(20 * np.log10(ratio))


# "Op Amps for Everyone", 5th ed., section 16.9: table 16.7 Butterworth and 16.6 Bessel, (a, b) per section;
# b = 0 is a first-order section. The book prints k = 1.648 for the first-order section of Bessel n = 7, a misprint
# for 1.684 (k = 1 / a); orders 2..6 as used here agree with scipy.
OP_AMPS_FOR_EVERYONE = {
    ("butterworth", 2): [(1.4142, 1)],
    ("butterworth", 3): [(1.0, 0), (1.0, 1)],
    ("butterworth", 4): [(1.8478, 1), (0.7654, 1)],
    ("butterworth", 5): [(1.0, 0), (1.6180, 1), (0.6180, 1)],
    ("butterworth", 6): [(1.9319, 1), (1.4142, 1), (0.5176, 1)],
    ("bessel", 2): [(1.3617, 0.6180)],
    ("bessel", 3): [(0.7560, 0), (0.9996, 0.4772)],
    ("bessel", 4): [(1.3397, 0.4889), (0.7743, 0.3890)],
    ("bessel", 5): [(0.6656, 0), (1.1402, 0.4128), (0.6216, 0.3245)],
    ("bessel", 6): [(1.2217, 0.3887), (0.9686, 0.3505), (0.5131, 0.2756)],
}


@pytest.mark.parametrize(("shape", "order"), list(OP_AMPS_FOR_EVERYONE))
def test_filter_tables(shape: Any, order: int) -> None:
    """Section coefficients to the table's four digits."""
    sections = low_pass_sections(shape, order, 1 / (2 * np.pi))
    got = [section.denominator() for section in sections]
    assert np.abs(np.array(got) - OP_AMPS_FOR_EVERYONE[shape, order]).max() < 6e-5


@pytest.mark.parametrize(
    ("order", "factors_and_q"),
    [(2, [(1.2720, 0.5774)]), (3, [(1.3227, 0), (1.4476, 0.6910)]), (4, [(1.4302, 0.5219), (1.6034, 0.8055)]),
     (5, [(1.5023, 0), (1.5563, 0.5635), (1.7554, 0.9165)]),
     (6, [(1.6039, 0.5103), (1.6892, 0.6112), (1.9047, 1.0233)])],
)  # fmt: skip
def test_bessel_pole_frequencies(order: int, factors_and_q: list[tuple[float, float]]) -> None:
    """Pole frequency over cutoff and Q, to four digits (computed; an independent table lists 1.27201964951 and
    1.32267579991). A first-order section's k = 1 / a of the book's table is its factor here: 1.323 and 1.502.
    """
    got = [(section.f0_hz, section.q) for section in low_pass_sections("bessel", order, 1.0)]
    assert np.abs(np.array(got) - factors_and_q).max() < 6e-5


def test_the_books_misprint_is_not_taken_over() -> None:
    """Bessel n = 7 is beyond our orders; a = 0.5937 of table 16.6 asks for k = 1 / a = 1.684, printed is 1.648."""
    from scipy.signal import besselap

    real_pole = next(pole.real for pole in besselap(7, norm="mag")[1] if abs(pole.imag) < 1e-9)
    assert (-1 / real_pole, -real_pole) == pytest.approx((0.5937, 1.684), abs=6e-4)


@pytest.mark.parametrize(
    ("shape", "order", "denominator"),
    [("chebyshev-0.5db", 2, [1.426, 1.516]), ("chebyshev-0.5db", 3, [1.253, 1.535, 0.716]),
     ("chebyshev-0.5db", 4, [1.197, 1.717, 1.025, 0.379]),
     ("chebyshev-1db", 2, [1.098, 1.102]), ("chebyshev-1db", 3, [0.988, 1.238, 0.491]),
     ("chebyshev-1db", 4, [0.953, 1.454, 0.743, 0.276]), ("chebyshev-1db", 5, [0.937, 1.689, 0.974, 0.580, 0.123])],
)  # fmt: skip
def test_chebyshev_denominators(shape: Any, order: int, denominator: list[float]) -> None:
    """A university formula sheet, three decimals, for the ripple's edge at 1. Ours have -3.0103 dB from zero frequency
    at 1; the way between the two is the Chebyshev polynomial's own, for even orders from the bottom of the ripple.
    """
    square = 10 ** ({"chebyshev-0.5db": 0.5, "chebyshev-1db": 1.0}[shape] / 10) - 1
    height = np.sqrt((1 + 2 * square) / square if order % 2 == 0 else 1 / square)
    factor = np.cosh(np.arccosh(height) / order)
    sections = low_pass_sections(shape, order, float(factor) / (2 * np.pi))
    got = np.poly(np.concatenate([section.poles_rad_s() for section in sections])).real[1:]
    assert np.abs(got - denominator).max() < 1.1e-3


@pytest.mark.parametrize(
    ("order", "lost_db"), [(2, (7.83, 12.30, 19.14)), (3, (10.93, 18.13, 28.63)), (4, (14.25, 24.10, 38.17)),
                           (5, (17.68, 30.11, 47.71)), (6, (21.16, 36.12, 57.25))],
)  # fmt: skip
def test_butterworth_attenuation(order: int, lost_db: tuple[float, ...]) -> None:
    """At 1.5, 2 and 3 times the cutoff, dB (computed)."""
    gain = np.abs(response(low_pass_sections("butterworth", order, 1000.0), np.array([1500.0, 2000.0, 3000.0])))
    assert tuple(-20 * np.log10(gain)) == pytest.approx(lost_db, abs=0.006)


@pytest.mark.parametrize(("share", "loss_db"), [(0.1, -0.680), (0.25, -3.558), (0.5, -7.116)])
def test_transfer_loss_of_four_thousand_transfers(share: float, loss_db: float) -> None:
    """((1-e)/(1-e/z))^N with e = 1e-4 (form as in imaging-system models; numbers computed): closed form, weights,
    and the kernel with a line of that e, measured with a tone against a line without loss at the same clock. At half
    the clock the tone is its own image; both lines take the same samples of it, so the ratio holds there too.
    """
    w = 2 * np.pi * share
    weights = transfer_weights(4096, 1e-4, 32)
    assert decibels(abs(transfer_response(4096, np.array(1e-4), np.array(w)))) == pytest.approx(loss_db, abs=1e-3)
    assert decibels(abs(np.sum(weights * np.exp(-1j * w * np.arange(32))))) == pytest.approx(loss_db, abs=1e-3)
    lossless = circuit_with(100)
    device = replace(DeviceClass(4096, 1, 1e6, settling_s=1e-12), transfer_loss=1e-4, transfer_time_s=1e-12)
    line = replace(lossless.line, device=device, transfer_loss=1.0)
    lossy = replace(lossless, line=line)
    f_hz = share * lossy.clock_hz
    ideal = replace(lossless, time_s=(line.periods + 0.5) / lossy.clock_hz + lossless.filter_delay_s)
    assert ideal.clock_hz == pytest.approx(lossy.clock_hz, rel=1e-9)
    measured = level_at(wet(lossy, tone(f_hz, 1.5)), f_hz) / level_at(wet(ideal, tone(f_hz, 1.5)), f_hz)
    assert decibels(measured) == pytest.approx(loss_db, abs=0.01)


@pytest.mark.parametrize("stages", [1024, 4096])
@pytest.mark.parametrize("share", [0.1, 0.25, 0.5])
def test_transfer_weights_have_the_published_spectrum(stages: int, share: float) -> None:
    """|H| = exp(-N e (1 - cos w)), the form published in imaging-system models, to 1e-3 dB for e = 1e-4; the sum of
    the weights is one (charge is conserved) and their mean N e / (1 - e) periods.
    """
    weights, k = transfer_weights(stages, 1e-4, 64), np.arange(64)
    w = 2 * np.pi * share
    published_db = decibels(float(np.exp(-stages * 1e-4 * (1 - np.cos(w)))))
    assert decibels(abs(np.sum(weights * np.exp(-1j * w * k)))) == pytest.approx(published_db, abs=1e-3)
    assert (weights.sum(), np.sum(k * weights)) == pytest.approx((1, stages * 1e-4 / (1 - 1e-4)), rel=1e-9)


def line_level(echo: Echo, share: float) -> float:
    """Amplitude of a tone of that share of the clock in the newest 4096 cells of the line."""
    filled = int(echo._ints["filled"][0])
    cells = echo._buffers[10][np.arange(filled - 4096, filled) % 32_768]
    window = np.blackman(4096)
    return float(2 * abs(np.sum(cells * window * np.exp(-2j * np.pi * share * np.arange(4096)))) / window.sum())


@pytest.mark.parametrize(
    ("share", "droop_db", "image_db"),
    [(0.1, -0.143, None), (0.25, -0.912, -10.455), (1 / 3, -1.650, -7.670), (0.4, -2.420, -5.942), (0.5, -3.922, -3.922)],
)
def test_hold_droop(share: float, droop_db: float, image_db: float | None) -> None:
    """sin(x)/x of the hold: 2.42 dB at 0.4 of the rate in "Equalizing techniques flatten DAC frequency response"
    (application note 3853), the others computed; measured on the kernel from the line's cells to the output, and so is
    the image at fc - f, which the same note says has the same law. Linear interpolation would lose twice as many dB.
    """
    circuit = circuit_with(100)
    f_hz = share * circuit.clock_hz
    echo, x = Echo(echo_coefficients(circuit, RATE_HZ), RATE_HZ), tone(f_hz, 1.5)
    y = np.empty_like(x)
    echo.process(x, y)

    def lost_db(at_hz: float) -> float:
        at = np.array([at_hz])
        after = response(circuit.reconstruction, at) * high_pass_response(circuit.output_coupling_hz, at)
        return decibels(level_at(y, at_hz) / line_level(echo, share) / abs(after[0]))

    assert decibels(abs(hold_response(np.array(f_hz), np.array(circuit.clock_hz)))) == pytest.approx(droop_db, abs=1e-3)
    assert lost_db(f_hz) == pytest.approx(droop_db, abs=0.005)
    if image_db is not None:
        assert lost_db(circuit.clock_hz - f_hz) == pytest.approx(image_db, abs=0.005)


def test_a_tone_above_half_the_clock_folds() -> None:
    """A tone at 0.7 of the clock comes out at 0.3, at |AA(0.7)| sinc(0.3) |REC(0.3)|: attenuated first at its own
    frequency, then at the one it has folded to (Dunn, "Anti-alias and anti-image filtering").
    """
    filters = Filters(
        low_cut_hz=10, anti_alias=LowPass(order=3, cutoff_hz=6000), reconstruction=LowPass(order=5, cutoff_hz=5000)
    )
    circuit = circuit_with(200, filters=filters)
    high_hz, low_hz = 0.7 * circuit.clock_hz, 0.3 * circuit.clock_hz
    y = wet(circuit, tone(high_hz, 1.5))
    expected = 0.5 * abs(response(circuit.anti_alias, np.array([high_hz]))[0])
    expected *= np.sinc(0.3) * abs(response(circuit.reconstruction, np.array([low_hz]))[0])
    assert decibels(level_at(y, low_hz) / expected) == pytest.approx(0, abs=0.05)
    strongest = np.argmax(np.abs(np.fft.rfft(y[-RATE_HZ:] * np.blackman(RATE_HZ))))
    assert strongest == pytest.approx(low_hz, abs=1)


def pitch_hz(y: Any, first_s: float, last_s: float) -> float:
    """Frequency of a tone between two times, from the slope of its phase."""
    from scipy.signal import hilbert

    phase = np.unwrap(np.angle(hilbert(y)))
    at_s = np.arange(y.size) / RATE_HZ
    inside = (at_s > first_s) & (at_s < last_s)
    return float(np.polyfit(at_s[inside], phase[inside], 1)[0] / (2 * np.pi))


def test_a_clock_step_bends_the_pitch_for_one_line_length() -> None:
    """10 to 12 kHz in a 4096-stage line: +315.641 cents for 170.667 ms, then none (computed; the kernel takes 20
    ms over the step, so pitch is read in the middle and the length where it crosses half way).
    """
    first = circuit_with(2048.5 / 10)
    slow, fast = (replace(first, time_s=2048.5 / clock + first.filter_delay_s) for clock in (10_000, 12_000))
    assert (slow.clock_hz, fast.clock_hz) == pytest.approx((10_000, 12_000), rel=1e-9)
    echo, x = Echo(echo_coefficients(slow, RATE_HZ), RATE_HZ), tone(1000, 1.2)
    y = np.empty_like(x)
    half = x.size // 2
    echo.process(x[:half], y[:half])
    echo.glide_to(echo_coefficients(fast, RATE_HZ))
    echo.process(x[half:], y[half:])
    step_s = half / RATE_HZ
    bent = pitch_hz(y, step_s + 0.03, step_s + 0.16)
    assert 1200 * np.log2(bent / 1000) == pytest.approx(315.641, abs=0.05)
    assert pitch_hz(y, step_s + 0.2, step_s + 0.5) == pytest.approx(1000, abs=0.01)
    from scipy.signal import hilbert

    speed = np.gradient(np.unwrap(np.angle(hilbert(y)))) * RATE_HZ / (2 * np.pi)
    smooth = np.convolve(speed, np.ones(96) / 96, mode="same")
    fast_frames = np.count_nonzero(smooth[half - 2000 : half + 16_000] > 1100)
    glide_s = CLOCK_GLIDE_SEGMENTS * SEGMENT / RATE_HZ
    assert fast_frames / RATE_HZ == pytest.approx(0.170667, abs=glide_s)


def test_vibrato_is_null_where_whole_periods_fit_the_line() -> None:
    """P = k * (LFO period) * (mean clock): the delay is constant for any depth and shape (own derivation), where a
    model that sets delay = N / (2 f(t)) would still wobble. What is left is the hold's own half period.
    """
    base = circuit_with(100, modulation=Modulation(range="fast", rate_hz=10, depth_percent=15))
    steady = circuit_with(100)

    def wobble_cents(circuit: Circuit, rate_hz: float) -> float:
        lfo = replace(circuit.lfo, rate_hz=rate_hz)
        y = wet(replace(circuit, lfo=lfo), tone(500, 2.0))
        from scipy.signal import hilbert

        phase = np.unwrap(np.angle(hilbert(y)))[RATE_HZ // 2 : -4800]
        window = np.hanning(962)[1:-1]  # smooths away the images at the clock, and little of a 10 Hz wobble
        speed = np.gradient(np.convolve(phase, window / window.sum(), mode="valid"))
        return float(1200 * np.log2(speed.max() / speed.min()))

    null_hz = base.clock_hz / base.line.periods
    at_null, beside = wobble_cents(base, null_hz), wobble_cents(base, null_hz / 2)
    assert beside > 300
    assert at_null < 1.0
    assert wobble_cents(steady, null_hz) < 0.1


def test_noise_of_transfers_rises_and_noise_of_devices_is_flat() -> None:
    """Transfer noise is first-difference shaped, 6 dB an octave at low frequency, its power proportional to N
    (Thornber and Tompsett 1973, from memory); input and output noise is white.
    """

    def spectrum(stages: int, device_noise_v: float, transfer_noise_v: float) -> Any:
        circuit = circuit_with(stages / 2 / 20.0, stages=stages, flaws=IDEAL.model_copy(update={"noise": 1.0}))
        device = replace(circuit.line.device, device_noise_v=device_noise_v, transfer_noise_v=transfer_noise_v)
        y = wet(replace(circuit, line=replace(circuit.line, device=device)), np.zeros(8 * RATE_HZ))
        power = np.abs(np.fft.rfft(y[: 7 * RATE_HZ].reshape(-1, 4800) * np.hanning(4800), axis=1)) ** 2
        return power.mean(axis=0)

    transfers, devices, twice = spectrum(2048, 0, 1e-4), spectrum(2048, 1e-2, 0), spectrum(4096, 0, 1e-4)
    octave = [int(f_hz * 4800 / RATE_HZ) for f_hz in (300, 600, 1200)]

    def around(power: Any, at: int) -> float:
        return 10 * np.log10(power[at - 8 : at + 9].mean())

    rises = np.diff([around(transfers, at) for at in octave])
    assert np.abs(rises - 6.02).max() < 1.0
    assert np.abs(np.diff([around(devices, at) for at in octave])).max() < 0.7
    assert around(twice, octave[2]) - around(transfers, octave[2]) == pytest.approx(3.01, abs=0.7)


def test_noise_adds_up_by_device_and_transfer() -> None:
    """The shaped source's power is A per device and 2 B per transfer, its first correlation -B: total power grows in
    proportion to N for transfer noise and to the number of devices for device noise.
    """
    for stages, devices in ((512, 4), (512, 8), (4096, 1), (4096, 2)):
        circuit = circuit_with(150, line=Line(stages=stages, devices=devices), flaws=Flaws())
        device = circuit.line.device
        white = devices * (circuit.line.makeup * device.device_noise_v) ** 2
        transfer = stages * devices * (circuit.line.makeup * device.transfer_noise_v) ** 2
        now, before = line_noise(circuit)
        assert (now**2 + before**2, now * before) == pytest.approx((white + 2 * transfer, -transfer), rel=1e-12)


@pytest.mark.parametrize("time_ms", [120, 250])
def test_feed_through_is_a_line_at_the_clock(time_ms: float) -> None:
    """On silence the output holds the clock and its multiples and nothing else: +b for one half period and -b for the
    other is 4 b / pi at the clock (Fourier series of a square wave), as the output filter lets it through.
    """
    circuit = circuit_with(time_ms, flaws=IDEAL.model_copy(update={"clock_bleed": 1.0}))
    y = wet(circuit, np.zeros(2 * RATE_HZ))
    at = np.array([circuit.clock_hz])
    around = abs(response(circuit.reconstruction, at)[0]) * abs(high_pass_response(circuit.output_coupling_hz, at)[0])
    expected = 4 / np.pi * circuit.line.device.bleed_v * around
    assert decibels(level_at(y, circuit.clock_hz) / expected) == pytest.approx(0, abs=0.02)
    assert level_at(y, 1.5 * circuit.clock_hz if time_ms == 250 else 0.5 * circuit.clock_hz) < 1e-4 * expected


def test_coefficients_keep_the_published_constants_apart() -> None:
    """The expander's and compressor's unity level is 0.775 V rms: its rectified average is 0.69775 V."""
    assert named(echo_coefficients(circuit_with(100), RATE_HZ))["unity_v"] == pytest.approx(0.69775, abs=1e-5)
