"""The two summing amplifiers: input and returning repeats with their limiter; dry and echo, with level.

| symbol | name           | unit | meaning                                                                     |
|--------|----------------|------|-----------------------------------------------------------------------------|
| p, b   | position       | 1    | of a pot; an amplifier reads every wiper, so no track is loaded             |
| A      | boost          | 1    | ``1 + Ra / Rb``: gain of the amplifier behind the repeats pot               |
| G      | return_gain    | 1    | ``p A Rf / (R1 + R2)``: from the output coupling back to the input sum      |
| Ge     | edge_gain      | 1    | return gain that is the edge of self-oscillation; at p = 1/1.5              |
|        | dry_gain       | 1    | ``min(1, 2 (1 - b)) L``                                                     |
|        | wet_gain       | 1    | ``min(1, 2 b) L``                                                           |
| L      | level_gain     | 1    | ``(Rf + p P) / Rin``: the level pot is part of the mixer's feedback         |

Source: the summing and the non-inverting amplifier of any op-amp handbook; the limiter: `circuit.limiter`; the blend
control: `circuit.mixing`. Both sums invert, as the make-up amplifier behind the line does: echo and dry sound leave
alike, upside down.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from voicer.board.blocks.common import (
    closest,
    combinations,
    least,
    off,
    on_the_track,
    pots_near,
    require,
    within,
)
from voicer.board.parts import part
from voicer.board.series import Series
from voicer.circuit.arrays import Values
from voicer.circuit.limiter import BOOST, DIODE_OHM, SERIES_OHM, SUM_OHM, LimiterParts, return_ohm
from voicer.circuit.mixing import dry_share, echo_share
from voicer.errors import CircuitError

BOOST_BIAS_OHM, REPEATS_POT_OHM = 10e3, 50e3
BLEND_POT_OHM, LEVEL_POT_OHM = 50e3, 100e3
"""The four of them chosen."""

OUTPUT_FARAD, BLEED_OHM = 1e-6, 100e3
"""1.6 Hz with nothing plugged in, 16 Hz into 10 kohm. Chosen."""

QUIETEST_DB, LOUDEST_DB = -40.0, 12.0
"""Span of the level control."""


@dataclass(frozen=True)
class InputSum:
    """Input and repeats."""

    feedback_ohm: float = part("input sum: feedback")
    dry_in_ohm: float = part("input sum: from the input buffer")
    return_stop_ohm: float = part("input sum: from the limiter, sets where self-oscillation begins")
    repeats_pot_ohm: float = part("repeats control, linear track")
    boost_ohm: float = part("repeats: feedback of the amplifier behind the pot")
    boost_bias_ohm: float = part("repeats: from that amplifier's inverting input to the bias")
    limiter_ohm: float = part("repeats: from that amplifier to the limiter's diodes")
    diode_ohm: float = part("repeats: in series with the limiter's diodes")

    @property
    def dry_gain(self) -> float:
        """Gain of the input."""
        return self.feedback_ohm / self.dry_in_ohm

    @property
    def boost(self) -> Values:
        """Gain of the amplifier behind the repeats pot."""
        return 1 + self.boost_ohm / self.boost_bias_ohm

    def return_gain(self, position: Values) -> Values:
        """Gain from the output coupling back to the sum at a position of the repeats pot, below the limiter's knee."""
        return position * self.boost * self.feedback_ohm / (self.limiter_ohm + self.return_stop_ohm)

    def limiter(self, rail_v: float) -> LimiterParts:
        """What these parts limit, with an amplifier that clips at ``rail_v``; the values must be plain numbers."""
        return LimiterParts(self.limiter_ohm, self.diode_ohm, self.return_stop_ohm, self.feedback_ohm, rail_v)

    def position_for(self, return_gain: Values) -> Values:
        """Position of the repeats pot whose gain is nearest to one asked for, 0..1."""
        return on_the_track(return_gain / self.return_gain(1.0))

    def snapped(self, resistors: Series, capacitors: Series) -> InputSum:
        """The bought resistors whose return gain is nearest; equal resistors for the dry gain stay equal."""
        boost, bias, limiter, diode = (
            closest(resistors, ohm) for ohm in (self.boost_ohm, self.boost_bias_ohm, self.limiter_ohm, self.diode_ohm)
        )
        wanted = self.return_gain(1.0) / (1 + boost / bias)
        feedback, stop = combinations(
            within(resistors, self.feedback_ohm, 2.2), within(resistors, self.return_stop_ohm, 2.4)
        )
        error = off(feedback / (limiter + stop), wanted)
        feedback_ohm, stop_ohm = least(error + 1e-3 * off(feedback, self.feedback_ohm), feedback, stop)
        dry_in_ohm = closest(resistors, feedback_ohm / self.dry_gain)
        return InputSum(feedback_ohm, dry_in_ohm, stop_ohm, self.repeats_pot_ohm, boost, bias, limiter, diode)


