"""Figures of two voicings side by side, and which differences can be heard: each threshold with its source."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from voicer.circuit import Circuit
from voicer.circuit.figure import Figure
from voicer.circuit.filters import gain, half_power_hz
from voicer.dsp.rendering import render
from voicer.measure import predict
from voicer.measure.meters import centroid_hz, weighted_rms

MOST_DB = 60.0
"""Decays and ratios are limited to this: nothing beyond it is heard."""

LEAST_NOISE_DB = -60.0
"""Noise further below the music is taken as this: it drowns in that of a quiet room. Chosen."""

LEAST_FOLDING_DB = -60.0
"""The same for what folds. Chosen."""

MOST_DECIMALS = 9

_REST_S, _SETTLE_S = 1.0, 1.0
_ROUNDING = 1e-9
"""A difference this close to its threshold, relative to it, has reached it: unit conversions round."""


class Rule(ABC):
    """When two values are heard as different."""

    @abstractmethod
    def heard(self, a: float, b: float) -> bool:
        """Whether a listener hears the difference."""

    @abstractmethod
    def describe(self, unit: str) -> str:
        """The rule in words, with its source."""

    def threshold(self, a: float, b: float) -> float | None:
        """The smallest difference that is heard, in the figure's unit; None where its size does not decide."""
        return None


@dataclass(frozen=True)
class AtLeast(Rule):
    """Heard from a fixed difference on."""

    least: float
    source: str

    def heard(self, a: float, b: float) -> bool:
        """Whether a listener hears the difference."""
        return a != b and abs(b - a) >= self.least * (1 - _ROUNDING)

    def threshold(self, a: float, b: float) -> float | None:
        """The same for all values, in the figure's unit."""
        return self.least

    def describe(self, unit: str) -> str:
        """``5 ms, chosen``."""
        return f"{self.least:g} {'LU' if unit == 'LUFS' else unit}, {self.source}"


@dataclass(frozen=True)
class Share(Rule):
    """Heard from a share of the smaller value on."""

    share: float
    source: str

    def heard(self, a: float, b: float) -> bool:
        """Whether a listener hears the difference."""
        return a != b and abs(b - a) >= self.share * min(abs(a), abs(b)) * (1 - _ROUNDING)

    def threshold(self, a: float, b: float) -> float | None:
        """In the figure's unit."""
        return self.share * min(abs(a), abs(b))

    def describe(self, unit: str) -> str:
        """``10 % of the smaller value, chosen``."""
        return f"{100 * self.share:g} % of the smaller value, {self.source}"


@dataclass(frozen=True)
class Edge(Rule):
    """Heard when one value has reached the edge and the other has not."""

    edge: float
    source: str

    def heard(self, a: float, b: float) -> bool:
        """Whether a listener hears the difference."""
        return (a >= self.edge) != (b >= self.edge)

    def describe(self, unit: str) -> str:
        """``only one reaches 1, the edge of self-oscillation``."""
        return f"only one reaches {self.edge:g}, {self.source}"


@dataclass(frozen=True)
class Unheard(Rule):
    """Never heard, whatever the size of the difference."""

    source: str

    def heard(self, a: float, b: float) -> bool:
        """False."""
        return False

    def describe(self, unit: str) -> str:
        """Why it is not heard."""
        return self.source


PITCH = AtLeast(10, "Hill & Summers, JASA 2007, pp. 2376-2383 (intervals of a melody)")
LEVEL = AtLeast(1, "chosen")
TIME = AtLeast(5, "chosen")
CUTOFF = Share(0.1, "chosen")
LOW_CUT = Share(0.25, "chosen")
RATE = Share(0.1, "chosen")
BRIGHTNESS = Share(0.05, "chosen")
NOISE = AtLeast(3, "chosen")
FOLDING = AtLeast(3, "chosen")
EDGE = Edge(1.0, "the edge of self-oscillation")

LET_THROUGH_DB = -40.0
"""Gain of both low-passes at half the clock from which on what folds there counts. Chosen."""

