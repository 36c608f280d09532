"""From a voicing to the circuit it asks for: poles, clock and gains as exact parts make them."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import lru_cache
from math import sqrt

import numpy as np

from voicer.circuit.circuit import RAIL_V, Circuit, LfoParts, MixerParts, wet_peak
from voicer.circuit.compander import CompanderParts
from voicer.circuit.devices import DEVICE_CLASSES, LineParts
from voicer.circuit.filters import Section, low_pass_sections
from voicer.circuit.limiter import design_limiter
from voicer.circuit.mixing import dry_share, echo_share
from voicer.voicing import Compander, Delay, Filters, Flaws, Line, LowPass, Voicing

OUTPUT_COUPLING_FARAD, OUTPUT_LOAD_OHM = 100e-9, 220e3
"""Behind the reconstruction filter: keeps the line's bias out of the expander and the mixer. Chosen."""


def design_ideal(voicing: Voicing) -> Circuit:
    """The circuit a voicing asks for; ``design_board(voicing, "exact")`` has the parts that make just this.

    The feedback gain is set so that ``repeats.feedback = 1`` is the edge of self-oscillation at the loudest
    frequency and the loudest delay time the time control can reach. Moving the time control therefore moves
    the clock alone, as it does on the bench.

    Raises
    ------
    CircuitError
        When the filters leave the line no time at the short end of the time control.
    """
    circuit, delay = open_loop(voicing), voicing.delay
    peak = _peak(
        voicing.line, delay.shortest_ms, delay.longest_ms, voicing.filters, voicing.compander, voicing.flaws
    )  # fmt: skip
    mixer = replace(
        circuit.mixer, feedback_gain=voicing.repeats.feedback / peak, limiter=design_limiter(1 / peak, RAIL_V)
    )
    return replace(circuit, mixer=mixer)


@lru_cache(maxsize=64)
def _peak(
    line: Line, shortest_ms: float, longest_ms: float, filters: Filters, compander: Compander, flaws: Flaws
) -> float:  # fmt: skip
    """Loudest gain round the loop: it stays while time, repeats, blend and level are turned."""
    span = Delay(time_ms=longest_ms, shortest_ms=shortest_ms, longest_ms=longest_ms)
    return wet_peak(open_loop(
        Voicing(name="-", line=line, delay=span, filters=filters, compander=compander, flaws=flaws)
    ))  # fmt: skip


def open_loop(voicing: Voicing) -> Circuit:
    """The same with no feedback, from which the edge of self-oscillation is found."""
    modulation, time_constant_s = voicing.modulation, voicing.compander.time_constant_ms / 1e3
    circuit = Circuit(
        name=voicing.name,
        time_s=voicing.delay.time_ms / 1e3,
        shortest_s=voicing.delay.shortest_ms / 1e3,
        longest_s=voicing.delay.longest_ms / 1e3,
        low_cut_hz=voicing.filters.low_cut_hz,
        output_coupling_hz=1 / (2 * math.pi * OUTPUT_COUPLING_FARAD * OUTPUT_LOAD_OHM),
        anti_alias=sections(voicing.filters.anti_alias),
        reconstruction=sections(voicing.filters.reconstruction),
        line=line_parts(voicing),
        compander=CompanderParts(voicing.compander.enabled, time_constant_s, time_constant_s),
        lfo=LfoParts(modulation.rate_hz, voicing.clock_deviation, modulation.shape),
        mixer=MixerParts(
            feedback_gain=0.0,
            dry_gain=float(dry_share(voicing.output.blend)),
            wet_gain=float(echo_share(voicing.output.blend)),
            level_gain=10 ** (voicing.output.level_db / 20),
        ),
    )
    return replace(circuit, line=replace(circuit.line, makeup=1 / lost_gain(circuit)))


def line_parts(voicing: Voicing) -> LineParts:
    """The devices of a voicing, with nothing made up yet."""
    flaws = voicing.flaws
    return LineParts(
        device=DEVICE_CLASSES[voicing.line.stages],
        devices=voicing.line.devices,
        transfer_loss=flaws.transfer_loss,
        saturation=flaws.saturation,
        leakage=flaws.leakage,
        noise=flaws.noise,
        clock_bleed=flaws.clock_bleed,
    )


def lost_gain(circuit: Circuit) -> float:
    """What the devices leave of a signal at the middle of the time control, where the level is trimmed."""
    middle_hz = sqrt(circuit.clock_for(circuit.shortest_s) * circuit.clock_for(circuit.longest_s))
    return float(replace(circuit.line, makeup=1.0).gain_at(np.array(middle_hz)))


def sections(low_pass: LowPass) -> tuple[Section, ...]:
    """Pole sections of a voicing's filter."""
    return low_pass_sections(low_pass.shape, low_pass.order, low_pass.cutoff_hz)
