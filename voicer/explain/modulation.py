"""Pitch under modulation: the clock sways, and the echo's pitch with it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from voicer.circuit.filters import half_power_hz
from voicer.drawing.paper import GUIDE, INK
from voicer.errors import CircuitError, VoicingError
from voicer.explain.chapter import Array, Chapter, Omission, Snippet
from voicer.explain.claims import Claim, Subject
from voicer.measure import predict, probes
from voicer.measure.bench import MOST_CENTS
from voicer.voicing import RATE_SPAN_HZ, parameter

WEAK_CENTS = 5.0
"""A deviation smaller than this is shown again with more depth. Chosen."""

GIVEN_CENTS = 25.0
"""What a copy is given, as far as its depth can be set so high."""

SLOW_HZ, FAST_HZ = 0.6, 5.5
"""Rates a copy is given: the slow one where the delay is long enough for it to bend the pitch."""

SLOW_FROM_MS = 60.0
SNIPPET_S, SNIPPET_PEAK = 4.0, 0.25


@dataclass(frozen=True)
class Modulation(Chapter):
    """Pitch of a steady tone in the first repeat, over time."""

    subject: Subject
    tone_hz: float
    predicted_s: Array
    predicted_cents: Array
    measured_s: Array
    measured_cents: Array
    """Empty where the deviation is too wide to be read from a tone."""
    heard: Array
    """The tone in the echo, full scale 1.0."""
    name: str = "modulation"

    title = "Pitch under modulation"
    size = (8.0, 4.2)

    @property
    def cents(self) -> Array:
        """What the claims are read from: as measured, or, where that cannot be read, from the clock's law."""
        return self.measured_cents if self.measured_cents.size else self.predicted_cents

    @property
    def weak(self) -> bool:
        """Whether the deviation is too small to show much."""
        return float(np.abs(self.cents).max()) < WEAK_CENTS

    @property
    def claims(self) -> tuple[Claim, ...]:
        """What the clock does, why the pitch follows, and how far."""
        lfo, line = self.subject.circuit.lfo, self.subject.circuit.line
        wait_s = line.periods / self.subject.circuit.clock_hz
        clock = Claim(
            "modulation.clock",
            "A {shape} of {rate_hz:.3g} Hz moves the clock by up to {depth_percent:.3g} % either way.",
            {"shape": lfo.shape, "depth_percent": 100 * lfo.deviation, "rate_hz": lfo.rate_hz},
        )
        law = Claim(
            "modulation.law",
            "A sample that enters at one clock leaves about {wait_ms:.0f} ms ({turns:.2f} periods of the modulation) "
            "later at another; the ratio of the two clocks is the change in pitch.",
            {"wait_ms": 1e3 * wait_s, "turns": wait_s * lfo.rate_hz},
        )
        pitch = Claim(
            "modulation.pitch", "The first repeat moves between {lowest:+.1f} and {highest:+.1f} cents.",
            {"lowest": float(self.cents.min()), "highest": float(self.cents.max())},
        )  # fmt: skip
        weak = Claim("modulation.weak", "That is too little to show much: the next picture has more depth.")
        return (clock, law, pitch, *((weak,) if self.weak else ()))

    @property
    def snippets(self) -> tuple[Snippet, ...]:
        """The tone itself."""
        tone = Claim(
            "modulation.tone", "A steady tone of {tone_hz:.0f} Hz, heard through the echo alone.",
            {"tone_hz": self.tone_hz},
        )  # fmt: skip
        return (Snippet(f"{self.name}-tone", "a tone under modulation", (tone,), self.heard, self.subject),)

    def draw(self, figure: Any) -> None:
        """Cents over time."""
        axes = figure.subplots()
        axes.plot(self.predicted_s, self.predicted_cents, color=GUIDE, linestyle="--", linewidth=0.9)
        axes.plot(self.measured_s, self.measured_cents, color=INK)
        reach = 1.15 * max(1.0, float(np.abs(self.predicted_cents).max()), float(np.abs(self.cents).max()))
        first_s = max(self.predicted_s[0], self.measured_s[0]) if self.measured_s.size else self.predicted_s[0]
        last_s = min(self.predicted_s[-1], self.measured_s[-1]) if self.measured_s.size else self.predicted_s[-1]
        axes.set(xlim=(first_s, last_s), ylim=(-reach, reach), xlabel="time, s", ylabel="pitch, cents")
        measured = "line: as measured; dashed: from the clock's law"
        axes.set_title(measured if self.measured_s.size else "dashed: from the clock's law")


