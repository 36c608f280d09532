"""The callbacks of separate PortAudio streams; the streams themselves are in the live tests."""

from __future__ import annotations

import numpy as np
import pytest

from voicer.devices.streams import BlockRing, PortAudioStream


class EndedError(Exception):
    """Stands for PortAudio's own."""


def test_the_last_block_of_a_deaf_pair_is_silent() -> None:
    """What is in the output buffer when the input has stayed away too long may still be played: it is zeros."""
    stream = PortAudioStream.__new__(PortAudioStream)
    stream._ring, stream._heard, stream._most_missing = BlockRing(64), np.zeros(64, np.float32), 0.0
    stream._stop = EndedError
    out = np.full((64, 2), 9.0, np.float32)
    with pytest.raises(EndedError):
        stream._speak(out, 64, None, None)
    assert not out.any()
