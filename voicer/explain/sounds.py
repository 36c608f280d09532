"""Snippets that let one flaw be heard at a time, all at the same loudness."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from voicer.board import design
from voicer.circuit import Circuit
from voicer.circuit.mixing import dry_share, echo_share
from voicer.dsp.coefficients import echo_coefficients
from voicer.dsp.echo import Echo
from voicer.measure import probes
from voicer.measure.bench import shipped_riff
from voicer.measure.meters import loudness_lufs
from voicer.voicing import Flaws, Voicing, parameter

Array = NDArray[np.float64]

PHRASE_S, TAIL_S = 6.0, 2.5
MOST_FEEDBACK = 0.8
"""A phrase is not played through a loop that runs away."""

WILD_GAIN, STARTED_S, STARTED_DB = 1.2, 0.5, -20.0
"""Loop gain of the runaway; how much of the riff starts it, and how far down, so that it can be heard to grow."""

PEAK_DB = -1.0
"""No snippet reaches higher."""

FLAW_WORDS = {
    "transfer_loss": "a little of each charge stays behind at every transfer: the highs fade, more at fast clocks",
    "saturation": "buckets have a soft and uneven limit: loud notes are rounded off",
    "leakage": "charge leaks while it waits: long delays lose level and headroom",
    "noise": "every device and every transfer adds a hiss",
    "clock_bleed": "the clock gets through to the output, as a whine where it can be heard",
}


@dataclass(frozen=True)
class Snippet:
    """One sound of the set."""

    name: str
    words: str
    samples: Array


def flaw_snippets(voicing: Voicing) -> list[Snippet]:
    """An ideal delay, no flaw, each flaw alone, and all as the voicing has them, at the same loudness."""
    tame = voicing.changed({"repeats.feedback": min(voicing.repeats.feedback, MOST_FEEDBACK)})
    none = _with_flaws(tame)
    wanted = [("no-flaws", "the voicing's filters, compander and modulation, no flaw of the devices", none)]
    wanted += [
        (f"only-{flaw.replace('_', '-')}", f"only this: {words}", _with_flaws(tame, **{flaw: 1.0}))
        for flaw, words in FLAW_WORDS.items()
    ]
    every = _with_flaws(tame, **dict.fromkeys(FLAW_WORDS, 1.0))
    wanted.append(("all-flaws", "all flaws as the device class has them", every))
    x = np.concatenate((shipped_riff()[: int(PHRASE_S * probes.RATE_HZ)], np.zeros(int(TAIL_S * probes.RATE_HZ))))
    played = [("ideal", "an ideal delay: the same time, feedback and blend and nothing else", _ideal_delay(tame, x))]
    played += [(name, words, probes.played(design(one), x)) for name, words, one in wanted]
    return _matched(played)


def runaway(voicing: Voicing) -> tuple[Array, float, Circuit, Circuit]:
    """A loop that runs away at the long end of the time control and is dropped to the short end.

    Returns
    -------
    (volts [shape=(frames,)], when it was dropped in s, circuit before, circuit after)
    """
    wild = voicing.changed({"repeats.feedback": 1.0, "output.blend": 1.0, "output.level_db": 0.0,
                            "delay.time_ms": voicing.delay.longest_ms, "modulation.range": "off"})  # fmt: skip
    at_one = design(wild)
    feedback = min(WILD_GAIN / at_one.loop_gain(at_one.clock_hz), parameter("repeats.feedback").high)
    wild = wild.changed({"repeats.feedback": feedback})
    before = design(wild)
    after = design(wild.changed({"delay.time_ms": voicing.delay.shortest_ms}))
    dropped_s = float(np.clip(30 * before.time_s, 6, 14))
    y = np.zeros(int((dropped_s + 6) * probes.RATE_HZ) // 64 * 64)
    soft = 10 ** (STARTED_DB / 20)
    y[: int(STARTED_S * probes.RATE_HZ)] = soft * shipped_riff()[: int(STARTED_S * probes.RATE_HZ)]
    echo = Echo(echo_coefficients(before, probes.RATE_HZ), probes.RATE_HZ)
    at = int(dropped_s * probes.RATE_HZ) // 64 * 64
    echo.process(y[:at], y[:at])
    echo.glide_to(echo_coefficients(after, probes.RATE_HZ))
    echo.process(y[at:], y[at:])
    return y, dropped_s, before, after


def _matched(played: list[tuple[str, str, Array]]) -> list[Snippet]:
    """All brought to one loudness, as high as the one with the most peak allows."""
    loudness = [loudness_lufs(y, probes.RATE_HZ) for _, _, y in played]
    room = [level - 20 * np.log10(np.abs(y).max()) for level, (_, _, y) in zip(loudness, played, strict=True)]
    target = min(room) + PEAK_DB
    return [
        Snippet(name, words, y * 10 ** ((target - level) / 20))
        for level, (name, words, y) in zip(loudness, played, strict=True)
    ]


def _with_flaws(voicing: Voicing, **flaws: float) -> Voicing:
    values: dict[str, Any] = dict.fromkeys(Flaws.model_fields, 0.0) | flaws
    return voicing.changed({f"flaws.{name}": value for name, value in values.items()})


def _ideal_delay(voicing: Voicing, x: Array) -> Array:
    """Dry sound and exact copies of it, each weaker by the feedback than the one before."""
    frames = round(1e-3 * voicing.delay.time_ms * probes.RATE_HZ)
    feedback, blend = voicing.repeats.feedback, voicing.output.blend
    wet = np.zeros_like(x)
    for start in range(frames, x.size, frames):
        piece = slice(start, min(start + frames, x.size))
        before = slice(start - frames, piece.stop - frames)
        wet[piece] = x[before] + feedback * wet[before]
    return np.asarray(dry_share(blend) * x + echo_share(blend) * wet)
