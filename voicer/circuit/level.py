"""How loud an echo is, from its circuit alone, so that two can be compared at equal loudness without rendering."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from voicer.circuit.circuit import Circuit

_F_HZ = np.geomspace(70.0, 8000.0, 120)
"""Equal steps of pitch: a mean over these is one over pink noise."""

_LOUDEST_ROUND = 0.9
"""Loop gains count up to this: what sustains itself is held by the limiter."""


def level_db(circuit: Circuit) -> float:
    """Power of the output relative to the input's for pink noise, dB: dry, and every repeat with its own share.

    The compander counts as settled. Against the loudness (ITU-R BS.1770-4) of the shipped riff through the shipped
    voicings it is right within 1.6 dB, and within 2.3 dB for one that sustains itself.
    """
    mixer = circuit.mixer
    echo = circuit.wet_gain(_F_HZ, circuit.clock_hz) * mixer.wet_gain * mixer.entry_gain
    loop = np.minimum(circuit.round_gain(_F_HZ, circuit.clock_hz) * mixer.feedback_gain, _LOUDEST_ROUND)
    power = mixer.level_gain**2 * (mixer.dry_gain**2 + echo**2 / (1 - loop**2))
    return float(10 * np.log10(np.mean(power)))
