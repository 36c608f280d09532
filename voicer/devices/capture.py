"""Recording a few seconds from an audio input, for calibration. Thread: control; the callbacks run on the driver's."""

from __future__ import annotations

import threading

import numpy as np
from numpy.typing import NDArray

from voicer.devices.audio import (
    choose_device,
    chosen_system,
    jack_module,
    jack_server,
    no_jack_server,
    portaudio_devices,
    portaudio_input,
)
from voicer.errors import PortError
from voicer.library.calibrations import AudioInput

SETTLE_S = 0.3
"""The beginning is dropped while converters and connections settle."""


def record_input(
    system: str, device: str | None, seconds: float, port: str | None = None
) -> tuple[NDArray[np.float64], float, AudioInput]:
    """Record one channel.

    Parameters
    ----------
    system : {"auto", "jack", "portaudio"}
    device : str, optional
        PortAudio input device, its name or part of it; the default input if left out.
    seconds : float
    port : str, optional
        JACK port; the first physical input if left out.

    Returns
    -------
    (float64 [shape=(frames,)], sample rate in Hz, the input)

    Raises
    ------
    PortError
        When there is no such input, or it delivered nothing in time.
    """
    if chosen_system(system) == "jack":
        return _from_jack(seconds, port)
    return _from_portaudio(device, seconds)


def _from_jack(seconds: float, port: str | None) -> tuple[NDArray[np.float64], float, AudioInput]:
    jack, server = jack_module(), jack_server()
    if server is None:  # it has just gone
        raise no_jack_server()
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
            what = f"JACK port '{source}' must be an output that exists"
            raise PortError(what, remedy="see 'voicer devices'") from error
        if not done.wait(seconds + 10):
            raise PortError(f"JACK port '{source}' delivered nothing in time", remedy="check that JACK still runs")
    owner, _, name = source.partition(":")
    return _settled(taken, server.sample_rate_hz), server.sample_rate_hz, AudioInput("jack", owner, name)


def _from_portaudio(device: str | None, seconds: float) -> tuple[NDArray[np.float64], float, AudioInput]:
    chosen = choose_device(device, "input", portaudio_devices())
    import sounddevice

    rate_hz = float(chosen.sample_rate_hz)
    try:
        taken = sounddevice.rec(
            int((seconds + SETTLE_S) * rate_hz), samplerate=rate_hz, channels=1, device=chosen.number, blocking=True
        )
    except sounddevice.PortAudioError as error:
        raise PortError(
            f"input device '{chosen.name}' must record at {rate_hz:g} Hz (got: {error})",
            remedy="close other programs that use it, or choose another with --input-device",
        ) from error
    return _settled(taken[:, 0], rate_hz), rate_hz, portaudio_input(chosen)


def _settled(taken: NDArray[np.float32], rate_hz: float) -> NDArray[np.float64]:
    return taken[int(SETTLE_S * rate_hz) :].astype(np.float64)
