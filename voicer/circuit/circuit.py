"""The circuit: parts and what follows from them. Sound, predictions and sheets are all computed from here.

| symbol | name        | unit | meaning                                                     |
|--------|-------------|------|-------------------------------------------------------------|
| P      | periods     | 1    | clock periods from input to output: stages * devices / 2     |
| fc     | clock_hz    | Hz   | frequency of the two-phase clock, one sample per period      |
| t      | time_s      | s    | note to first repeat: line, hold and both filters            |
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np

from voicer.circuit.limiter import LimiterParts
from voicer.circuit.wet_path import WetPath
from voicer.errors import CircuitError

RAIL_V = 4.0
"""Amplifiers clip here: a 9 V supply biased in its middle, half a volt short of each rail. Chosen."""

CLOCK_LIMIT_HZ = 230_000.0
"""No clock may run faster: the line must take longer than the bridge to the audio grid looks ahead."""


@dataclass(frozen=True)
class LfoParts:
    """The slow oscillator that moves the clock."""

    rate_hz: float
    deviation: float
    """Peak relative deviation of the clock; 0 is off."""
    shape: Literal["triangle", "sine"]


@dataclass(frozen=True)
class MixerParts:
    """Gains of the summing amplifiers."""

    feedback_gain: float
    """From the output coupling back to the input sum."""
    dry_gain: float
    wet_gain: float
    level_gain: float
    entry_gain: float = 1.0
    """From the input into the echo."""
    rail_v: float = RAIL_V
    limiter: LimiterParts | None = None
    """On what returns to the input sum; None lets it pass unlimited."""


@dataclass(frozen=True, kw_only=True)
class Circuit(WetPath):
    """One echo as parts, all plain numbers. Frozen: a changed part is another circuit."""

    name: str
    time_s: float
    """Where the time control stands."""
    shortest_s: float
    longest_s: float
    low_cut_hz: float
    output_coupling_hz: float
    lfo: LfoParts
    mixer: MixerParts

    def clock_for(self, time_s: float) -> float:
        """Clock that puts the first repeat ``time_s`` after the note, filters and hold counted in, Hz.

        Raises `CircuitError` when the filters leave too little time for the line.
        """
        left_s = time_s - self.filter_delay_s
        if left_s <= 0:
            raise CircuitError(
                f"a delay of {time_s * 1e3:.4g} ms must leave the line some time (got none: the filters alone take "
                f"{self.filter_delay_s * 1e3:.4g} ms)",
                remedy=self._least_delay,
            )
        clock = self.line.periods / left_s
        for _ in range(4):  # the spread of the transfer depends on the clock
            clock = (self.line.periods + self.line.extra_periods(clock)) / left_s
        if clock * (1 + self.lfo.deviation) > CLOCK_LIMIT_HZ:
            raise CircuitError(
                f"a delay of {time_s * 1e3:.4g} ms must leave the line a clock below {CLOCK_LIMIT_HZ / 1e3:g} kHz "
                f"(got {clock * (1 + self.lfo.deviation) / 1e3:.6g} kHz; the filters take "
                f"{self.filter_delay_s * 1e3:.4g} ms)",
                remedy=self._least_delay,
            )
        return float(clock)

    @property
    def _least_delay(self) -> str:
        """What to do about a delay that is too short."""
        most_hz = CLOCK_LIMIT_HZ / (1 + self.lfo.deviation)
        least_s = self.filter_delay_s + (self.line.periods + self.line.extra_periods(most_hz)) / most_hz
        return f"use at least {1.005 * least_s * 1e3:.3g} ms, fewer stages or higher cutoffs"

    @cached_property
    def clock_hz(self) -> float:
        """Clock at the present time setting, LFO at rest."""
        return self.clock_for(self.time_s)

    @cached_property
    def slowest_clock_hz(self) -> float:
        """Clock at the long end of the time control, LFO at its lowest."""
        return self.clock_for(self.longest_s) * (1 - self.lfo.deviation)

    @cached_property
    def fastest_clock_hz(self) -> float:
        """Clock at the short end of the time control, LFO at its highest."""
        return self.clock_for(self.shortest_s) * (1 + self.lfo.deviation)

    def loop_gain(self, clock_hz: float) -> float:
        """Loop gain at its loudest frequency below half that clock; 1 is the edge of self-oscillation."""
        return self.mixer.feedback_gain * float(self.round_peak(clock_hz))

    def loop_gain_in_silence(self, clock_hz: float) -> float:
        """The same for sounds below the compander's floor, where both gain cells stand still.

        The expander no longer doubles what is lost between it and the compressor, which alone would let a loop that
        dies away while it is loud sing on softly; its lower floor takes that back.
        """
        return self.mixer.feedback_gain * float(self.round_peak_in_silence(clock_hz))


def wet_peak(circuit: Circuit) -> float:
    """Loudest `Circuit.round_gain` over all frequencies and the whole span of the time control."""
    clock_hz = np.geomspace(circuit.clock_for(circuit.longest_s), circuit.clock_for(circuit.shortest_s), 12)
    return float(np.max(circuit.round_peak(clock_hz[:, None])))
