"""Commands that make sound: demo, play, render."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Annotated, Literal

import typer

from voicer import library
from voicer.cli.common import (
    PREPARING,
    AsJson,
    CeilingDb,
    Overwrite,
    Settings,
    app,
    changed,
    print_json,
    progress_bar,
    say,
)  # fmt: skip
from voicer.cli.part_options import Capacitors, Resistors, Swaps, Unit, part_choice
from voicer.drawing.terminal import console
from voicer.errors import FileError, did_you_mean, one_line

CAUTION = (
    "Caution: an echo near self-oscillation gets loud suddenly. Start with the monitor low, headphones lower still. "
    "An output ceiling is on."
)


@app.command("demo")
def demo_command(
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Output folder.")] = Path("demo"),
    overwrite: Overwrite = False,
) -> None:
    """Run the whole job without hardware: riff in, knobs turned over MIDI, echo and pictures out.

    Example: voicer demo --out demo
    """
    from voicer.play.demo import make_demo

    with progress_bar() as bar:
        task = bar.add_task(PREPARING, total=1.0)

        def progress(share: float) -> None:
            bar.update(task, completed=share, description="playing the riff")

        made = make_demo(out, progress, overwrite=overwrite)
        bar.update(task, completed=1.0)
    say(*made, "Start echo.wav at a low volume: it runs away near the end.")


@app.command()
def play(
    words: Annotated[list[str] | None, typer.Argument(metavar="[VOICING]", help="A name or a file.")] = None,
    source: Annotated[str, typer.Option("--input", metavar="live|FILE", help="Live, or loop a recording.")] = "live",
    audio: Annotated[Literal["auto", "jack", "portaudio"], typer.Option(help="Audio system.")] = "auto",
    device: Annotated[
        str | None, typer.Option(metavar="NAME", help="PortAudio output device (also the input, if it has one).")
    ] = None,
    input_device: Annotated[str | None, typer.Option(metavar="NAME", help="PortAudio input device.")] = None,
    rate: Annotated[float, typer.Option(min=44_100, max=192_000, help="Sample rate for PortAudio, Hz.")] = 48_000,
    frames: Annotated[int, typer.Option(min=16, max=4096, help="Block length for PortAudio, frames.")] = 64,
    midi: Annotated[str, typer.Option(metavar="auto|none|PORT", help="MIDI input, number or partial name.")] = "auto",
    controller_map: Annotated[str | None, typer.Option("--map", metavar="FILE", help="Controller map file.")] = None,
    setlist: Annotated[
        str | None, typer.Option(metavar="NAME|FILE", help="Setlist for next and previous to walk.")
    ] = None,
    record: Annotated[bool, typer.Option("--record", help="Record a take from the start.")] = False,
    keep_minutes: Annotated[
        float, typer.Option(min=0, max=60, help="Keep the last minutes in memory, 23 MB each; 0 keeps nothing.")
    ] = 5.0,
    fresh: Annotated[bool, typer.Option("--fresh", help="Start without what the last session left.")] = False,
    rack: Annotated[
        str | None, typer.Option(metavar="UNITS", help="Units in signal order, separated by commas; default: echo.")
    ] = None,
    ceiling_db: CeilingDb = -3.0,
    seconds: Annotated[float | None, typer.Option(min=0.1, help="Stop after this many seconds.")] = None,
    series: Resistors = None,
    capacitors: Capacitors = None,
    unit: Unit = None,
    swaps: Swaps = None,
    as_json: AsJson = False,
) -> None:
    """Play live through a voicing and tune it with a MIDI controller or the keyboard.

    Example: voicer play slow-tide --input riff.wav
    """
    from voicer.play.live import Asked, play_live

    asked = Asked(
        voicing=_one_voicing(words) if words else None, fresh=fresh or setlist is not None, setlist=setlist,
        first_song=setlist is not None and not words, source=source, system=audio, device=device,
        input_device=input_device, sample_rate_hz=rate, frames=frames, midi=midi, controller_map=controller_map,
        keep_minutes=keep_minutes, record=record,
        rack=None if rack is None else tuple(unit.strip() for unit in rack.split(",") if unit.strip()),
        ceiling_db=ceiling_db, seconds=seconds,
        parts_for=lambda voicing: part_choice(voicing, series, capacitors, unit, swaps),
    )  # fmt: skip
    screen = console(stderr=as_json)
    screen.print(CAUTION)
    summary = play_live(asked, screen)
    if as_json:
        print_json(summary)


def _one_voicing(words: list[str]) -> str:
    """The name or path given; several words are a title without its quotes, and the name it stands for is offered."""
    if len(words) == 1:
        return words[0]
    title = " ".join(words)
    near = did_you_mean(library.slug(title), library.list_names())
    raise FileError(f"play takes one voicing (got {len(words)} words: '{one_line(title)}')", remedy=near)


@app.command("render")
def render_command(
    source: Annotated[Path, typer.Argument(metavar="IN", help="WAV or FLAC recording; channels are mixed to mono.")],
    target: Annotated[Path, typer.Argument(metavar="OUT", help="WAV or FLAC file to write.")],
    voicing: Annotated[str, typer.Option("--voicing", help="A name or a file.")] = "harbour-dusk",
    settings: Settings = None,
    tail: Annotated[float, typer.Option(min=0, max=600, help="Seconds of silence after the input.")] = 4.0,
    ceiling_db: CeilingDb = -3.0,
    series: Resistors = None,
    capacitors: Capacitors = None,
    unit: Unit = None,
    swaps: Swaps = None,
    overwrite: Overwrite = False,
) -> None:
    """Render a recording through a voicing, faster than real time.

    Example: voicer render riff.wav echo.wav --voicing lamp-lane --set repeats.feedback=0.8 --unit 7
    """
    import numpy as np

    from voicer.dsp.rendering import HIGHEST_RATE_HZ, LOWEST_RATE_HZ, render
    from voicer.files import recording

    heard = changed(library.load(voicing), settings)
    parts = part_choice(heard, series, capacitors, unit, swaps)
    circuit = parts.circuit(heard)
    recording.check_writable(target, overwrite=overwrite, inputs=[source])
    x, rate_hz = recording.read(source)
    inner_hz = rate_hz if LOWEST_RATE_HZ <= rate_hz <= HIGHEST_RATE_HZ else 48_000
    x = np.concatenate((recording.at_rate(x, rate_hz, inner_hz), np.zeros(int(tail * inner_hz))))
    begun = time.perf_counter()
    with progress_bar() as bar:
        task = bar.add_task(PREPARING, total=x.size)

        def progress(done: int) -> None:
            bar.update(task, completed=done, description="rendering")

        y = render(x, inner_hz, circuit, ceiling_db=ceiling_db, progress=progress)
    took_s = time.perf_counter() - begun
    recording.write(
        target, recording.at_rate(y, inner_hz, rate_hz), rate_hz, overwrite=overwrite, inputs=[source]
    )
    say(f"{target}: {x.size / inner_hz:.1f} s, {x.size / inner_hz / took_s:.0f} times real time, {parts.says}")
