"""Commands about this machine: devices, speed."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from voicer.cli.common import AsJson, app, print_json, progress_bar, say


@app.command()
def devices(as_json: AsJson = False) -> None:
    """List audio devices and MIDI ports, and say what is wrong if there are none.

    Example: voicer devices
    """
    found = _devices()
    if as_json:
        print_json(found)
        return
    jack = found["jack"]
    say(f"JACK: {jack['sample_rate_hz']:.0f} Hz, {jack['frames']} frames" if jack else "JACK: no server is running")
    for kind, title in (("outputs", "output devices"), ("inputs", "input devices")):
        usable = [device for device in found["portaudio"] if device[kind]]
        say(f"PortAudio {title}:" + ("" if usable else " none"))
        for device in usable:
            default = "  (default)" if device[f"is_default_{kind[:-1]}"] else ""
            say(f"  {device['name']}{default}")
    say("MIDI inputs:" + ("" if found["midi_inputs"] else " none"))
    for port in found["midi_inputs"]:
        say(f"  [{port['number']}] {port['name']}")
    say("input calibrations:" + ("" if found["full_scale_v"] else " none"))
    for key, volts in found["full_scale_v"].items():
        say(f"  {key}: full scale {volts:.4g} V")
    for line in found["trouble"]:
        say(f"note: {line}")


@app.command("speed")
def speed_command(
    live: Annotated[
        float | None, typer.Option("--live", metavar="MINUTES", min=0.1, help="Measure live timing instead.")
    ] = None,
    frames: Annotated[int, typer.Option(min=16, max=4096, help="Block length for --live, frames.")] = 32,
    messages: Annotated[float, typer.Option(min=0, max=2000, help="Control changes per second for --live.")] = 200,
    as_json: AsJson = False,
) -> None:
    """Measure how fast the echo runs on this machine, or how steadily it plays live.

    With --live, voicer plays on a private JACK server alongside a busy process; late blocks are reported next to
    those of a bare wake-up loop at the same priority.

    Example: voicer speed --live 30 --frames 32
    """
    if live is not None:
        _tell_steadiness(live, frames, messages, as_json)
        return
    from voicer.play.speed import measure_speed

    with progress_bar() as bar:
        task = bar.add_task("measuring", total=None)
        figures = measure_speed(lambda what: bar.update(task, description=what))
    if as_json:
        print_json(figures)
        return
    for name, value in figures.items():
        say(f"{name}: {value:.3g}")


def _tell_steadiness(minutes: float, frames: int, messages_per_s: float, as_json: bool) -> None:
    from voicer.play.steadiness import measure_steadiness

    with progress_bar() as bar:
        task = bar.add_task("playing", total=1.0)
        figures = measure_steadiness(minutes, frames, messages_per_s, lambda share: bar.update(task, completed=share))
    if as_json:
        print_json(figures)
        return
    played, woken = figures["voicer"], figures["wake_loop"]
    say(f"voicer: {played['late_blocks']} of {played['blocks']} blocks late ({figures['late_share']:.4%}), "
          f"{played['gaps']} gaps, {played['xruns']} xruns, p99 {figures['block_time_p99_share']:.1%} of a block")
    say(f"bare wake-up loop: {woken['late']} of {woken['wakes']} wakes late ({figures['wake_late_share']:.4%}), "
          f"p99 {woken['late_p99_us']:.0f} µs, longest {woken['late_max_us']:.0f} µs")
    say(f"priorities: voicer {played['realtime_priority']}, loop {woken['priority']}")


def _devices() -> dict[str, Any]:
    from dataclasses import asdict

    from voicer.devices import audio, midi_ports
    from voicer.library.calibrations import read_calibrations

    jack, found = audio.jack_server(), audio.portaudio_devices()
    midi = midi_ports.survey()
    trouble = list(midi.trouble)
    if jack is None and not found:
        trouble.append("no JACK server and no audio device: connect one, start JACK, or use files ('voicer render')")
    elif jack is None:
        trouble.append("no JACK server is running: 'voicer play' uses PortAudio, which may add latency")
    return {
        "jack": asdict(jack) if jack else None,
        "portaudio": [asdict(device) for device in found],
        "midi_inputs": [asdict(port) for port in midi.inputs],
        "full_scale_v": read_calibrations(),
        "trouble": trouble,
    }
