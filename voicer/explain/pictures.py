"""Pictures that show why a voicing sounds as it does: the closed form where it is drawn as a line, the kernel's samples
where it says heard.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from voicer.circuit.circuit import Circuit
from voicer.circuit.filters import high_pass_response, response
from voicer.drawing.paper import GUIDE, INK, hertz
from voicer.measure import predict, probes
from voicer.measure.meters import tone_level

Array = NDArray[np.float64]
TEXT = 8


def sampling(figure: Any, circuit: Circuit, f_hz: float) -> str:
    """Input, samples at the clock's instants, held staircase, filtered output, one above the other; gives a caption."""
    clock_hz, bare = circuit.clock_hz, probes.echo_alone(probes.linear(circuit))
    seconds, lead_s = 3 / f_hz, 0.15
    time_s = np.linspace(0, seconds, 900)
    whole = probes.played(bare, _sine(f_hz, lead_s + 2 * circuit.time_s + 3 * seconds))
    into = high_pass_response(circuit.low_cut_hz, np.array([f_hz])) * response(circuit.anti_alias, np.array([f_hz]))
    rows = figure.subplots(4, 1, sharex=True)

    def filtered(at_s: Array) -> Array:
        return np.asarray(np.imag(into[0] * np.exp(2j * np.pi * f_hz * at_s)))

    ticks_s = np.arange(np.ceil(-1), np.ceil(seconds * clock_hz) + 1) / clock_hz
    line = circuit.line.gain(np.array([f_hz]), np.array(clock_hz))[0] / np.sinc(f_hz / clock_hz)
    rows[0].plot(1e3 * time_s, np.sin(2 * np.pi * f_hz * time_s), color=INK)
    rows[1].plot(1e3 * time_s, filtered(time_s), color=GUIDE, linewidth=0.8)
    rows[1].plot(1e3 * ticks_s, filtered(ticks_s), color=INK, linestyle="none", marker="o", markersize=3.5)
    rows[1].vlines(1e3 * ticks_s, 0, filtered(ticks_s), color=INK, linewidth=0.6)
    rows[2].step(1e3 * ticks_s, line * filtered(ticks_s), where="post", color=INK)
    start = int((lead_s + circuit.time_s) * probes.RATE_HZ / (probes.RATE_HZ / f_hz)) + 1
    at = int(start * probes.RATE_HZ / f_hz + circuit.time_s * probes.RATE_HZ)
    heard = whole[at : at + int(seconds * probes.RATE_HZ)]
    rows[3].plot(1e3 * np.arange(heard.size) / probes.RATE_HZ, heard, color=INK)
    for axes, title in zip(rows, (
        f"in: {f_hz:.0f} Hz", f"anti-alias filtered, sampled every {1e6 / clock_hz:.1f} µs",
        f"held, {circuit.line.periods} clock periods later (the wait is left out)",
        "out of the reconstruction filter, as heard",
    ), strict=True):  # fmt: skip
        axes.set_title(title)
        axes.set(ylim=(-1.25, 1.25), ylabel="level")
    rows[3].set(xlim=(0, 1e3 * seconds), xlabel="time, ms")
    return (
        f"A clock of {clock_hz / 1e3:.2f} kHz takes {clock_hz / f_hz:.1f} samples of each period of a {f_hz:.0f} Hz "
        f"tone. Each is held for {1e6 / clock_hz:.1f} µs, handed from bucket to bucket for "
        f"{circuit.line.periods} periods, and smoothed again."
    )


