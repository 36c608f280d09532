"""The wet path: what a signal meets once through the echo or once round its loop, and how loud it comes back.

Every field may hold one number, or a column with one number per unit of a spread [shape=(units, 1)]: a formula then
gives one row per unit.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from voicer.circuit.arrays import Array, ComplexArray, Values
from voicer.circuit.compander import CompanderParts
from voicer.circuit.devices import LineParts, hold_response
from voicer.circuit.filters import Section, gain, high_pass_gain, high_pass_response, low_frequency_delay_s, response

LEAST_IMAGE = 0.01
"""Gain of both low-passes at half the clock below which images are not worth counting in the loop. Chosen: 1 %."""


@dataclass(frozen=True, kw_only=True)
class WetPath:
    """Couplings, low-passes, line and gain cells."""

    low_cut_hz: Values
    output_coupling_hz: Values
    anti_alias: tuple[Section, ...]
    reconstruction: tuple[Section, ...]
    line: LineParts
    compander: CompanderParts

    @cached_property
    def filter_delay_s(self) -> Values:
        """Low-frequency delay of both low-passes, s."""
        return low_frequency_delay_s(self.anti_alias) + low_frequency_delay_s(self.reconstruction)

    def filter_response(self, f_hz: Values) -> ComplexArray:
        """Complex gain of everything linear around the line: both couplings and both low-passes (broadcasts)."""
        couplings = high_pass_response(self.low_cut_hz, f_hz) * high_pass_response(self.output_coupling_hz, f_hz)
        return couplings * response(self.anti_alias, f_hz) * response(self.reconstruction, f_hz)

    def wet_response(self, f_hz: Values, clock_hz: Values) -> ComplexArray:
        """Small-signal gain once through the wet path, the delay of P periods left out (broadcasts).

        Valid below half the clock; what enters above it leaves at a folded frequency.
        """
        return self.filter_response(f_hz) * self.line.response(np.asarray(f_hz), np.asarray(clock_hz))

    def wet_gain(self, f_hz: Values, clock_hz: Values) -> Array:
        """Magnitude of `wet_response`, cheaper (broadcasts)."""
        return high_pass_gain(self.low_cut_hz, f_hz) * self._gain_behind_low_cut(f_hz, clock_hz)

    def round_gain(self, f_hz: Values, clock_hz: Values) -> Array:
        """Settled gain once round the loop, feedback amplifier left out (broadcasts).

        What comes back from above half the clock, where the filters let it through, folds onto the same pitch and is
        counted in.
        """
        return self._round_gain(f_hz, clock_hz, self.compander.enabled)

    def round_peak(self, clock_hz: Values) -> Values:
        """`round_gain` at its loudest frequency below half the clock [shape like ``clock_hz``, a number or column]."""
        return self._round_peak(clock_hz, self.compander.enabled)

    def round_peak_in_silence(self, clock_hz: Values) -> Values:
        """The same for sounds below the compander's floor, where both gain cells stand still."""
        return self._round_peak(clock_hz, False) * self.compander.silence_gain

    def loudest_hz(self, clock_hz: float) -> float:
        """Frequency below half the clock at which `round_gain` is highest, Hz."""
        f_hz = edge_frequencies()
        f_hz = f_hz[f_hz < clock_hz / 2]
        return float(f_hz[np.argmax(self.round_gain(f_hz, clock_hz))])

    def _round_peak(self, clock_hz: Values, companding: bool) -> Values:
        f_hz = edge_frequencies()
        once = np.where(f_hz < np.divide(clock_hz, 2), self._round_gain(f_hz, clock_hz, companding), 0.0)
        peaks = highest(np.atleast_2d(once))
        return peaks[:, None] if once.ndim > 1 else float(peaks[0])

    def _round_gain(self, f_hz: Values, clock_hz: Values, companding: bool) -> Array:
        f_hz, clock_hz = np.asarray(f_hz, dtype=np.float64), np.asarray(clock_hz, dtype=np.float64)
        inside = self._gain_behind_low_cut(f_hz, clock_hz)
        inside = inside * image_factor(self._low_passes, self.filter_response, f_hz, clock_hz)
        return settled_gain(high_pass_gain(self.low_cut_hz, f_hz), inside, companding)

    def _gain_behind_low_cut(self, f_hz: Values, clock_hz: Values) -> Array:
        coupling = high_pass_gain(self.output_coupling_hz, f_hz)
        return coupling * self._low_passes(f_hz) * self.line.gain(np.asarray(f_hz), np.asarray(clock_hz))

    def _low_passes(self, f_hz: Values) -> Array:
        return gain(self.anti_alias, f_hz) * gain(self.reconstruction, f_hz)


def image_factor(
    low_passes: Callable[[Array], Array],
    between: Callable[[Array], ComplexArray],
    f_hz: Array,
    clock_hz: Array,
) -> Values:
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
    factor: Array = np.abs(1 + sum(images) / direct)
    return np.where(leaks, factor, 1.0)


def settled_gain(outside: Array, inside: Array, companding: bool) -> Array:
    """Gain of a wet path whose gain ``inside`` lies between compressor and expander, ``outside`` before them.

    The expander doubles in dB whatever gain or loss lies between it and the compressor.
    """
    return outside * inside**2 if companding else outside * inside


def edge_frequencies() -> Array:
    """Frequencies at which a loop gain is searched for its highest, Hz [shape=(240,)]."""
    return np.geomspace(20, 20_000, 240)


def highest(gain: Array) -> Array:
    """Highest value of each curve [shape=(curves, frequencies)], read between its points from a parabola."""
    rows = np.arange(len(gain))
    top = np.clip(np.argmax(gain, axis=1), 1, gain.shape[1] - 2)
    before, at, after = gain[rows, top - 1], gain[rows, top], gain[rows, top + 1]
    bend = np.minimum(before - 2 * at + after, -1e-12)
    cut = np.minimum(before, after) < 0.5 * at  # the curve ends at half the clock: no parabola there
    between = np.where(cut, 0.0, np.clip((before - after) / (2 * bend), -0.5, 0.5))
    top_value: Array = np.maximum(gain.max(axis=1), at - 0.25 * (before - after) * between)
    return top_value