def demonstrate_modulation(subject: Subject) -> list[Modulation | Omission]:
    """Measure a tone's pitch; where the modulation is off or bends little, on a changed copy (too)."""
    try:
        if not subject.circuit.lfo.deviation:
            return [_measure(_given(subject, "its modulation is off"))]
        own = _measure(subject)
        return [own, _measure(_given(subject, "its modulation bends the pitch little"), "modulation-more")] if (
            own.weak
        ) else [own]  # fmt: skip
    except (VoicingError, CircuitError) as error:
        return [Omission(Modulation.title, str(error))]


def _given(subject: Subject, reason: str) -> Subject:
    """A copy with a modulation that bends the pitch audibly: the depth from ``2 d |sin(pi f t)|`` for a sine."""
    modulation, time_ms = subject.shown.modulation, subject.shown.delay.time_ms
    slow = time_ms >= SLOW_FROM_MS
    rate_hz = SLOW_HZ if slow else FAST_HZ
    if modulation.range != "off":
        slow, rate_hz = modulation.range == "slow", modulation.rate_hz
    bend = max(2 * abs(np.sin(np.pi * rate_hz * time_ms / 1e3)) * 1200 / np.log(2), 1e-3)
    high = parameter("modulation.depth_percent").high
    depth_percent = float(np.clip(round(100 * GIVEN_CENTS / bend, 1), 0.1, high))
    values: dict[str, float | str] = {
        "modulation.range": "slow" if slow else "fast", "modulation.rate_hz": rate_hz,
        "modulation.depth_percent": depth_percent, "modulation.shape": "sine",
    }  # fmt: skip
    low_hz, high_hz = RATE_SPAN_HZ["slow" if slow else "fast"]
    values["modulation.rate_hz"] = float(np.clip(rate_hz, low_hz, high_hz))
    try:
        return subject.changed(values, reason)
    except (VoicingError, CircuitError):  # the clock would run too fast at the short end of the time control
        shortest_ms = round(0.7 * time_ms + 0.3 * subject.shown.delay.longest_ms, 2)
        return subject.changed(
            values | {"delay.time_ms": shortest_ms, "delay.shortest_ms": shortest_ms}, reason
        )


def _measure(subject: Subject, name: str = "modulation") -> Modulation:
    circuit = subject.circuit
    tone_hz = float(np.clip(circuit.loudest_hz(circuit.clock_hz), 200, 800))
    predicted_s, predicted_cents = predict.cents_over_time(circuit)
    cutoffs_hz = (half_power_hz(circuit.anti_alias), half_power_hz(circuit.reconstruction))
    readable = min(cutoffs_hz) > 2.5 * tone_hz and float(np.abs(predicted_cents).max()) < MOST_CENTS
    measured_s, measured_cents = probes.cents_over_time(circuit, tone_hz) if readable else (np.empty(0), np.empty(0))
    seconds = circuit.time_s + SNIPPET_S
    y = probes.played(probes.echo_alone(probes.modulated(circuit)), probes.tone(tone_hz, seconds, 0.1))
    y = y[int(circuit.time_s * probes.RATE_HZ) :]
    return Modulation(
        subject, tone_hz, predicted_s, predicted_cents, measured_s, measured_cents,
        SNIPPET_PEAK * y / max(float(np.abs(y).max()), 1e-9), name,
    )  # fmt: skip