def folding(figure: Any, circuit: Circuit, f_hz: float) -> str:
    """Spectrum of a tone above half the clock before and after the echo; gives a caption."""
    clock_hz = circuit.clock_hz
    x = 0.3 * _sine(f_hz, 1.0 + circuit.time_s)
    y = probes.played(probes.echo_alone(probes.linear(circuit)), x)
    out_hz = predict.folded_hz(f_hz, clock_hz)
    top, bottom = figure.subplots(2, 1, sharex=True, sharey=True)
    for axes, signal, title in ((top, x, "in"), (bottom, y, "out, as heard")):
        piece = signal[-probes.RATE_HZ // 2 :]
        window = np.blackman(piece.size)
        level_db = 20 * np.log10(np.abs(np.fft.rfft(piece * window)) * 2 / window.sum() / 0.3 + 1e-7)
        axes.plot(np.fft.rfftfreq(piece.size, 1 / probes.RATE_HZ), level_db, color=INK, linewidth=0.9)
        axes.axvline(clock_hz / 2, color=GUIDE, linestyle="--", linewidth=0.8)
        axes.set(ylim=(-100, 12), ylabel="dB of the tone", title=title)
    gain_db = 20 * np.log10(tone_level(y[-probes.RATE_HZ // 2 :], probes.RATE_HZ, out_hz) / 0.3)
    top.annotate(f" {f_hz:.0f} Hz", (f_hz, 0), fontsize=TEXT)
    top.text(clock_hz / 2, 5, " half the clock", fontsize=TEXT, color=GUIDE)
    bottom.annotate(f" {out_hz:.0f} Hz, {gain_db:.1f} dB", (out_hz, gain_db), fontsize=TEXT)
    bottom.set(xlim=(0, min(1.2 * clock_hz, 20_000)), xlabel="frequency, Hz")
    bottom.xaxis.set_major_formatter(hertz)
    return (
        f"A tone of {f_hz:.0f} Hz lies above half the clock ({clock_hz / 2:.0f} Hz). Its samples are those of "
        f"{out_hz:.0f} Hz = |{f_hz:.0f} - {clock_hz:.0f}|: a false, lower copy, here at {gain_db:.1f} dB. The "
        f"anti-alias filter is there to keep it out."
    )


def repeats(figure: Any, circuit: Circuit, count: int = 5) -> str:
    """Response of repeats 1 to ``count``: dots are heard, dashed lines the closed form; gives a caption."""
    bare = probes.echo_alone(probes.linear(circuit))
    f_hz = np.geomspace(40, min(0.45 * circuit.clock_hz, 20_000), 60)
    again = predict.held(circuit).round_gain(f_hz, np.array(circuit.clock_hz))
    axes, widths = figure.subplots(), []
    for number, heard in enumerate(probes.pass_responses(bare, f_hz, count), start=1):
        heard_db = 20 * np.log10(np.abs(heard) + 1e-9)
        closed = np.abs(predict.wet(circuit, f_hz)) * again ** (number - 1)
        axes.plot(f_hz, 20 * np.log10(closed + 1e-9), color=GUIDE, linestyle="--", linewidth=0.8)
        axes.plot(f_hz, heard_db, color=INK, linestyle="none", marker="o", markersize=2.4)
        at = int(np.argmax(closed)) // 3
        axes.annotate(str(number), (f_hz[at], heard_db[at]), (2, -9), textcoords="offset points", fontsize=TEXT)
        widths.append(predict.corners_hz(f_hz, closed)[1])
    axes.set(xscale="log", xlim=(40, 1.1 * f_hz[-1]), ylim=(-60, 6), xlabel="frequency, Hz", ylabel="level, dB")
    axes.set_title("dots: heard; dashed: from the circuit")
    axes.xaxis.set_major_formatter(hertz)
    told = ", ".join(f"{width:.0f}" for width in widths)
    return (
        f"Every time round, the sound passes both filters, the hold and the lossy transfers again: the repeats are "
        f"{told} Hz wide (-3 dB)."
    )


def two_lines(figure: Any, one: Circuit, many: Circuit) -> str:
    """Noise and response of one long device against several short ones at the same delay; gives a caption."""
    left, right = figure.subplots(1, 2)
    levels, f_hz = [], np.geomspace(40, 0.45 * one.clock_hz, 200)
    for circuit, style, name in ((one, "-", _line_name(one)), (many, "--", _line_name(many))):
        still = _still(circuit)
        y = probes.silence(still, 3.0)
        levels.append(20 * np.log10(float(np.std(y)) + 1e-12))
        size = 4096
        pieces = y[: y.size // size * size].reshape(-1, size) * np.hanning(size)
        power = 2 * np.mean(np.abs(np.fft.rfft(pieces)) ** 2, axis=0)
        density_db = 10 * np.log10(power / (probes.RATE_HZ * np.sum(np.hanning(size) ** 2)) + 1e-30)
        left.plot(np.fft.rfftfreq(size, 1 / probes.RATE_HZ)[3:], density_db[3:], style, color=INK, linewidth=0.6)
        grid = np.geomspace(40, 20_000, 200)
        closed_db = 10 * np.log10(predict.noise_density(still, grid) + 1e-30)
        left.plot(grid, closed_db, style, color=INK, label=f"{name}: {levels[-1]:.1f} dBV")
        right.plot(f_hz, 20 * np.log10(np.abs(predict.wet(still, f_hz)) + 1e-9), style, color=INK, label=name)
    top = float(closed_db.max())
    left.set(xscale="log", ylim=(top - 40, top + 12), xlabel="frequency, Hz", ylabel="noise, dB re 1 V²/Hz")
    right.set(xscale="log", ylim=(-40, 6), xlabel="frequency, Hz", ylabel="level, dB")
    left.set_title("noise on silence, compander held")
    right.set_title("response")
    for axes in (left, right):
        axes.xaxis.set_major_formatter(hertz)
        axes.legend(loc="lower left", frameon=False, fontsize=TEXT - 1)
    return (
        f"Same number of buckets, same delay, same clock of {one.clock_hz / 1e3:.2f} kHz. {_line_name(one)}: "
        f"{levels[0]:.1f} dBV of noise on silence; {_line_name(many)}: {levels[1]:.1f} dBV. Each device adds the noise "
        f"of its own input and output."
    )


def runaway(figure: Any, y: Array, dropped_s: float, before: Circuit, after: Circuit) -> str:
    """Level over time of a loop that runs away and of what a dropped time does to it; gives a caption."""
    step = int(max(0.05, before.time_s) * probes.RATE_HZ)  # a whole repeat, so that the gaps between do not count
    level_db = 10 * np.log10(np.mean(y[: y.size // step * step].reshape(-1, step) ** 2, axis=1) + 1e-12)
    time_s = (np.arange(level_db.size) + 0.5) * step / probes.RATE_HZ
    axes = figure.subplots()
    axes.plot(time_s, level_db, color=INK)
    axes.axvline(dropped_s, color=GUIDE, linestyle="--", linewidth=0.8)
    told = f" time dropped\n {1e3 * before.time_s:.0f} to {1e3 * after.time_s:.0f} ms"
    axes.text(dropped_s, float(level_db.max()) + 1, told, fontsize=TEXT, va="bottom")
    gains = [one.loop_gain(one.clock_hz) for one in (before, after)]
    for at_s, gain in ((0.03 * time_s[-1], gains[0]), (dropped_s + 0.02 * time_s[-1], gains[1])):
        axes.text(at_s, -97, f"loop gain {gain:.2f}", fontsize=TEXT, va="bottom")
    axes.set(ylim=(-100, float(level_db.max()) + 16), xlim=(0, time_s[-1]), xlabel="time, s", ylabel="level, dBV")
    settled, end = float(level_db[time_s < dropped_s][-4:].mean()), float(level_db[-4:].mean())
    fate = "dies" if end < settled - 20 else "does not die"
    return (
        f"With a loop gain of {gains[0]:.2f} the repeats grow, up to {settled:.0f} dBV here; rails bound them. "
        f"At {dropped_s:.0f} s the time drops to {1e3 * after.time_s:.0f} ms: the clock rises to "
        f"{after.clock_hz / 1e3:.0f} kHz, transfers and outputs get less complete, the loop gain becomes "
        f"{gains[1]:.2f}, and the sound {fate}."
    )


def _still(circuit: Circuit) -> Circuit:
    return predict.held(probes.at_rest(circuit))


def _line_name(circuit: Circuit) -> str:
    return f"{circuit.line.devices} x {circuit.line.device.stages} stages"


def _sine(f_hz: float, seconds: float) -> Array:
    return np.asarray(np.sin(2 * np.pi * f_hz * np.arange(int(seconds * probes.RATE_HZ)) / probes.RATE_HZ))
