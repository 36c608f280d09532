"""Published numbers, each beside its source, against the parts and against what the kernel puts out."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from voicer.circuit import Circuit, design
from voicer.circuit.devices import DeviceClass, hold_response, transfer_response, transfer_weights
from voicer.circuit.filters import low_pass_sections, response
from voicer.dsp.coefficients import echo_coefficients, named
from voicer.dsp.echo import CLOCK_GLIDE_SEGMENTS, SEGMENT, Echo
from voicer.voicing import Compander, Delay, Filters, Flaws, Line, LowPass, Modulation, Output, Repeats, Voicing

RATE_HZ = 48_000
IDEAL = Flaws(transfer_loss=0, saturation=0, leakage=0, noise=0, clock_bleed=0)
OPEN = LowPass(shape="butterworth", order=2, cutoff_hz=20_000)


def circuit_with(time_ms: float, *, stages: int = 4096, filters: Filters | None = None, **changes: Any) -> Circuit:
    """An echo-only circuit, its compander and, if nothing else is said, its flaws off and its filters wide."""
    parts = {"flaws": IDEAL, "modulation": Modulation(), "delay": Delay(time_ms=time_ms, shortest_ms=20, longest_ms=600)}
    return design(
        Voicing(
            name="Published", line=Line(stages=stages), compander=Compander(enabled=False), repeats=Repeats(feedback=0),
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


@pytest.mark.parametrize(("share", "loss_db"), [(0.1, -0.680), (0.25, -3.558), (0.5, -7.116)])
def test_transfer_loss_of_four_thousand_transfers(share: float, loss_db: float) -> None:
    """((1-e)/(1-e/z))^N with e = 1e-4 (form as in imaging-system models; numbers computed): closed form, weights,
    and the kernel with a line of that e, measured with a tone.
    """
    w = 2 * np.pi * share
    weights = transfer_weights(4096, 1e-4, 32)
    assert decibels(abs(transfer_response(4096, np.array(1e-4), np.array(w)))) == pytest.approx(loss_db, abs=1e-3)
    assert decibels(abs(np.sum(weights * np.exp(-1j * w * np.arange(32))))) == pytest.approx(loss_db, abs=1e-3)
    if share == 0.5:
        return  # the line's own band ends here
    lossless = circuit_with(100)
    device = replace(DeviceClass(4096, 1, 1e6, settling_s=1e-12), transfer_loss=1e-4, transfer_time_s=1e-12)
    line = replace(lossless.line, device=device, transfer_loss=1.0)
    lossy = replace(lossless, line=line)
    f_hz = share * lossy.clock_hz
    ideal = replace(lossless, time_s=(line.periods + 0.5) / lossy.clock_hz + lossless.filter_delay_s)
    assert ideal.clock_hz == pytest.approx(lossy.clock_hz, rel=1e-9)
    measured = level_at(wet(lossy, tone(f_hz, 1.5)), f_hz) / level_at(wet(ideal, tone(f_hz, 1.5)), f_hz)
    assert decibels(measured) == pytest.approx(loss_db, abs=0.01)


@pytest.mark.parametrize(("share", "droop_db"), [(0.1, -0.143), (0.25, -0.912), (1 / 3, -1.650), (0.4, -2.420)])
def test_hold_droop(share: float, droop_db: float) -> None:
    """sin(x)/x of the hold: 2.42 dB at 0.4 of the rate in "Equalizing techniques flatten DAC frequency response"
    (application note 3853), the others computed; measured on the kernel. Linear interpolation would lose twice that.
    """
    circuit = circuit_with(100)
    f_hz = share * circuit.clock_hz
    around = abs(circuit.filter_response(np.array([f_hz]))[0])
    measured = level_at(wet(circuit, tone(f_hz, 1.5)), f_hz) / 0.5 / around
    assert decibels(abs(hold_response(np.array(f_hz), np.array(circuit.clock_hz)))) == pytest.approx(droop_db, abs=1e-3)
    assert decibels(measured) == pytest.approx(droop_db, abs=0.01)


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
    base = circuit_with(100, modulation=Modulation(mode="vibrato", rate_hz=10, depth_percent=15))
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


def test_coefficients_keep_the_published_constants_apart() -> None:
    """The expander's and compressor's unity level is 0.775 V rms: its rectified average is 0.69775 V."""
    assert named(echo_coefficients(circuit_with(100), RATE_HZ))["unity_v"] == pytest.approx(0.69775, abs=1e-5)