STOPPED = Unheard(f"not heard: both voicings' filters hold half the clock below {LET_THROUGH_DB:g} dB")


@dataclass(frozen=True)
class Row(Figure):
    """One figure of A and of B."""

    a: float | None
    """None: there is nothing, such as the rate of a modulation that is off."""
    b: float | None
    rule: Rule | None
    """None: printed, not judged."""

    @property
    def heard(self) -> bool | None:
        """Whether the difference can be heard, from unrounded values; None if it is not judged."""
        if self.rule is None or self.a is None or self.b is None:
            return None
        return self.rule.heard(self.a, self.b)

    @property
    def difference(self) -> float | None:
        """B less A, in the figure's unit."""
        return None if self.a is None or self.b is None else self.b - self.a

    @property
    def threshold(self) -> float | None:
        """The smallest difference that is heard, in the figure's unit; None where there is none."""
        if self.rule is None or self.a is None or self.b is None:
            return None
        return self.rule.threshold(self.a, self.b)

    @property
    def decimals(self) -> int:
        """At least four significant digits, and as many as the printed values need to show why the verdict is so."""
        size = max(abs(self.a or 0.0), abs(self.b or 0.0), 1e-9)
        fewest = int(np.clip(3 - np.floor(np.log10(size)), 0, 3))
        return next((one for one in range(fewest, MOST_DECIMALS) if self._is_clear(one)), MOST_DECIMALS)

    def text(self, value: float | None, sign: bool = False) -> str:
        """A value as it is printed: ``off``, ``6.03``, or with its sign ``+1.00``."""
        if value is None:
            return "off"
        return f"{round(value, self.decimals) + 0:{'+' if sign else ''}.{self.decimals}f}"

    def as_json(self) -> dict[str, Any]:
        """Plain data."""
        return {
            "key": self.key, "label": self.label, "unit": self.unit, "A": self.a, "B": self.b,
            "difference": self.difference, "can_be_heard": self.heard, "threshold": self.threshold,
            "rule": self.rule.describe(self.unit) if self.rule else None,
        }  # fmt: skip

    def _is_clear(self, decimals: int) -> bool:
        """Whether values, difference and threshold, each rounded, lead to the verdict of the unrounded ones."""
        if self.rule is None or self.a is None or self.b is None:
            return True
        if self.rule.heard(round(self.a, decimals), round(self.b, decimals)) != self.heard:
            return False
        if self.threshold is None:
            return True
        difference, threshold = round(abs(self.b - self.a), decimals), round(self.threshold, decimals)
        return (difference >= threshold and difference > 0) == self.heard


@dataclass(frozen=True)
class Heard:
    """One circuit and what came out of it."""

    circuit: Circuit
    sound: NDArray[np.float64]
    loudness_lufs: float
    """Before matching."""
    sample_rate_hz: float
    programme: NDArray[np.float64]
    """What went in."""


