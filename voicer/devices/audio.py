"""Audio systems of this machine: whether JACK runs and how fast, what PortAudio sees. Thread: control, all of it."""

from __future__ import annotations

import os
from dataclasses import dataclass
from typing import Any, Literal

from voicer.errors import PortError

System = Literal["jack", "portaudio"]

START_JACK = "start one (for example: jackd -d alsa -r 48000 -p 64), or use --audio portaudio"


@dataclass(frozen=True)
class JackServer:
    """A JACK server that runs."""

    sample_rate_hz: float
    frames: int
    realtime: bool
    inputs: tuple[str, ...]
    """Ports a player's signal comes from."""
    outputs: tuple[str, ...]
    """Ports that are heard."""


@dataclass(frozen=True)
class AudioDevice:
    """A device PortAudio can open."""

    number: int
    name: str
    system: str
    inputs: int
    outputs: int
    sample_rate_hz: float
    low_latency_s: float
    is_default: bool


def jack_module() -> Any:
    """The JACK client package with its chatter silenced; None where JACK's library is not installed."""
    try:
        import jack
    except OSError:
        return None
    jack.set_error_function(lambda _message: None)
    jack.set_info_function(lambda _message: None)
    return jack


def jack_server() -> JackServer | None:
    """The JACK server that runs now, or None."""
    jack = jack_module()
    if jack is None:
        return None
    try:
        client = jack.Client("voicer-look", no_start_server=True)
    except jack.JackError:
        return None
    try:
        physical = client.get_ports(is_audio=True, is_physical=True)
        return JackServer(
            float(client.samplerate),
            int(client.blocksize),
            bool(client.realtime),
            tuple(port.name for port in physical if port.is_output),
            tuple(port.name for port in physical if port.is_input),
        )
    finally:
        client.close()


def no_jack_server() -> PortError:
    """The error that says which JACK server was looked for and is not there."""
    name = os.environ.get("JACK_DEFAULT_SERVER", "default")
    return PortError(f"no JACK server '{name}' is running", remedy=START_JACK)


def portaudio_devices() -> list[AudioDevice]:
    """Devices PortAudio can open; empty where its library is not installed or there are none."""
    try:
        import sounddevice
    except OSError:
        return []
    systems = sounddevice.query_hostapis()
    defaults = {systems[0]["default_input_device"], systems[0]["default_output_device"]} if systems else set()
    for system in systems:
        if system["devices"]:
            defaults = {system["default_input_device"], system["default_output_device"]}
            break
    return [
        AudioDevice(
            number,
            device["name"],
            systems[device["hostapi"]]["name"],
            device["max_input_channels"],
            device["max_output_channels"],
            device["default_samplerate"],
            device["default_low_output_latency"],
            number in defaults,
        )
        for number, device in enumerate(sounddevice.query_devices())
    ]


def chosen_device(wanted: str | None) -> AudioDevice:
    """The one PortAudio device a number or part of a name stands for; the default output without one.

    Raises `PortError` naming the candidates.
    """
    devices = [device for device in portaudio_devices() if device.outputs]
    listed = ", ".join(f"[{device.number}] {device.name}" for device in devices)
    if not devices:
        raise PortError(
            "no audio device with an output is here",
            remedy="connect one, start a JACK server, or render to a file with 'voicer render'",
        )
    if wanted is None:
        return next((device for device in devices if device.is_default), devices[0])
    if wanted.isdecimal():
        found = [device for device in devices if device.number == int(wanted)]
    else:
        found = [device for device in devices if wanted.casefold() in device.name.casefold()]
    if len(found) == 1:
        return found[0]
    if not found:
        raise PortError(f"audio device '{wanted}' matches none that has an output", remedy=f"there are {listed}")
    matches = ", ".join(f"[{device.number}] {device.name}" for device in found)
    raise PortError(
        f"audio device '{wanted}' matches {len(found)}: {matches}", remedy="give more of the name or its number"
    )


def chosen_system(wanted: str) -> System:
    """``jack`` or ``portaudio`` for what the player asked (``auto``: JACK if it runs).

    Raises `PortError` when that system cannot play.
    """
    running = jack_server() is not None if wanted in ("auto", "jack") else False
    if wanted == "jack" and not running:
        raise no_jack_server()
    if running:
        return "jack"
    chosen_device(None)
    return "portaudio"
