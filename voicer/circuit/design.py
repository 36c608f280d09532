"""From a voicing to the circuit that makes it: exact parts."""

from __future__ import annotations

from dataclasses import replace

from voicer.circuit.circuit import (
    OUTPUT_COUPLING_HZ,
    Circuit,
    LfoParts,
    LineParts,
    MixerParts,
    wet_peak,
)
from voicer.circuit.compander import CompanderParts
from voicer.circuit.devices import DEVICE_CLASSES
from voicer.circuit.filters import Section, low_pass_sections
from voicer.voicing import LowPass, Voicing


def design(voicing: Voicing) -> Circuit:
    """The exact circuit of a voicing.

    The feedback gain is set so that ``repeats.feedback = 1`` is the edge of self-oscillation at the loudest
    frequency and the loudest delay time the time control can reach. Moving the time control therefore moves
    the clock alone, as it does on the bench.

    Raises
    ------
    CircuitError
        When the filters leave the line no time at the short end of the time control.
    """
    flaws, modulation = voicing.flaws, voicing.modulation
    circuit = Circuit(
        name=voicing.name,
        time_s=voicing.delay.time_ms / 1e3,
        shortest_s=voicing.delay.shortest_ms / 1e3,
        longest_s=voicing.delay.longest_ms / 1e3,
        low_cut_hz=voicing.filters.low_cut_hz,
        output_coupling_hz=OUTPUT_COUPLING_HZ,
        anti_alias=_sections(voicing.filters.anti_alias),
        reconstruction=_sections(voicing.filters.reconstruction),
        line=LineParts(
            device=DEVICE_CLASSES[voicing.line.stages],
            devices=voicing.line.devices,
            transfer_loss=flaws.transfer_loss,
            saturation=flaws.saturation,
            leakage=flaws.leakage,
            noise=flaws.noise,
            clock_bleed=flaws.clock_bleed,
        ),
        compander=CompanderParts(voicing.compander.enabled, voicing.compander.time_constant_ms / 1e3),
        lfo=LfoParts(modulation.rate_hz, voicing.clock_deviation, modulation.shape),
        mixer=MixerParts(
            feedback_gain=0.0,
            dry_gain=1 - voicing.output.blend,
            wet_gain=voicing.output.blend,
            level_gain=10 ** (voicing.output.level_db / 20),
        ),
    )
    feedback_gain = voicing.repeats.feedback / wet_peak(circuit)
    return replace(circuit, mixer=replace(circuit.mixer, feedback_gain=feedback_gain))


def _sections(low_pass: LowPass) -> tuple[Section, ...]:
    return low_pass_sections(low_pass.shape, low_pass.order, low_pass.cutoff_hz)
