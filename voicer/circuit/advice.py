"""What a circuit's figures mean for the player, in one line each."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from voicer.circuit.circuit import Circuit
from voicer.circuit.filters import half_power_hz


@dataclass(frozen=True)
class Remark:
    """One thing worth knowing about a circuit."""

    about: str
    """``folding``, ``images``, ``clock``, ``runaway`` or ``singing``."""
    line: str


def remarks(circuit: Circuit) -> tuple[Remark, ...]:
    """Everything worth a warning, the most audible first; empty for a circuit well inside its limits."""
    return (*_runaway(circuit), *_folding(circuit), *_rating(circuit))


def _runaway(circuit: Circuit) -> tuple[Remark, ...]:
    """Where the loop gain peaks over the time control's span, or whether a loop below its edge sings on in silence."""
    times_s = (circuit.time_s, *np.geomspace(circuit.shortest_s * 1.000001, circuit.longest_s, 11))
    gains = [(circuit.loop_gain(circuit.clock_for(float(time_s))), float(time_s)) for time_s in times_s]
    loudest, time_s = max(gains)
    if loudest >= 1:
        line = (
            f"loop gain reaches {loudest:.2f} at {time_s * 1e3:.3g} ms: it runs away by itself and gets loud suddenly; "
            f"start with the monitor low"
        )
        return (Remark("runaway", line),)
    silent = max(circuit.loop_gain_in_silence(circuit.clock_for(float(time_s))) for time_s in times_s)
    if silent < 1:
        return ()
    line = (
        f"loop gain stays at {loudest:.2f} but reaches {silent:.2f} below the compander's floor: "
        f"it may ring softly in silence; turn the feedback down to stop it"
    )
    return (Remark("singing", line),)


def _folding(circuit: Circuit) -> tuple[Remark, ...]:
    """The sample rate of a line must exceed twice the highest frequency let in (the sampling theorem).

    Told for the present time if it folds there, else for the longest if it folds there.
    """
    anti_alias_hz, reconstruction_hz = half_power_hz(circuit.anti_alias), half_power_hz(circuit.reconstruction)
    for time_s, clock_hz in ((circuit.time_s, circuit.clock_hz), (circuit.longest_s, circuit.slowest_clock_hz)):
        span = (
            f"at {time_s * 1e3:.4g} ms the clock is {clock_hz / 1e3:.2f} kHz, which is good up to "
            f"{clock_hz / 2e3:.2f} kHz, but the"
        )
        remedy = f"lower it to {clock_hz / 3:.0f}..{clock_hz / 2:.0f} Hz, shorten the time or use more stages"
        found = []
        if anti_alias_hz > clock_hz / 2:
            line = f"folds: {span} anti-alias filter passes {anti_alias_hz / 1e3:.2f} kHz; {remedy}"
            found.append(Remark("folding", line))
        if reconstruction_hz > clock_hz / 2:
            line = f"images: {span} reconstruction filter passes {reconstruction_hz / 1e3:.2f} kHz; {remedy}"
            found.append(Remark("images", line))
        if found:
            return tuple(found)
    return ()


def _rating(circuit: Circuit) -> tuple[Remark, ...]:
    device = circuit.line.device
    found = []
    if circuit.fastest_clock_hz > device.rated_clock_high_hz:
        found.append(
            Remark(
                "clock",
                f"at the shortest {circuit.shortest_s * 1e3:.4g} ms the clock is "
                f"{circuit.fastest_clock_hz / 1e3:.0f} kHz, "
                f"above the {device.rated_clock_high_hz / 1e3:.0f} kHz that {device.stages} stages are rated for: "
                f"charge transfer is incomplete",
            )
        )
    if circuit.slowest_clock_hz < device.rated_clock_low_hz:
        found.append(
            Remark(
                "clock",
                f"at the longest {circuit.longest_s * 1e3:.4g} ms the clock is "
                f"{circuit.slowest_clock_hz / 1e3:.2f} kHz, "
                f"below the {device.rated_clock_low_hz / 1e3:g} kHz that {device.stages} stages are rated for: "
                f"leakage costs level and headroom",
            )
        )
    return tuple(found)
