"""Recording a few seconds from an audio input, for calibration. Thread: control; the callbacks run on the driver's."""

from __future__ import annotations

import threading
from typing import Any

import numpy as np
from numpy.typing import NDArray

from voicer.devices.audio import chosen_device, chosen_system, jack_module, jack_server
from voicer.errors import PortError

SETTLE_S = 0.3
"""What comes in first is thrown away: converters and connections settle."""


def capture(
    system: str, device: str | None, seconds: float, port: str | None = None
) -> tuple[NDArray[np.float64], float, str]:
    """Record one channel.

    Parameters
    ----------
    system : {"auto", "jack", "portaudio"}
    device : str, optional
        PortAudio device: number or part of its name.
    seconds : float
    port : str, optional
        JACK port to listen to; the first physical input if left out.

    Returns
    -------
    (float64 [shape=(frames,)], sample rate in Hz, name of what was listened to)

    Raises
    ------
    PortError
        When there is nothing to listen to, or no sound came in time.
    """
    if chosen_system(system) == "jack":
        return _from_jack(seconds, port)
    return _from_portaudio(device, seconds)


def _from_jack(seconds: float, port: str | None) -> tuple[NDArray[np.float64], float, str]:
    jack, server = jack_module(), jack_server()
    assert server is not None  # noqa: S101
    source = port or (server.inputs[0] if server.inputs else None)
    if source is None:
        raise PortError("JACK has no physical input", remedy="name a port with --from CLIENT:PORT")
    client = jack.Client("voicer-calibrate", no_start_server=True)
    ear = client.inports.register("ear")
    wanted = int((seconds + SETTLE_S) * client.samplerate)
    taken, state, done = np.zeros(wanted, np.float32), {"at": 0}, threading.Event()

    @client.set_process_callback  # type: ignore[untyped-decorator]
    def process(frames: int) -> None:
        at = state["at"]
        count = min(frames, wanted - at)
        if count > 0:
            taken[at : at + count] = ear.get_array()[:count]
            state["at"] = at + count
        else:
            done.set()

    with client:
        try:
            client.connect(source, ear.name)
        except jack.JackError as error:
            raise PortError(f"JACK port '{source}' cannot be listened to", remedy="see 'voicer devices'") from error
        if not done.wait(seconds + 10):
            raise PortError(f"nothing came from JACK port '{source}' in time", remedy="see whether JACK is running")
    return _settled(taken, client_rate := float(server.sample_rate_hz)), client_rate, f"jack {source}"


def _from_portaudio(device: str | None, seconds: float) -> tuple[NDArray[np.float64], float, str]:
    import sounddevice

    chosen: Any = chosen_device(device)
    if not chosen.inputs:
        raise PortError(f"audio device '{chosen.name}' has no input", remedy="choose another with --device")
    rate_hz = float(chosen.sample_rate_hz)
    try:
        taken = sounddevice.rec(
            int((seconds + SETTLE_S) * rate_hz), samplerate=rate_hz, channels=1, device=chosen.number, blocking=True
        )
    except sounddevice.PortAudioError as error:
        raise PortError(f"audio device '{chosen.name}' cannot be recorded from ({error})", remedy="") from error
    return _settled(taken[:, 0], rate_hz), rate_hz, f"portaudio {chosen.name}"


def _settled(taken: NDArray[np.float32], rate_hz: float) -> NDArray[np.float64]:
    return taken[int(SETTLE_S * rate_hz) :].astype(np.float64)
