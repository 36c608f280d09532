"""Playing a sound on the default output, through PortAudio (which may in turn use JACK). Thread: control."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from voicer.devices.audio import choose_device, portaudio_devices
from voicer.errors import PortError
from voicer.files import recording


class Player:
    """Plays one sound at a time on the default output; raises `PortError` when there is none."""

    def __init__(self) -> None:
        self._device = choose_device(None, "output", portaudio_devices())

    def play(self, sound: NDArray[Any], sample_rate_hz: float) -> None:
        """Start a sound [shape=(frames,)], full scale 1.0, on both channels; it replaces one still playing."""
        import sounddevice

        rate_hz = self._device.sample_rate_hz
        played = np.tile(recording.at_rate(sound, sample_rate_hz, rate_hz)[:, None], min(self._device.outputs, 2))
        try:
            sounddevice.play(played, rate_hz, device=self._device.number)
        except sounddevice.PortAudioError as error:
            raise PortError(
                f"output device '{self._device.name}' must play at {rate_hz:g} Hz (got: {error})",
                remedy="close other programs that use it, or play the files with another program",
            ) from error

    def stop(self) -> None:
        """Stop the sound."""
        import sounddevice

        sounddevice.stop()
