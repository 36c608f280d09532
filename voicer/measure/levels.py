"""How loud a voicing is: beside the guitar, beside the others, bypassed, and when it runs away."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from voicer.board.part_choice import PartChoice
from voicer.circuit.arrays import Array
from voicer.circuit.circuit import Circuit
from voicer.dsp.ceiling import Ceiling
from voicer.dsp.coefficients import CEILING_DB, ceiling_numbers, echo_coefficients
from voicer.dsp.echo import Echo
from voicer.dsp.rendering import render
from voicer.measure import probes
from voicer.measure.meters import loudness_lufs
from voicer.measure.predict import energy_above_half_clock_db
from voicer.voicing import Voicing, parameter

GROWING_S, SETTLED_S = 15.0, 3.0
"""How long a runaway is left alone after the guitar, and over how much of the end its loudness is taken."""

_BURST_S = 0.5


@dataclass(frozen=True)
class Levels:
    """Levels of one voicing over one guitar recording."""

    name: str
    loudness_lufs: float
    """Of the voicing's output."""
    over_guitar_lu: float
    """The same above the guitar alone."""
    dry_db: float
    """Gain of the dry signal with the effect on; -inf for echo only."""
    bypass_db: float
    """Gain of the dry signal with the effect bypassed."""
    runaway_over_guitar_lu: float
    """Loudest settled runaway above the guitar alone, feedback full up, over the time control's span."""
    runaway_time_ms: float
    """Delay at which it is that loud."""
    runaway_peak_dbfs: float
    """Its highest peak."""
    ceiling_reduction_db: float
    """Most the output ceiling takes off it: 0, the ceiling is idle."""
    above_half_clock_db: float
    """Energy of the guitar that enters the line above half the clock, relative to all that enters: it folds."""


def measure_levels(voicing: Voicing, guitar: Array, parts: PartChoice | None = None) -> Levels:
    """Levels of a voicing, all read from rendered sound but the last.

    Parameters
    ----------
    voicing : Voicing
    guitar : array [shape=(frames,)]
        At the bench's 48 kHz; 1.0 is full scale and one volt.
    parts : PartChoice, optional
        Which parts are heard; left out, exact values.
    """
    parts, rate_hz = parts or PartChoice(), probes.RATE_HZ
    circuit = parts.circuit(voicing)
    alone_lufs = loudness_lufs(guitar, rate_hz)
    lufs = loudness_lufs(render(guitar, rate_hz, circuit, ceiling_db=None), rate_hz)
    wild = voicing.changed({"repeats.feedback": parameter("repeats.feedback").high})
    howls = []
    for time_s in _times_s(circuit):
        turned = parts.circuit(wild.changed({"delay.time_ms": 1e3 * time_s}))
        howls.append((time_s, *_runaway(turned, guitar, rate_hz)))
    time_s, howl_lufs, _, _ = max(howls, key=lambda howl: howl[1])
    return Levels(
        voicing.name, lufs, lufs - alone_lufs,
        _dry_db(circuit, rate_hz, bypassed=False), _dry_db(circuit, rate_hz, bypassed=True),
        howl_lufs - alone_lufs, 1e3 * time_s, max(peak for _, _, peak, _ in howls),
        max(reduction for *_, reduction in howls), energy_above_half_clock_db(circuit, guitar, rate_hz),
    )  # fmt: skip


def as_data(levels: Levels) -> dict[str, Any]:
    """The same as plain data; what is endless becomes None."""
    return {key: value if not isinstance(value, float) or np.isfinite(value) else None
            for key, value in asdict(levels).items()}  # fmt: skip


def _times_s(circuit: Circuit) -> list[float]:
    middle_s = float(np.sqrt(circuit.shortest_s * circuit.longest_s))
    held = [min(max(time_s, circuit.shortest_s * 1.0001), circuit.longest_s * 0.9999) for time_s in (0.0, 1e3)]
    return [circuit.time_s, held[0], middle_s, held[1]]


def _dry_db(circuit: Circuit, rate_hz: int, *, bypassed: bool) -> float:
    """Gain of a click before its first echo has come."""
    coefficients = echo_coefficients(circuit, rate_hz, bypass="cut" if bypassed else "off")
    click = np.zeros(8)
    click[0] = 0.5
    Echo(coefficients, rate_hz).process(click, click)
    gain = abs(float(click[0])) / 0.5
    return 20 * float(np.log10(gain)) if gain > 1e-5 else -np.inf


def _runaway(circuit: Circuit, guitar: Array, rate_hz: int) -> tuple[float, float, float]:
    """Settled loudness, LUFS, highest peak, dBFS, and most that the ceiling takes off, dB."""
    x = np.concatenate((guitar[: int(_BURST_S * rate_hz)], np.zeros(int(GROWING_S * rate_hz))))
    y = render(x, rate_hz, circuit, ceiling_db=None)[-int(SETTLED_S * rate_hz) :]
    held = y.copy()
    Ceiling(ceiling_numbers(CEILING_DB, rate_hz)).process(held, held)
    heard = np.abs(y) > 1e-6
    share = float(np.min(np.abs(held[heard]) / np.abs(y[heard]), initial=1.0))
    peak = float(np.abs(y).max())
    return loudness_lufs(y, rate_hz), 20 * float(np.log10(max(peak, 1e-9))), -20 * float(np.log10(share))
