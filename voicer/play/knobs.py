"""The parameters of a voicing as knobs for two keys: one step up, one step down."""

from __future__ import annotations

from math import floor, log10
from typing import Any

from voicer.control.maps import playable_span
from voicer.voicing import Voicing, parameter, parameters

_FIRST = (
    "delay.time_ms", "repeats.feedback", "output.blend", "output.level_db", "modulation.range", "modulation.rate_hz",
    "modulation.depth_percent", "filters.anti_alias.cutoff_hz", "filters.reconstruction.cutoff_hz",
)  # fmt: skip

_RATIO = 1.03
"""One step of what is heard in ratios, half a semitone."""

_STEPS = 100
"""Steps over the whole span of what is heard in differences, at least."""


def list_knobs() -> tuple[str, ...]:
    """Keys of all parameters that can be turned, the ones most often wanted first."""
    turnable = [key for key, found in parameters().items() if found.kind != "text"]
    return (*_FIRST, *(key for key in turnable if key not in _FIRST))


def turned(key: str, value: Any, steps: int, voicing: Voicing) -> Any:
    """The value of a parameter some steps up or down, held within the span that the voicing gives it.

    Times and frequencies move by 3 % a step, other numbers by a round amount, some 1 % of their span; a choice moves
    to its neighbour and stops at the ends.
    """
    knob = parameter(key)
    if knob.kind in ("switch", "choice"):
        at = knob.choices.index(value) + steps
        return knob.choices[min(max(at, 0), len(knob.choices) - 1)]
    low, high = playable_span(key, voicing)
    if knob.kind == "whole":
        return min(max(value + steps, int(low)), int(high))
    if knob.unit in ("ms", "Hz"):
        return min(max(float(f"{value * _RATIO**steps:.4g}"), low), high)
    step = _round_step((high - low) / _STEPS)
    return min(max(float(f"{round(value / step + steps) * step:.10g}"), low), high)


def _round_step(most: float) -> float:
    """The largest of 1, 2 or 5 times a power of ten that is not above ``most``."""
    decade = 10.0 ** floor(log10(most))
    return next(part * decade for part in (5, 2, 1) if part * decade <= most * (1 + 1e-9))