@dataclass(frozen=True)
class OutputMixer:
    """Blend and level: a double pot, one track for the dry sound and one for the echo, each dead over one half."""

    feedback_ohm: float = part("output mixer: in series with the level pot, sets the lowest level")
    dry_in_ohm: float = part("output mixer: from the dry track of the blend pot")
    wet_in_ohm: float = part("output mixer: from the echo track of the blend pot")
    blend_pot_ohm: float = part("blend control, double balance pot: each track dead over one half")
    level_pot_ohm: float = part("level control, in the mixer's feedback")
    output_farad: float = part("output mixer: keeps the bias off the output jack")
    bleed_ohm: float = part("output mixer: holds the output jack at ground")

    @property
    def output_corner_hz(self) -> Values:
        """-3.01 dB point of the output's coupling with nothing plugged in, Hz."""
        return 1 / (2 * np.pi * self.bleed_ohm * self.output_farad)

    def level_gain(self, position: Values) -> Values:
        """Gain of the level control for the dry sound at a position of the level pot."""
        return (self.feedback_ohm + position * self.level_pot_ohm) / self.dry_in_ohm

    def dry_gain(self, blend: Values, level: Values) -> Values:
        """Gain of the dry sound at positions of the blend and the level pot."""
        return dry_share(blend) * self.level_gain(level)

    def wet_gain(self, blend: Values, level: Values) -> Values:
        """Gain of the echo at positions of the blend and the level pot."""
        return echo_share(blend) * self.level_gain(level) * self.dry_in_ohm / self.wet_in_ohm

    def position_for(self, level_gain: Values) -> Values:
        """Position of the level pot whose gain is nearest to one asked for, 0..1."""
        return on_the_track((level_gain * self.dry_in_ohm - self.feedback_ohm) / self.level_pot_ohm)

    def snapped(self, resistors: Series, capacitors: Series) -> OutputMixer:
        """The bought resistors and pot whose level span is nearest at both ends."""
        best = min(self._bought(pot, resistors) for pot in pots_near(self.level_pot_ohm, 2.5))
        _, pot, stop, into = best
        farad, bleed = closest(capacitors, self.output_farad), closest(resistors, self.bleed_ohm)
        return OutputMixer(stop, into, into, self.blend_pot_ohm, pot, farad, bleed)

    def _bought(self, pot: float, resistors: Series) -> tuple[float, ...]:
        """Error, pot, feedback and input resistor for one level pot."""
        scale = pot / self.level_pot_ohm
        stop, into = combinations(
            within(resistors, self.feedback_ohm * scale, 1.2), within(resistors, self.dry_in_ohm * scale, 1.2)
        )
        error = np.maximum(off(stop / into, self.level_gain(0.0)), off((stop + pot) / into, self.level_gain(1.0)))
        error = error + 1e-3 * off(pot, self.level_pot_ohm)
        return least(error, error, np.full_like(stop, pot), stop, into)


def design_input_sum(edge_gain: float) -> InputSum:
    """The sum whose repeats pot reaches the edge of self-oscillation at two thirds of its travel.

    Parameters
    ----------
    edge_gain : float
        Gain from the output coupling back to the sum at which the loop gain is 1.

    Raises
    ------
    CircuitError
        For an edge outside 0.05..20: the wet path is far too loud or too quiet.
    """
    require(
        edge_gain, 0.05, 20, "the return gain at the edge of self-oscillation", "",
        "bring the wet path's own gain, its inverse, nearer to 1",
    )  # fmt: skip
    boost_ohm = (BOOST - 1) * BOOST_BIAS_OHM
    return InputSum(
        SUM_OHM, SUM_OHM, return_ohm(edge_gain) - SERIES_OHM, REPEATS_POT_OHM, boost_ohm, BOOST_BIAS_OHM, SERIES_OHM,
        DIODE_OHM,
    )  # fmt: skip


def design_output_mixer(quietest_db: float = QUIETEST_DB, loudest_db: float = LOUDEST_DB) -> OutputMixer:
    """The mixer whose level pot spans exactly those two levels.

    Raises
    ------
    CircuitError
        For levels outside -60..20 dB, or a span of less than 6 dB.
    """
    require(quietest_db, -60, 14, "the lowest level", "dB", "use -40 dB")
    require(loudest_db, -54, 20, "the highest level", "dB", "use 12 dB")
    if loudest_db - quietest_db < 6:
        raise CircuitError(
            f"the highest level must be 6 dB above the lowest or more (got {quietest_db:g} and {loudest_db:g} dB)",
            remedy="widen the span of the level control",
        )
    low, high = 10 ** (quietest_db / 20), 10 ** (loudest_db / 20)
    into_ohm = LEVEL_POT_OHM / (high - low)
    return OutputMixer(low * into_ohm, into_ohm, into_ohm, BLEND_POT_OHM, LEVEL_POT_OHM, OUTPUT_FARAD, BLEED_OHM)
