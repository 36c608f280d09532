"""The law of the blend control: a double pot whose tracks are dead over one half of the turn each.

Up to the middle the dry sound stays at 0 dB while the echo comes up; from there on the echo stays and the dry sound
goes. Sold as a balance pot (common practice, no source): the first half of one track and the second half of the other
are metal.
"""

from __future__ import annotations

import numpy as np

from voicer.circuit.arrays import Values


def dry_share(blend: Values) -> Values:
    """What the dry track leaves at a position of the blend control, 0..1 (broadcasts)."""
    share: Values = np.minimum(1.0, 2.0 * (1.0 - blend))
    return share


def echo_share(blend: Values) -> Values:
    """What the echo track leaves at a position of the blend control, 0..1 (broadcasts)."""
    share: Values = np.minimum(1.0, 2.0 * blend)
    return share


def blend_of(dry: float, echo: float) -> float:
    """Position of the blend control whose tracks stand in such a proportion."""
    return echo / dry / 2 if echo <= dry else 1 - dry / echo / 2
