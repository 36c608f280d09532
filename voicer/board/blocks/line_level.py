"""The make-up amplifier after the line: an inverting amplifier, trimmed for unity gain through line and amplifier.

| symbol | name       | unit | meaning                                                      |
|--------|------------|------|--------------------------------------------------------------|
| p      | position   | 1    | of the trim, 0..1                                            |
| L      | level_gain | 1    | ``(Rs + p P) / Ri``: makes up what all the devices have lost |

One for the whole line, however many devices: it inverts once, so dry sound, repeats and loop keep their polarity.
Source: the inverting amplifier of any op-amp handbook.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from voicer.board.blocks.common import combinations, least, off, on_the_track, pots_near, within
from voicer.board.parts import part
from voicer.board.series import Series
from voicer.circuit.arrays import Values
from voicer.errors import CircuitError

MAKEUP_DB = (-3.0, 6.0)
"""Range of the trim for a single device, from one with some gain to one with much loss. Insertion gain within a
few dB is common practice, no source; the device classes lose up to 2 dB."""

MORE_DB = (-0.5, 2.0)
"""How far each further device widens that range. Chosen."""

LEVEL_TRIM_OHM = 50e3
"""Chosen."""


@dataclass(frozen=True)
class LineLevel:
    """Input resistor, and a trim with a stop in the feedback."""

    level_in_ohm: float = part("make-up: input resistor")
    level_stop_ohm: float = part("make-up: in series with the level trim")
    level_trim_pot_ohm: float = part("make-up: level trim, set for unity gain through line and amplifier")

    def level_gain(self, position: Values) -> Values:
        """Gain of the make-up amplifier at a position of the trim; its sign is left out."""
        return (self.level_stop_ohm + position * self.level_trim_pot_ohm) / self.level_in_ohm

    def level_position_for(self, gain: Values) -> Values:
        """Position of the trim whose gain is nearest to one asked for, 0..1."""
        return on_the_track((gain * self.level_in_ohm - self.level_stop_ohm) / self.level_trim_pot_ohm)

    def snapped(self, resistors: Series, capacitors: Series) -> LineLevel:
        """The amplifier of bought values whose trim spans most nearly the same."""
        best = min(self._bought(pot, resistors) for pot in pots_near(self.level_trim_pot_ohm, 2.5))
        return LineLevel(*best[1:])

    def _bought(self, pot: float, resistors: Series) -> tuple[float, ...]:
        """Error, input resistor, stop and pot for one pot."""
        scale = pot / self.level_trim_pot_ohm
        into, stop = combinations(
            within(resistors, self.level_in_ohm * scale, 1.2), within(resistors, self.level_stop_ohm * scale, 1.2)
        )
        error = np.maximum(off(stop / into, self.level_gain(0.0)), off((stop + pot) / into, self.level_gain(1.0)))
        error = error + 1e-3 * off(pot, self.level_trim_pot_ohm)
        return least(error, error, into, stop, np.full_like(stop, pot))


def design_line_level(devices: int = 1, makeup_db: tuple[float, float] | None = None) -> LineLevel:
    """The amplifier whose trim spans ``makeup_db``; left out, what that many devices in series may need.

    Raises
    ------
    CircuitError
        For a make-up span of less than 1 dB or outside -20..20 dB.
    """
    if makeup_db is None:
        makeup_db = MAKEUP_DB[0] + (devices - 1) * MORE_DB[0], MAKEUP_DB[1] + (devices - 1) * MORE_DB[1]
    low_db, high_db = makeup_db
    if not -20 <= low_db <= high_db - 1 <= 19:
        raise CircuitError(
            f"the level trim must rise by 1 dB or more within -20..20 dB (got {low_db:g} and {high_db:g} dB)",
            remedy=f"use {MAKEUP_DB[0]:g} and {MAKEUP_DB[1]:g} dB",
        )
    low, high = 10 ** (low_db / 20), 10 ** (high_db / 20)
    level_in_ohm = LEVEL_TRIM_OHM / (high - low)
    return LineLevel(level_in_ohm, low * level_in_ohm, LEVEL_TRIM_OHM)
