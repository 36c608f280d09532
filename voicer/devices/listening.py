"""Sounds to listen to, through PortAudio (which may go on to JACK). Thread: control, all of it."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from voicer.devices.audio import chosen_device
from voicer.errors import PortError
from voicer.files import recording


class Player:
    """Plays one sound after the other on the default output; raises `PortError` when there is none."""

    def __init__(self) -> None:
        self._device = chosen_device(None)

    def play(self, sound: NDArray[Any], sample_rate_hz: float) -> None:
        """Begin to play a sound [shape=(frames,)], full scale 1.0, on both sides; what played before is cut off."""
        import sounddevice

        rate_hz = self._device.sample_rate_hz
        played = np.tile(recording.at_rate(sound, sample_rate_hz, rate_hz)[:, None], min(self._device.outputs, 2))
        try:
            sounddevice.play(played, rate_hz, device=self._device.number)
        except sounddevice.PortAudioError as error:
            raise PortError(
                f"audio device '{self._device.name}' must take a sound of {rate_hz:g} Hz (got: {error})",
                remedy="free it, or listen to the files with a player of your own",
            ) from error

    def stop(self) -> None:
        """Be silent."""
        import sounddevice

        sounddevice.stop()
