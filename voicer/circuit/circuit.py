"""The circuit: parts and what follows from them. Sound, predictions and sheets are all computed from here.

| symbol | name        | unit | meaning                                                     |
|--------|-------------|------|-------------------------------------------------------------|
| P      | periods     | 1    | clock periods from input to output: stages * devices / 2     |
| fc     | clock_hz    | Hz   | frequency of the two-phase clock, one sample per period      |
| t      | time_s      | s    | note to first repeat: line, hold and both filters            |
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from voicer.circuit.compander import CompanderParts
from voicer.circuit.devices import DeviceClass, hold_response, transfer_gain, transfer_response
from voicer.circuit.filters import Section, gain, high_pass_gain, high_pass_response, low_frequency_delay_s, response
from voicer.errors import CircuitError

RAIL_V = 4.0
"""Amplifiers clip here: a 9 V supply biased in its middle, half a volt short of each rail. Chosen."""

LEAST_IMAGE = 0.01
"""Gain of both low-passes at half the clock below which images are not worth counting in the loop. Chosen: 1 %."""

CLOCK_LIMIT_HZ = 230_000.0
"""No clock may run faster: the line must take longer than the bridge to the audio grid looks ahead."""

MOST_TRANSFER_SPREAD = 10.0
"""N * e is held below this; past it the model of the transfer (and any real line) is of no use."""


@dataclass(frozen=True)
class LineParts:
    """Devices in series, with each flaw scaled by how much of it is asked for (1: as the class has it)."""

    device: DeviceClass
    devices: int
    transfer_loss: float = 1.0
    saturation: float = 1.0
    leakage: float = 1.0
    noise: float = 1.0
    clock_bleed: float = 1.0
    makeup: float = 1.0
    """Gain of the amplifier behind the line, trimmed on the bench to make up what the devices lose."""

    @property
    def stages(self) -> int:
        """Buckets in the whole line."""
        return self.device.stages * self.devices

    @property
    def periods(self) -> int:
        """Clock periods from input to output."""
        return self.stages // 2

    def transfer_loss_at(self, clock_hz: NDArray[np.float64]) -> NDArray[np.float64]:
        """Fraction left behind at each transfer [shape like ``clock_hz``]."""
        loss = self.transfer_loss * self.device.transfer_loss_at(clock_hz)
        return np.minimum(loss, MOST_TRANSFER_SPREAD / self.stages)

    def gain_at(self, clock_hz: NDArray[np.float64]) -> NDArray[np.float64]:
        """Low-frequency gain of the line with its amplifier: followers that settle, charge that fades."""
        settled = self.device.insertion_gain_at(clock_hz) ** (self.devices * self.transfer_loss)
        return self.makeup * settled * np.exp(-self.leakage * self.storage_s(clock_hz) / self.device.leakage_time_s)

    def storage_s(self, clock_hz: NDArray[np.float64]) -> NDArray[np.float64]:
        """Time a sample spends in the buckets, s."""
        return self.periods / clock_hz

    def bias_shift_v(self, clock_hz: NDArray[np.float64]) -> NDArray[np.float64]:
        """How far dark current moves the bias while a sample waits, V."""
        return self.leakage * self.device.leakage_v_s * self.storage_s(clock_hz)

    def response(self, f_hz: NDArray[np.float64], clock_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
        """Small-signal gain with its hold, the pure delay of P periods left out (broadcasts)."""
        loss = transfer_response(self.stages, self.transfer_loss_at(clock_hz), 2 * np.pi * f_hz / clock_hz)
        return self.gain_at(clock_hz) * loss * hold_response(f_hz, clock_hz)

    def gain(self, f_hz: NDArray[np.float64], clock_hz: NDArray[np.float64]) -> NDArray[np.float64]:
        """Magnitude of `response` (broadcasts)."""
        loss = transfer_gain(self.stages, self.transfer_loss_at(clock_hz), 2 * np.pi * f_hz / clock_hz)
        return self.gain_at(clock_hz) * loss * np.abs(np.sinc(f_hz / clock_hz))

    def extra_periods(self, clock_hz: Any) -> Any:
        """Periods beyond P at low frequency: half a one for the hold, N e / (1 - e) for charge left behind."""
        loss = self.transfer_loss_at(np.asarray(clock_hz, dtype=np.float64))
        return 0.5 + self.stages * loss / (1 - loss)


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


@dataclass(frozen=True)
class Circuit:
    """One echo as parts. Frozen: a changed part is another circuit."""

    name: str
    time_s: float
    """Where the time control stands."""
    shortest_s: float
    longest_s: float
    low_cut_hz: float
    output_coupling_hz: float
    anti_alias: tuple[Section, ...]
    reconstruction: tuple[Section, ...]
    line: LineParts
    compander: CompanderParts
    lfo: LfoParts
    mixer: MixerParts

    @cached_property
    def filter_delay_s(self) -> float:
        """Low-frequency delay of both low-passes, s."""
        return low_frequency_delay_s(self.anti_alias) + low_frequency_delay_s(self.reconstruction)

    def clock_for(self, time_s: float) -> float:
        """Clock that puts the first repeat ``time_s`` after the note, filters and hold counted in, Hz.

        Raises `CircuitError` when the filters leave too little time for the line.
        """
        left_s = time_s - self.filter_delay_s
        clock = self.line.periods / left_s if left_s > 0 else np.inf
        for _ in range(4 if np.isfinite(clock) else 0):  # the spread of the transfer depends on the clock
            clock = (self.line.periods + self.line.extra_periods(clock)) / left_s
        if clock * (1 + self.lfo.deviation) > CLOCK_LIMIT_HZ:
            most_hz = CLOCK_LIMIT_HZ / (1 + self.lfo.deviation)
            least_s = self.filter_delay_s + (self.line.periods + self.line.extra_periods(most_hz)) / most_hz
            raise CircuitError(
                f"a delay of {time_s * 1e3:.4g} ms must leave the line a clock below {CLOCK_LIMIT_HZ / 1e3:g} kHz "
                f"(got {clock / 1e3:.4g} kHz, filters take {self.filter_delay_s * 1e3:.3g} ms)",
                remedy=f"use at least {1.005 * least_s * 1e3:.3g} ms, fewer stages or higher cutoffs",
            )
        return float(clock)

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

    def filter_response(self, f_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
        """Gain of everything linear around the line: both couplings and both low-passes."""
        couplings = high_pass_response(self.low_cut_hz, f_hz) * high_pass_response(self.output_coupling_hz, f_hz)
        return couplings * response(self.anti_alias, f_hz) * response(self.reconstruction, f_hz)

    def wet_response(
        self, f_hz: NDArray[np.float64], clock_hz: NDArray[np.float64] | float
    ) -> NDArray[np.complex128]:
        """Small-signal gain once through the wet path, the delay of P periods left out (broadcasts).

        Holds below half the clock; above it what enters leaves at a folded frequency.
        """
        return self.filter_response(f_hz) * self.line.response(f_hz, np.asarray(clock_hz, dtype=np.float64))

    def round_gain(self, f_hz: NDArray[np.float64], clock_hz: NDArray[np.float64]) -> NDArray[np.float64]:
        """Settled gain once round the loop, feedback amplifier left out (broadcasts).

        What comes back from above half the clock, where the filters let it, folds onto the same pitch: counted in.
        """
        return self._round_gain(f_hz, clock_hz, self.compander.enabled)

    def _round_gain(
        self, f_hz: NDArray[np.float64], clock_hz: NDArray[np.float64], companding: bool
    ) -> NDArray[np.float64]:
        around = high_pass_gain(self.output_coupling_hz, f_hz) * gain(self.anti_alias, f_hz)
        inside = around * gain(self.reconstruction, f_hz) * self.line.gain(f_hz, clock_hz)
        inside = inside * image_factor(self._low_passes, self.filter_response, f_hz, clock_hz)
        return settled_gain(high_pass_gain(self.low_cut_hz, f_hz), inside, companding)

    def _low_passes(self, f_hz: NDArray[np.float64]) -> NDArray[np.float64]:
        return gain(self.anti_alias, f_hz) * gain(self.reconstruction, f_hz)

    def loop_gain(self, clock_hz: float) -> float:
        """Loop gain at its loudest frequency below half that clock; 1 is the edge of self-oscillation."""
        return self._loop_gain(clock_hz, self.compander.enabled)

    def loop_gain_in_silence(self, clock_hz: float) -> float:
        """The same for sounds below the compander's floor, where both gain cells stand still.

        The expander no longer doubles what is lost between it and the compressor: a loop that dies away while it is
        loud may go on singing softly.
        """
        return self._loop_gain(clock_hz, False)

    def _loop_gain(self, clock_hz: float, companding: bool) -> float:
        f_hz = edge_frequencies()
        once = self._round_gain(f_hz, np.array(clock_hz), companding)
        return self.mixer.feedback_gain * float(highest(once[None, f_hz < clock_hz / 2])[0])


def image_factor(
    low_passes: Callable[[NDArray[np.float64]], NDArray[np.float64]],
    between: Callable[[NDArray[np.float64]], NDArray[np.complex128]],
    f_hz: NDArray[np.float64],
    clock_hz: NDArray[np.float64],
) -> NDArray[np.float64] | float:
    """What images add to the gain from the line's output back to its input, as a factor (broadcasts).

    The line's samples leave as a staircase, whose images at ``f + k fc`` pass the filters ``between`` and are sampled
    again, onto f: ``|sum over k of hold(f + k fc) F(f + k fc)| / |hold(f) F(f)|``, k from -1 to 1, or, for filters
    wide of the clock, from -4 to 4. It is 1 where the magnitude of the ``low_passes`` at half the clock is too small
    to count.
    """
    leaks = low_passes(clock_hz / 2) > LEAST_IMAGE
    if not np.any(leaks):
        return 1.0
    reach = 4 if np.any(low_passes(1.5 * clock_hz)[leaks] > LEAST_IMAGE) else 1
    direct, *images = (
        hold_response(f_hz + k * clock_hz, clock_hz) * between(f_hz + k * clock_hz)
        for k in (0, *range(-reach, 0), *range(1, reach + 1))
    )
    factor: NDArray[np.float64] = np.abs(1 + sum(images) / direct)
    return np.where(leaks, factor, 1.0)


def settled_gain(
    outside: NDArray[np.float64], inside: NDArray[np.float64], companding: bool
) -> NDArray[np.float64]:
    """Gain of a wet path whose gain ``inside`` lies between compressor and expander, ``outside`` before them.

    The expander doubles in dB whatever gain or loss stands between it and the compressor.
    """
    return outside * inside**2 if companding else outside * inside


def edge_frequencies() -> NDArray[np.float64]:
    """Frequencies at which a loop gain is searched for its highest, Hz [shape=(240,)]."""
    return np.geomspace(20, 20_000, 240)


def highest(gain: NDArray[np.float64]) -> NDArray[np.float64]:
    """Highest value of each curve [shape=(curves, frequencies)], read between its points from a parabola."""
    rows = np.arange(len(gain))
    top = np.clip(np.argmax(gain, axis=1), 1, gain.shape[1] - 2)
    before, at, after = gain[rows, top - 1], gain[rows, top], gain[rows, top + 1]
    bend = np.minimum(before - 2 * at + after, -1e-12)
    cut = np.minimum(before, after) < 0.5 * at  # the curve ends at half the clock: no parabola there
    between = np.where(cut, 0.0, np.clip((before - after) / (2 * bend), -0.5, 0.5))
    top_value: NDArray[np.float64] = np.maximum(gain.max(axis=1), at - 0.25 * (before - after) * between)
    return top_value


def wet_peak(circuit: Circuit) -> float:
    """Loudest `Circuit.round_gain` over all frequencies and the whole span of the time control."""
    f_hz = edge_frequencies()
    clock_hz = np.geomspace(circuit.clock_for(circuit.longest_s), circuit.clock_for(circuit.shortest_s), 12)
    once = circuit.round_gain(f_hz, clock_hz[:, None])
    return float(highest(np.where(f_hz < clock_hz[:, None] / 2, once, 0.0)).max())
