"""Figures of two voicings side by side, and which differences can be heard: each threshold with its source."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from voicer.circuit import Circuit
from voicer.circuit.filters import half_power_hz
from voicer.dsp.rendering import render
from voicer.measure import predict
from voicer.measure.meters import centroid_hz, weighted_rms

MOST_DB = 60.0
"""Decays and ratios beyond this are told as this: nothing of them is heard."""

LEAST_NOISE_DB = -60.0
"""Noise further below the music is told as this: it drowns in that of a quiet room. Chosen."""

_REST_S, _SETTLE_S = 1.0, 1.0


@dataclass(frozen=True)
class Rule:
    """From what difference on two values are heard as different."""

    least: float
    """In the figure's unit, or relative to the smaller value."""
    source: str
    relative: bool = False
    edge: float | None = None
    """Instead of a difference: one value reaches this, the other does not."""

    def heard(self, a: float, b: float) -> bool:
        """Whether these two differ enough."""
        if self.edge is not None:
            return (a >= self.edge) != (b >= self.edge)
        scale = min(abs(a), abs(b)) if self.relative else 1.0
        return abs(b - a) >= self.least * scale * (1 - 1e-9) and a != b

    def told(self, unit: str) -> str:
        """In words: ``5 ms, chosen``."""
        if self.edge is not None:
            return f"one of them past {self.edge:g}, {self.source}"
        unit = "LU" if unit == "LUFS" else unit
        return f"{100 * self.least:g} %, {self.source}" if self.relative else f"{self.least:g} {unit}, {self.source}"


PITCH = Rule(10, "Hill & Summers, JASA 2007, pp. 2376-2383 (intervals of a melody)")
LEVEL = Rule(1, "chosen")
TIME = Rule(5, "chosen")
CUTOFF = Rule(0.1, "chosen", relative=True)
LOW_CUT = Rule(0.25, "chosen", relative=True)
RATE = Rule(0.1, "chosen", relative=True)
BRIGHTNESS = Rule(0.05, "chosen", relative=True)
NOISE = Rule(3, "chosen")
EDGE = Rule(0, "the edge of self-oscillation", edge=1.0)


@dataclass(frozen=True)
class Row:
    """One figure of A and of B."""

    key: str
    """With its unit at the end."""
    label: str
    unit: str
    a: float | None
    """None: there is nothing, such as the rate of a modulation that is off."""
    b: float | None
    rule: Rule | None
    """None: told, not judged."""

    @property
    def heard(self) -> bool | None:
        """Whether the difference can be heard; None if it is not judged."""
        if self.rule is None or self.a is None or self.b is None:
            return None
        return self.rule.heard(self.a, self.b)

    def as_json(self) -> dict[str, Any]:
        """Plain data."""
        rule = self.rule.told(self.unit) if self.rule else None
        return {"key": self.key, "label": self.label, "unit": self.unit, "A": self.a, "B": self.b,
                "can_be_heard": self.heard, "threshold": rule}


@dataclass(frozen=True)
class Heard:
    """One circuit and what came out of it."""

    circuit: Circuit
    sound: NDArray[np.float64]
    loudness_lufs: float
    """Before matching."""
    sample_rate_hz: float


_Figure = tuple[str, str, str, Rule | None, Callable[[Heard], float | None]]
FIGURES: tuple[_Figure, ...] = (
    ("time_ms", "delay", "ms", TIME, lambda h: 1e3 * h.circuit.time_s),
    ("clock_hz", "clock", "Hz", None, lambda h: h.circuit.clock_hz),
    ("half_clock_hz", "half the clock", "Hz", None, lambda h: h.circuit.clock_hz / 2),
    ("low_cut_hz", "low cut", "Hz", LOW_CUT, lambda h: h.circuit.low_cut_hz),
    ("anti_alias_hz", "anti-alias, -3 dB", "Hz", CUTOFF, lambda h: float(half_power_hz(h.circuit.anti_alias))),
    (
        "reconstruction_hz", "reconstruction, -3 dB", "Hz", CUTOFF,
        lambda h: float(half_power_hz(h.circuit.reconstruction)),
    ),
    ("loop_gain", "loop gain", "", EDGE, lambda h: h.circuit.loop_gain(h.circuit.clock_hz)),
    ("decay_db", "decay per repeat", "dB", LEVEL, lambda h: decay_per_repeat_db(h.circuit)),
    ("echo_to_dry_db", "echo against dry", "dB", LEVEL, lambda h: echo_to_dry_db(h.circuit)),
    ("rate_hz", "modulation rate", "Hz", RATE, lambda h: h.circuit.lfo.rate_hz if h.circuit.lfo.deviation else None),
    ("depth_percent", "modulation depth, clock", "%", None, lambda h: 100 * h.circuit.lfo.deviation),
    ("wobble_cents", "modulation depth, pitch", "cents", PITCH, lambda h: wobble_cents(h.circuit)),
    ("loudness_lufs", "loudness before matching", "LUFS", LEVEL, lambda h: h.loudness_lufs),
    ("noise_db", "noise at rest against music", "dB", NOISE, lambda h: noise_db(h)),
    ("centroid_hz", "spectral centroid", "Hz", BRIGHTNESS, lambda h: centroid_hz(h.sound, h.sample_rate_hz)),
)
"""Key, label, unit, rule, and how it is found."""


def rows_of(a: Heard, b: Heard) -> list[Row]:
    """All figures of both, in the order of the signal path."""
    return [Row(key, label, unit, find(a), find(b), rule) for key, label, unit, rule, find in FIGURES]


def decay_per_repeat_db(circuit: Circuit) -> float:
    """How much softer each repeat is at the loop's loudest frequency, at most 60 dB; below 0 it grows."""
    gain = circuit.loop_gain(circuit.clock_hz)
    return min(-20 * float(np.log10(gain)), MOST_DB) if gain > 0 else MOST_DB


def echo_to_dry_db(circuit: Circuit) -> float:
    """Mixer's gain for the echo against that for the dry sound, -60..60 dB."""
    wet, dry = (max(abs(gain), 1e-9) for gain in (circuit.mixer.wet_gain, circuit.mixer.dry_gain))
    return float(np.clip(20 * np.log10(wet / dry), -MOST_DB, MOST_DB))


def wobble_cents(circuit: Circuit) -> float:
    """How far the first repeat's pitch moves from the note's at most, cents."""
    return float(np.abs(predict.cents_over_time(circuit)[1]).max()) if circuit.lfo.deviation else 0.0


def noise_db(heard: Heard) -> float:
    """A-weighted level of the output with nothing at the input against the loudness of the music, -60 dB at least."""
    rate_hz = heard.sample_rate_hz
    silence = np.zeros(round((_SETTLE_S + _REST_S) * rate_hz))
    rest = render(silence, rate_hz, heard.circuit)[round(_SETTLE_S * rate_hz) :]
    level = weighted_rms(rest, rate_hz, "A")
    below_db = 20 * float(np.log10(level)) - heard.loudness_lufs if level > 0 else LEAST_NOISE_DB
    return max(below_db, LEAST_NOISE_DB)