_Figure = tuple[str, str, str, Rule | None, Callable[[Heard], float | None]]
FIGURES: tuple[_Figure, ...] = (
    ("time_ms", "delay", "ms", TIME, lambda h: 1e3 * h.circuit.time_s),
    ("clock_hz", "clock", "Hz", None, lambda h: h.circuit.clock_hz),
    ("half_clock_hz", "half the clock", "Hz", CUTOFF, lambda h: h.circuit.clock_hz / 2),
    ("folding_db", "energy above half clock", "dB", FOLDING, lambda h: folding_db(h)),
    ("low_cut_hz", "low cut", "Hz", LOW_CUT, lambda h: h.circuit.low_cut_hz),
    ("anti_alias_hz", "anti-alias, -3 dB", "Hz", CUTOFF, lambda h: float(half_power_hz(h.circuit.anti_alias))),
    (
        "reconstruction_hz", "reconstruction, -3 dB", "Hz", CUTOFF,
        lambda h: float(half_power_hz(h.circuit.reconstruction)),
    ),
    ("loop_gain", "loop gain", "", EDGE, lambda h: h.circuit.loop_gain(h.circuit.clock_hz)),
    ("decay_db", "decay per repeat", "dB", LEVEL, lambda h: decay_per_repeat_db(h.circuit)),
    ("echo_to_dry_db", "echo to dry", "dB", LEVEL, lambda h: echo_to_dry_db(h.circuit)),
    ("rate_hz", "modulation rate", "Hz", RATE, lambda h: h.circuit.lfo.rate_hz if h.circuit.lfo.deviation else None),
    ("depth_percent", "modulation depth, clock", "%", None, lambda h: 100 * h.circuit.lfo.deviation),
    ("wobble_cents", "modulation depth, pitch", "cents", PITCH, lambda h: wobble_cents(h.circuit)),
    ("loudness_lufs", "loudness before matching", "LUFS", LEVEL, lambda h: h.loudness_lufs),
    ("noise_db", "noise at rest to music", "dB", NOISE, lambda h: noise_db(h)),
    ("centroid_hz", "spectral centroid", "Hz", BRIGHTNESS, lambda h: centroid_hz(h.sound, h.sample_rate_hz)),
)
"""Key, label, unit, rule, and how it is found."""


def rows_of(a: Heard, b: Heard) -> list[Row]:
    """All figures of both, in the order of the signal path."""
    rows = [Row(key, label, unit, find(a), find(b), rule) for key, label, unit, rule, find in FIGURES]
    if max(half_clock_gain_db(one.circuit) for one in (a, b)) < LET_THROUGH_DB:
        rows = [replace(row, rule=STOPPED) if row.key == "half_clock_hz" else row for row in rows]
    return rows


def half_clock_gain_db(circuit: Circuit) -> float:
    """Gain of both low-passes together at half the clock, dB."""
    at_hz = np.array(circuit.clock_hz / 2)
    return 20 * float(np.log10(gain(circuit.anti_alias, at_hz) * gain(circuit.reconstruction, at_hz)))


def decay_per_repeat_db(circuit: Circuit) -> float:
    """How much softer each repeat is at the loop's loudest frequency, at most 60 dB; negative when it grows."""
    loop_gain = circuit.loop_gain(circuit.clock_hz)
    return min(-20 * float(np.log10(loop_gain)), MOST_DB) if loop_gain > 0 else MOST_DB


def echo_to_dry_db(circuit: Circuit) -> float:
    """The mixer's gain for the echo relative to that for the dry signal, -60..60 dB."""
    wet, dry = (max(abs(one), 1e-9) for one in (circuit.mixer.wet_gain, circuit.mixer.dry_gain))
    return float(np.clip(20 * np.log10(wet / dry), -MOST_DB, MOST_DB))


def wobble_cents(circuit: Circuit) -> float:
    """Largest deviation of the first repeat's pitch from the note, cents."""
    return float(np.abs(predict.cents_over_time(circuit)[1]).max()) if circuit.lfo.deviation else 0.0


def noise_db(heard: Heard) -> float:
    """A-weighted level of the output with no input, relative to the loudness of the music, -60 dB at least."""
    rate_hz = heard.sample_rate_hz
    silence = np.zeros(round((_SETTLE_S + _REST_S) * rate_hz))
    rest = render(silence, rate_hz, heard.circuit)[round(_SETTLE_S * rate_hz) :]
    level = weighted_rms(rest, rate_hz, "A")
    below_db = 20 * float(np.log10(level)) - heard.loudness_lufs if level > 0 else LEAST_NOISE_DB
    return max(below_db, LEAST_NOISE_DB)


def folding_db(heard: Heard) -> float:
    """What the anti-alias filter passes above half the clock, relative to all it passes, -60 dB at least.

    Energy of the recording behind the low cut and the anti-alias filter.
    """
    share_db = predict.energy_above_half_clock_db(heard.circuit, heard.programme, heard.sample_rate_hz)
    return max(share_db, LEAST_FOLDING_DB)
