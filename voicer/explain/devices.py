"""One long device or several short ones: noise and response of two lines with equally many buckets."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from voicer.circuit.devices import DEVICE_CLASSES
from voicer.drawing.axes import scale_frequency
from voicer.drawing.paper import INK
from voicer.errors import CircuitError, VoicingError
from voicer.explain.chapter import TEXT, Array, Chapter, Omission, decibels
from voicer.explain.claims import Claim, Subject, changes_between
from voicer.measure import predict, probes
from voicer.measure.meters import spectrum
from voicer.voicing import parameter

NOISE_S, SEGMENT_S = 3.0, 0.085
"""Noise is measured for so long, its spectrum averaged over such segments."""

SHOWN_DB = -40.0
"""Responses are compared as far as they are louder than this."""

LINE_STAGES = 4096
"""Buckets of a copy for a voicing whose line cannot be made of other devices."""

STYLES = ("-", "--")


@dataclass(frozen=True)
class Line:
    """Noise and response of one line."""

    subject: Subject
    noise_dbv: float
    """At the output, compander held, nothing at the input, 0..24 kHz."""
    f_hz: Array
    density_db: Array
    """Measured, dB re 1 V²/Hz."""
    predicted_db: Array
    """[shape like `GRID_HZ`]"""
    response_hz: Array
    response_db: Array

    @property
    def label(self) -> str:
        """``2 x 4096 stages``."""
        line = self.subject.circuit.line
        return f"{line.devices} x {line.device.stages} stages"


GRID_HZ = np.geomspace(40.0, 20_000.0, 200)


@dataclass(frozen=True)
class Devices(Chapter):
    """Two lines of equally many buckets at the same delay: the voicing's own first, if it can be divided otherwise."""

    lines: tuple[Line, Line]

    name = "devices"
    title = "One long device or several short ones"
    size = (9.0, 4.6)

    @property
    def subject(self) -> Subject:  # type: ignore[override]
        """What the first line belongs to."""
        return self.lines[0].subject

    @property
    def claims(self) -> tuple[Claim, ...]:
        """Which lines, how much noise each, why, and how far the responses differ."""
        first, second = self.lines
        one, other = first.subject.circuit, second.subject.circuit
        which = Claim(
            "devices.lines",
            "{first} and {second} hold equally many samples, {periods:.0f}, and give the same {time_ms:.4g} ms, at "
            "clocks of {clock_khz:.2f} and {other_khz:.2f} kHz. The second is a changed copy: {changes}.",
            {"first": first.label, "second": second.label, "periods": one.line.periods,
             "time_ms": 1e3 * one.time_s, "clock_khz": one.clock_hz / 1e3, "other_khz": other.clock_hz / 1e3,
             "changes": "; ".join(changes_between(first.subject.shown, second.subject.shown).values())},
        )  # fmt: skip
        difference_db = second.noise_dbv - first.noise_dbv
        noise = Claim(
            "devices.noise",
            "With nothing at the input and the compander held, the first leaves {first_dbv:.1f} dBV of noise at the "
            "output, the second {second_dbv:.1f} dBV: {difference_db:.1f} dB {words}.",
            {"first_dbv": first.noise_dbv, "second_dbv": second.noise_dbv, "difference_db": abs(difference_db),
             "words": "more" if difference_db >= 0 else "less"},
        )  # fmt: skip
        why = Claim(
            "devices.why",
            "Each device adds the noise of its own input and output, {ratio:.3g} times the power with {more} devices "
            "instead of {fewer}; the transfers, equally many, add the same.",
            {"ratio": max(one.line.devices, other.line.devices) / min(one.line.devices, other.line.devices),
             "more": max(one.line.devices, other.line.devices), "fewer": min(one.line.devices, other.line.devices)},
        )  # fmt: skip
        shown = (first.response_db > SHOWN_DB) & (second.response_db > SHOWN_DB)
        apart = Claim(
            "devices.response",
            "Down to {shown_db:.0f} dB their responses differ by at most {apart_db:.2f} dB.",
            {"shown_db": SHOWN_DB,
             "apart_db": float(np.abs(first.response_db - second.response_db)[shown].max(initial=0.0))},
        )  # fmt: skip
        return (which, noise, why, apart)

    def draw(self, figure: Any) -> None:
        """Noise on the left, response on the right."""
        left, right = figure.subplots(1, 2)
        top = max(float(line.predicted_db.max()) for line in self.lines)
        for line, style in zip(self.lines, STYLES, strict=True):
            left.plot(line.f_hz, line.density_db, style, color=INK, linewidth=0.4, alpha=0.5)
            left.plot(GRID_HZ, line.predicted_db, style, color=INK, label=f"{line.label}: {line.noise_dbv:.1f} dBV")
            right.plot(line.response_hz, line.response_db, style, color=INK, label=line.label)
        scale_frequency(left, GRID_HZ[0], GRID_HZ[-1])
        scale_frequency(right, GRID_HZ[0], float(self.lines[0].response_hz[-1]))
        left.set(ylim=(top - 50, top + 12), ylabel="noise, dB re 1 V²/Hz", title="noise, no input, compander held")
        right.set(ylim=(SHOWN_DB, 6), ylabel="level, dB", title="response, from the circuit")
        for axes in (left, right):
            axes.legend(loc="lower left", frameon=False, fontsize=TEXT - 1)


