"""A tone above half the clock, and the lower copy of it that comes out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from voicer.circuit.filters import gain
from voicer.drawing.paper import GUIDE, INK, hertz
from voicer.errors import CircuitError, VoicingError
from voicer.explain.chapter import TEXT, Array, Chapter, Omission, decibels, sine
from voicer.explain.claims import Claim, Subject
from voicer.measure import predict, probes
from voicer.measure.bench import shipped_riff
from voicer.measure.meters import tone_level
from voicer.voicing import parameter

FOLDED_AT, LEAST_AT = 0.8, 0.55
"""The tone, as a share of the clock, and the lowest share it is moved to so as to be heard itself."""

HIGHEST_HZ = 16_000.0
"""A tone above this is not heard by most people (common practice, no source)."""

SLOWED_HZ = 10_000.0
"""Clock of a copy whose own clock is too fast to fold anything heard."""

WEAK_DB = -35.0
"""A copy of the tone softer than this is shown again with the anti-alias filter opened. Chosen."""

OPENED_AT = 0.9
"""Cutoff of the opened anti-alias filter, as a share of the clock."""

TONE_V = 0.3


@dataclass(frozen=True)
class Folding(Chapter):
    """Spectra of the tone before and after the echo."""

    subject: Subject
    tone_hz: float
    clock_hz: float
    f_hz: Array
    in_db: Array
    """Relative to the tone."""
    out_db: Array
    copy_hz: float
    """Where the tone comes out: its distance from the clock."""
    copy_db: float
    name: str = "folding"

    title = "A tone above half the clock"
    size = (8.0, 5.0)

    @property
    def weak(self) -> bool:
        """Whether the copy is too soft to show much."""
        return self.copy_db < WEAK_DB

    @property
    def claims(self) -> tuple[Claim, ...]:
        """Where the tone comes out, what the filter does about it, and what of the riff is affected."""
        circuit = self.subject.circuit
        copy = Claim(
            "folding.copy",
            "A tone of {tone_hz:.0f} Hz, above half the clock ({half_hz:.0f} Hz), has the same samples as one of "
            "{copy_hz:.0f} Hz, its distance from the clock. So a lower copy comes out, at {copy_db:.1f} dB.",
            {"tone_hz": self.tone_hz, "half_hz": self.clock_hz / 2, "copy_hz": self.copy_hz, "copy_db": self.copy_db},
        )
        loss_db = -float(decibels(gain(circuit.anti_alias, np.array(self.tone_hz))))
        kept = Claim(
            "folding.filter",
            "The anti-alias filter attenuates the tone by {loss_db:.1f} dB before it is sampled.",
            {"loss_db": loss_db},
        )
        energy_db = predict.energy_above_half_clock_db(circuit, shipped_riff(), probes.RATE_HZ)
        riff = Claim(
            "folding.riff",
            "Of the riff's energy behind that filter, the part above half the clock is at {energy_db:.1f} dB of the "
            "whole.",
            {"energy_db": energy_db},
        )
        weak = Claim("folding.weak", "That is too soft to show much: the next picture lets more of the tone in.")
        return (copy, kept, *((riff,) if np.isfinite(energy_db) else ()), *((weak,) if self.weak else ()))

    def draw(self, figure: Any) -> None:
        """Spectrum in, spectrum out."""
        top, bottom = figure.subplots(2, 1, sharex=True, sharey=True)
        for axes, level_db, title in ((top, self.in_db, "input"), (bottom, self.out_db, "output, as measured")):
            axes.plot(self.f_hz, level_db, color=INK, linewidth=0.9)
            axes.axvline(self.clock_hz / 2, color=GUIDE, linestyle="--", linewidth=0.8)
            axes.set(ylim=(-100, 16), ylabel="dB of the tone", title=title)
        top.text(self.tone_hz, 3, f"{self.tone_hz:.0f} Hz", fontsize=TEXT, ha="center")
        top.text(self.clock_hz / 2, 3, "half the clock ", fontsize=TEXT, color=GUIDE, ha="right")
        note = f"{self.copy_hz:.0f} Hz, {self.copy_db:.1f} dB"
        bottom.text(self.copy_hz, self.copy_db + 3, note, fontsize=TEXT, ha="center")
        bottom.set(xlim=(0, min(1.2 * self.clock_hz, probes.RATE_HZ / 2)), xlabel="frequency, Hz")
        bottom.xaxis.set_major_formatter(hertz)


def demonstrate_folding(subject: Subject) -> list[Folding | Omission]:
    """Play a tone above half the clock; where the voicing's copy of it is weak or unheard, on a changed copy too."""
    try:
        if LEAST_AT * subject.circuit.clock_hz > HIGHEST_HZ:
            return [_strong_enough(_slowed(subject))]
        own = _measure(subject)
        if not own.weak:
            return [own]
        opened = _opened(subject, "folding-open")
        return [own, _opened(_slowed(subject), "folding-open") if opened.weak else opened]
    except (VoicingError, CircuitError) as error:
        return [Omission(Folding.title, str(error))]


def _slowed(subject: Subject) -> Subject:
    reason = f"half its clock is {subject.circuit.clock_hz / 2e3:.1f} kHz, and hardly anything that is heard folds"
    return slow_clock(subject, SLOWED_HZ, reason)


def slow_clock(subject: Subject, clock_hz: float, reason: str) -> Subject:
    """A copy whose time is lengthened until its clock is that slow."""
    circuit, delay = subject.circuit, subject.shown.delay
    time_ms = round(1e3 * (circuit.line.periods / clock_hz + float(circuit.filter_delay_s)), 1)
    longest_ms = max(delay.longest_ms, time_ms)
    return subject.changed({"delay.longest_ms": longest_ms, "delay.time_ms": time_ms}, reason)


def _strong_enough(subject: Subject) -> Folding:
    found = _measure(subject)
    return _opened(subject, "folding") if found.weak else found


def _opened(subject: Subject, name: str) -> Folding:
    wide_hz = min(round(OPENED_AT * subject.circuit.clock_hz), parameter("filters.anti_alias.cutoff_hz").high)
    opened = {"filters.anti_alias.cutoff_hz": wide_hz, "filters.anti_alias.order": 2}
    return _measure(subject.changed(opened, "its anti-alias filter keeps the tone out"), name)


def _measure(subject: Subject, name: str = "folding") -> Folding:
    circuit = subject.circuit
    clock_hz = circuit.clock_hz
    tone_hz = min(FOLDED_AT * clock_hz, HIGHEST_HZ)
    x = TONE_V * sine(tone_hz, 1.0 + circuit.time_s)
    y = probes.played(probes.echo_alone(probes.linear(circuit)), x)
    size = probes.RATE_HZ // 2
    window = np.blackman(size)
    in_db, out_db = (
        decibels(np.fft.rfft(one[-size:] * window) * 2 / window.sum() / TONE_V) for one in (x, y)
    )
    f_hz: Array = np.fft.rfftfreq(size, 1 / probes.RATE_HZ).astype(np.float64)
    copy_hz = predict.folded_hz(tone_hz, clock_hz)
    share = tone_level(y[-size:], probes.RATE_HZ, copy_hz) / TONE_V
    return Folding(subject, tone_hz, clock_hz, f_hz, in_db, out_db, copy_hz, float(decibels(share)), name)
