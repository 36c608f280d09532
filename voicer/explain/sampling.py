"""Sampling at the clock's instants: a tone filtered, sampled, held, passed on and smoothed again."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from voicer.circuit.filters import high_pass_response, response
from voicer.drawing.paper import GUIDE, INK
from voicer.explain.chapter import Array, Chapter, decibels, sine
from voicer.explain.claims import Claim, Subject
from voicer.measure import probes
from voicer.measure.meters import tone_level

_LEAD_S = 0.15


@dataclass(frozen=True)
class Sampling(Chapter):
    """What is drawn of one tone: time from 0 on, three periods."""

    subject: Subject
    tone_hz: float
    clock_hz: float
    filtered_gain: complex
    """Low cut and anti-alias filter at the tone."""
    line_gain: float
    ticks_s: Array
    heard: Array
    """Output at `probes.RATE_HZ`, V for 1 V in."""
    heard_gain: float

    name = "sampling"
    title = "Sampling at the clock's instants"
    size = (8.0, 7.0)

    def filtered(self, time_s: Array) -> Array:
        """What is sampled, V."""
        return np.asarray(np.imag(self.filtered_gain * np.exp(2j * np.pi * self.tone_hz * time_s)))

    @property
    def claims(self) -> tuple[Claim, ...]:
        """Samples per period, hold, wait, level."""
        circuit = self.subject.circuit
        rate = Claim(
            "sampling.rate",
            "At {clock_khz:.2f} kHz the clock takes {samples:.1f} samples of each period of a {tone_hz:.0f} Hz tone.",
            {"clock_khz": self.clock_hz / 1e3, "samples": self.clock_hz / self.tone_hz, "tone_hz": self.tone_hz},
        )
        hold = Claim(
            "sampling.hold",
            "Each sample moves through the buckets for {periods:.0f} clock periods, {wait_ms:.1f} ms, and is then held "
            "at the output for one period, {hold_us:.1f} µs.",
            {"periods": circuit.line.periods, "wait_ms": 1e3 * circuit.line.periods / self.clock_hz,
             "hold_us": 1e6 / self.clock_hz},
        )  # fmt: skip
        level = Claim(
            "sampling.level",
            "The reconstruction filter smooths the steps; the tone comes out at {gain_db:.1f} dB.",
            {"gain_db": float(decibels(self.heard_gain))},
        )
        still = Claim("sampling.still", "The modulation is stopped in this picture.")
        return (rate, hold, level, *((still,) if circuit.lfo.deviation else ()))

    def draw(self, figure: Any) -> None:
        """Input, samples, staircase, output, one above the other."""
        seconds, ticks_s = 3 / self.tone_hz, self.ticks_s
        time_s = np.linspace(0, seconds, 900)
        rows = figure.subplots(4, 1, sharex=True)
        rows[0].plot(1e3 * time_s, np.sin(2 * np.pi * self.tone_hz * time_s), color=INK)
        rows[1].plot(1e3 * time_s, self.filtered(time_s), color=GUIDE, linewidth=0.8)
        rows[1].plot(1e3 * ticks_s, self.filtered(ticks_s), color=INK, linestyle="none", marker="o", markersize=3.5)
        rows[1].vlines(1e3 * ticks_s, 0, self.filtered(ticks_s), color=INK, linewidth=0.6)
        rows[2].step(1e3 * ticks_s, self.line_gain * self.filtered(ticks_s), where="post", color=INK)
        rows[3].plot(1e3 * np.arange(self.heard.size) / probes.RATE_HZ, self.heard, color=INK)
        titles = (
            f"input: {self.tone_hz:.0f} Hz", f"after the anti-alias filter, sampled every {1e6 / self.clock_hz:.1f} µs",
            f"held at the line's output, {self.subject.circuit.line.periods} clock periods later (delay not shown)",
            "after the reconstruction filter, as measured",
        )  # fmt: skip
        reach = 1.25 * max(1.0, self.line_gain * abs(self.filtered_gain), float(np.abs(self.heard).max()))
        for axes, title in zip(rows, titles, strict=True):
            axes.set_title(title)
            axes.set(ylim=(-reach, reach), ylabel="level, V")
        rows[3].set(xlim=(0, 1e3 * seconds), xlabel="time, ms")


def demonstrate_sampling(subject: Subject, tone_hz: float) -> Sampling:
    """Play a tone of 1 V through one pass of the echo and follow it."""
    circuit = subject.circuit
    clock_hz, at = circuit.clock_hz, np.array([tone_hz])
    into = high_pass_response(circuit.low_cut_hz, at) * response(circuit.anti_alias, at)
    seconds = 3 / tone_hz
    whole = probes.played(
        probes.echo_alone(probes.linear(circuit)), sine(tone_hz, _LEAD_S + 2 * circuit.time_s + max(3 * seconds, 0.3))
    )
    start = int((_LEAD_S + circuit.time_s) * tone_hz) + 1  # periods of the tone
    first = int(start * probes.RATE_HZ / tone_hz + circuit.time_s * probes.RATE_HZ)
    return Sampling(
        subject, tone_hz, clock_hz, complex(into[0]),
        float(circuit.line.gain(at, np.array(clock_hz))[0] / np.sinc(tone_hz / clock_hz)),
        np.arange(-1, np.ceil(seconds * clock_hz) + 1) / clock_hz,
        whole[first : first + int(seconds * probes.RATE_HZ)],
        tone_level(whole[-int(0.25 * probes.RATE_HZ) :], probes.RATE_HZ, tone_hz),
    )  # fmt: skip
