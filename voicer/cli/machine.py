"""Commands about this machine: devices, speed."""

from __future__ import annotations

from typing import Any

from voicer.cli.common import AsJson, app, print_json, progress_bar


@app.command()
def devices(as_json: AsJson = False) -> None:
    """List the audio and MIDI ports voicer can see, and what is wrong if it sees none.

    Example: voicer devices
    """
    found = _devices()
    if as_json:
        print_json(found)
        return
    jack = found["jack"]
    print("JACK: " + (f"{jack['sample_rate_hz']:.0f} Hz, {jack['frames']} frames" if jack else "no server runs"))
    for kind in ("portaudio", "midi_inputs"):
        print(f"{'PortAudio' if kind == 'portaudio' else 'MIDI inputs'}:" + ("" if found[kind] else " none"))
        for port in found[kind]:
            print(f"  [{port['number']}] {port['name']}")
    for line in found["trouble"]:
        print(f"mind: {line}")


@app.command("speed")
def speed_command(as_json: AsJson = False) -> None:
    """Measure how fast the echo runs here, as multiples of real time.

    Example: voicer speed --json
    """
    from voicer.play.speed import speed

    with progress_bar() as bar:
        task = bar.add_task("measuring", total=None)
        figures = speed(lambda what: bar.update(task, description=what))
    if as_json:
        print_json(figures)
        return
    for name, value in figures.items():
        print(f"{name}: {value:.3g}")


def _devices() -> dict[str, Any]:
    from dataclasses import asdict

    from voicer.devices import audio
    from voicer.devices import midi_ports as ports

    jack, found = audio.jack_server(), audio.portaudio_devices()
    trouble = list(ports.trouble())
    if jack is None and not found:
        trouble.append(
            "no JACK server and no audio device: connect one, start JACK, or work with files ('voicer render')"
        )
    elif jack is None:
        trouble.append("no JACK server runs: 'voicer play' uses PortAudio, which may answer later")
    return {
        "jack": asdict(jack) if jack else None,
        "portaudio": [asdict(device) for device in found],
        "midi_inputs": [asdict(port) for port in ports.inputs()],
        "trouble": trouble,
    }