def demonstrate_devices(subject: Subject) -> list[Devices | Omission]:
    """Compare the voicing's line with the one most unlike it that holds as many samples; else one of 4096 stages."""
    try:
        if not subject.shown.flaws.noise:
            subject = subject.changed({"flaws.noise": 1.0}, "it has no noise (flaws.noise is 0)")
        if not _divisions(subject):
            subject = _divisible(subject)
        stages, devices = max(_divisions(subject), key=lambda one: abs(np.log(one[1] / subject.shown.line.devices)))
        other = subject.changed({"line.stages": stages, "line.devices": devices})
        clock_hz = min(subject.circuit.clock_hz, other.circuit.clock_hz)
        f_hz = np.geomspace(GRID_HZ[0], min(0.45 * clock_hz, 20_000.0), 200)
        return [Devices((_measure(subject, f_hz), _measure(other, f_hz)))]
    except (VoicingError, CircuitError) as error:
        return [Omission(Devices.title, str(error))]


def _divisions(subject: Subject) -> list[tuple[int, int]]:
    """Other stages and devices with equally many buckets."""
    line, most = subject.shown.line, parameter("line.devices").high
    whole = line.stages * line.devices
    return [
        (stages, whole // stages)
        for stages in DEVICE_CLASSES
        if whole % stages == 0 and whole // stages <= most and stages != line.stages
    ]


def _divisible(subject: Subject) -> Subject:
    """A copy with one device of `LINE_STAGES` at the voicing's own clock, its times longer by as much."""
    line, delay = subject.shown.line, subject.shown.delay
    factor = LINE_STAGES / (line.stages * line.devices)
    times = {
        f"delay.{key}": round(factor * getattr(delay, key), 3) for key in ("shortest_ms", "time_ms", "longest_ms")
    }
    reason = (
        f"{line.devices} x {line.stages} stages cannot be made of other devices; times are {factor:.3g} times as long, "
        f"so that the clock stays about the same"
    )
    return subject.changed({"line.stages": LINE_STAGES, "line.devices": 1} | times, reason)


def _measure(subject: Subject, response_hz: Array) -> Line:
    circuit = predict.held(probes.at_rest(subject.circuit))
    y = probes.silence(circuit, NOISE_S)
    f_hz, density = spectrum(y, probes.RATE_HZ, SEGMENT_S)
    return Line(
        subject, float(decibels(np.std(y))), f_hz[2:], 10 * np.log10(density[2:] + 1e-30),
        10 * np.log10(predict.noise_density(circuit, GRID_HZ) + 1e-30),
        response_hz, np.asarray(decibels(predict.wet(circuit, response_hz))),
    )  # fmt: skip
