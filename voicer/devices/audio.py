"""Audio systems of this machine: whether JACK runs and how fast, which devices PortAudio has. Thread: control."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from voicer.errors import PortError
from voicer.library.calibrations import AudioInput

System = Literal["jack", "portaudio"]
Direction = Literal["input", "output"]

START_JACK = "start one (for example: jackd -d alsa -r 48000 -p 64), or use --audio portaudio"


@dataclass(frozen=True)
class JackServer:
    """A running JACK server."""

    sample_rate_hz: float
    frames: int
    realtime: bool
    inputs: tuple[str, ...]
    """Physical ports a signal can come from."""
    outputs: tuple[str, ...]
    """Physical ports a signal can go to."""


@dataclass(frozen=True)
class AudioDevice:
    """A device PortAudio can open."""

    number: int
    """PortAudio's own index: valid in this process only, it changes as devices come and go."""
    name: str
    """Unique among the devices here: the device's own name, with its host API and a count where those are needed."""
    inputs: int
    outputs: int
    sample_rate_hz: float
    is_default_input: bool
    is_default_output: bool


@dataclass(frozen=True)
class DevicePair:
    """Where sound comes from and where it goes; one device or two."""

    input: AudioDevice | None
    """None when a recording is played in place of the input."""
    output: AudioDevice

    @property
    def says(self) -> str:
        """The pair in words."""
        if self.input is None:
            return f"output: {self.output.name}"
        return f"input: {self.input.name}, channel 1; output: {self.output.name}"


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
    """The JACK server now running, or None."""
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
    """The error for a JACK server that is not running, with its name."""
    name = os.environ.get("JACK_DEFAULT_SERVER", "default")
    return PortError(f"no JACK server '{name}' is running", remedy=START_JACK)


def portaudio_devices() -> list[AudioDevice]:
    """Devices PortAudio can open; empty where its library is not installed or there are none."""
    try:
        import sounddevice
    except OSError:
        return []
    return named_devices(list(sounddevice.query_devices()), list(sounddevice.query_hostapis()))


def named_devices(devices: Sequence[Mapping[str, Any]], host_apis: Sequence[Mapping[str, Any]]) -> list[AudioDevice]:
    """Devices under unique names, from PortAudio's lists of devices and host APIs.

    A default of each direction is that of the first host API which has one.
    """
    defaults = [
        next((api[key] for api in host_apis if api[key] >= 0), -1)
        for key in ("default_input_device", "default_output_device")
    ]
    plain = [str(device["name"]) for device in devices]
    with_api = [f"{name}, {host_apis[device['hostapi']]['name']}" for name, device in zip(plain, devices, strict=True)]
    named = []
    for number, device in enumerate(devices):
        name = plain[number]
        if plain.count(name) > 1:
            name = with_api[number]
        if with_api.count(name) > 1:
            name += f" #{with_api[: number + 1].count(name)}"
        named.append(
            AudioDevice(
                number, name, device["max_input_channels"], device["max_output_channels"],
                device["default_samplerate"], number == defaults[0], number == defaults[1],
            )
        )  # fmt: skip
    return named


def choose_device(wanted: str | None, direction: Direction, devices: Sequence[AudioDevice]) -> AudioDevice:
    """The one device for this direction that a name or part of a name stands for; without one, the default.

    Raises `PortError` naming the candidates.
    """
    article = f"an {direction}"
    usable = [device for device in devices if (device.inputs if direction == "input" else device.outputs)]
    if not usable:
        remedy = "connect one, start a JACK server, or "
        remedy += "loop a recording with --input FILE" if direction == "input" else "use 'voicer render'"
        raise PortError(f"there is no audio device with {article}", remedy=remedy)
    if wanted is None:
        default = [d for d in usable if (d.is_default_input if direction == "input" else d.is_default_output)]
        return (default or usable)[0]
    folded = wanted.casefold()
    found = [d for d in usable if d.name.casefold() == folded] or [d for d in usable if folded in d.name.casefold()]
    if len(found) == 1:
        return found[0]
    if found:
        matches = ", ".join(f"'{device.name}'" for device in found)
        raise PortError(f"{direction} device '{wanted}' matches {len(found)}: {matches}", remedy="give the whole name")
    deaf = [device for device in devices if folded in device.name.casefold()]
    listed = ", ".join(f"'{device.name}'" for device in usable)
    what = f"{direction} device '{wanted}' must be one of {listed}"
    raise PortError(f"{what} ('{deaf[0].name}' has no {direction})" if deaf else what, remedy="see 'voicer devices'")


def choose_pair(
    output: str | None, input_: str | None, devices: Sequence[AudioDevice], *, needs_input: bool = True
) -> DevicePair:
    """The devices to play through.

    Without a name for the input it is the output device's own, where that was named and has one, else the default.

    Raises `PortError` when either cannot be had.
    """
    player = choose_device(output, "output", devices)
    if not needs_input:
        return DevicePair(None, player)
    if input_ is None and output is not None and player.inputs:
        return DevicePair(player, player)
    return DevicePair(choose_device(input_, "input", devices), player)


def chosen_system(wanted: str) -> System:
    """``jack`` or ``portaudio`` for what the player asked (``auto``: JACK if it runs).

    Raises `PortError` when that system is not there.
    """
    running = jack_server() is not None if wanted in ("auto", "jack") else False
    if wanted == "jack" and not running:
        raise no_jack_server()
    return "jack" if running else "portaudio"


def jack_input(server: JackServer | None = None) -> AudioInput | None:
    """The port that `play` connects to by itself: JACK's first physical input."""
    server = server or jack_server()
    if server is None or not server.inputs:
        return None
    client, _, port = server.inputs[0].partition(":")
    return AudioInput("jack", client, port)


def portaudio_input(device: AudioDevice) -> AudioInput:
    """The channel of a PortAudio device that is listened to: the first."""
    return AudioInput("portaudio", device.name, "1")


def usual_input() -> AudioInput | None:
    """The input `play` listens to when no device is named; None without any."""
    server = jack_server()
    if server is not None:
        return jack_input(server)
    try:
        return portaudio_input(choose_device(None, "input", portaudio_devices()))
    except PortError:
        return None
