"""The commands: parse, call, print. An error a user can cause is one line on standard error and exit code 2."""

from __future__ import annotations

import json
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal

import typer
from rich.console import Console
from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn
from rich.table import Table

from voicer import library
from voicer.circuit import design, fact_lines, facts, remarks
from voicer.errors import VoicerError, VoicingError
from voicer.voicing import Voicing, parameter, parameters

app = typer.Typer(
    add_completion=False, no_args_is_help=True, rich_markup_mode=None, pretty_exceptions_enable=False,
    help="Play, tune, save and build bucket-brigade echoes.",
)  # fmt: skip

CAUTION = (
    "Caution: an echo near self-oscillation gets loud suddenly. Start with the monitor low; headphones lowest. "
    "An output ceiling is on."
)

PREPARING = "preparing (the first time the kernel is compiled: some seconds)"

VoicingName = Annotated[str, typer.Argument(metavar="VOICING", help="A name from 'voicer voicings', or a file.")]
AsJson = Annotated[bool, typer.Option("--json", help="Print facts as JSON.")]
Settings = Annotated[
    list[str] | None, typer.Option("--set", metavar="KEY=VALUE", help="Change a parameter, such as line.stages=1024.")
]
CeilingDb = Annotated[float, typer.Option("--ceiling-db", min=-40.0, max=0.0, help="Output ceiling, dB of full scale.")]


def main() -> None:
    """Entry point of the ``voicer`` command."""
    try:
        sys.exit(app(standalone_mode=False))  # None, or the code a command left with
    except typer.Abort:
        sys.exit(130)
    except KeyboardInterrupt:
        sys.exit(130)
    except VoicerError as error:
        print(f"voicer: {error}", file=sys.stderr)
        sys.exit(2)
    except Exception as error:
        if not hasattr(error, "format_message"):  # not one of the command parser's own
            raise
        print(f"voicer: {error.format_message()}", file=sys.stderr)
        sys.exit(2)


@app.command("demo")
def demo_command(
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder for what it makes.")] = Path("demo"),
) -> None:
    """The whole job with no hardware: a riff in, knobs turned by MIDI, echo and pictures out.

    Example: voicer demo --out demo
    """
    from voicer.demo import demo

    with _progress() as bar:
        task = bar.add_task(PREPARING, total=1.0)
        made = demo(out, lambda share: bar.update(task, completed=share, description="playing the riff"))
        bar.update(task, completed=1.0)
    for path in made:
        print(path)
    print("Listen to echo.wav, quietly first: the runaway comes near its end.")


@app.command()
def play(
    voicing: Annotated[str, typer.Argument(metavar="[VOICING]", help="A name or a file.")] = "harbour-dusk",
    source: Annotated[str, typer.Option("--input", metavar="live|FILE", help="Or a recording to loop.")] = "live",
    audio: Annotated[Literal["auto", "jack", "portaudio"], typer.Option(help="Audio system.")] = "auto",
    device: Annotated[str | None, typer.Option(help="PortAudio device: number or part of its name.")] = None,
    rate: Annotated[float, typer.Option(min=44_100, max=192_000, help="Sample rate for PortAudio, Hz.")] = 48_000,
    frames: Annotated[int, typer.Option(min=16, max=4096, help="Block length for PortAudio.")] = 64,
    midi: Annotated[str, typer.Option(metavar="auto|none|PORT", help="MIDI input: number or part of name.")] = "auto",
    controller_map: Annotated[str | None, typer.Option("--map", metavar="FILE", help="Controller map.")] = None,
    rack: Annotated[str, typer.Option(help="Units in playing order.")] = "echo,ceiling",
    ceiling_db: CeilingDb = -3.0,
    seconds: Annotated[float | None, typer.Option(min=0.1, help="Stop after so long.")] = None,
    as_json: AsJson = False,
) -> None:
    """Play through a voicing live, and tune it with a MIDI controller.

    Example: voicer play slow-tide --input riff.wav
    """
    from voicer.live import Asked, play_live

    asked = Asked(
        voicing=voicing, source=source, system=audio, device=device, sample_rate_hz=rate, frames=frames, midi=midi,
        controller_map=controller_map, rack=tuple(unit.strip() for unit in rack.split(",") if unit.strip()),
        ceiling_db=ceiling_db, seconds=seconds,
    )  # fmt: skip
    console = Console(stderr=as_json)
    console.print(CAUTION)
    summary = play_live(asked, console)
    if as_json:
        _print_json(summary)


@app.command("render")
def render_command(
    source: Annotated[Path, typer.Argument(metavar="IN", help="Recording, WAV or FLAC; channels are mixed to one.")],
    target: Annotated[Path, typer.Argument(metavar="OUT", help="WAV or FLAC to write.")],
    voicing: Annotated[str, typer.Option("--voicing", help="A name or a file.")] = "harbour-dusk",
    settings: Settings = None,
    tail: Annotated[float, typer.Option(min=0, max=600, help="Seconds of silence behind the input.")] = 4.0,
    ceiling_db: CeilingDb = -3.0,
) -> None:
    """Put a recording through a voicing, faster than real time.

    Example: voicer render riff.wav echo.wav --voicing lamp-lane --set repeats.feedback=0.8
    """
    import numpy as np

    from voicer import recording
    from voicer.dsp.rendering import HIGHEST_RATE_HZ, LOWEST_RATE_HZ, render

    circuit = design(_changed(library.load(voicing), settings))
    recording.check_writable(target)
    x, rate_hz = recording.read(source)
    inner_hz = rate_hz if LOWEST_RATE_HZ <= rate_hz <= HIGHEST_RATE_HZ else 48_000
    x = np.concatenate((recording.at_rate(x, rate_hz, inner_hz), np.zeros(int(tail * inner_hz))))
    begun = time.perf_counter()
    with _progress() as bar:
        task = bar.add_task(PREPARING, total=x.size)

        def progress(done: int) -> None:
            bar.update(task, completed=done, description="rendering")

        y = render(x, inner_hz, circuit, ceiling_db=ceiling_db, progress=progress)
    took_s = time.perf_counter() - begun
    recording.write(target, recording.at_rate(y, inner_hz, rate_hz), rate_hz)
    print(f"{target}: {x.size / inner_hz:.1f} s, {x.size / inner_hz / took_s:.0f} times real time")


@app.command("voicings")
def voicings_command(as_json: AsJson = False) -> None:
    """List the voicings: your own first, then the shipped ones.

    Example: voicer voicings --json
    """
    entries = library.listing()
    if as_json:
        fields = ("name", "title", "notes", "shipped", "slot", "error", "shadows_shipped")
        _print_json([{name: getattr(entry, name) for name in fields} | {"path": str(entry.path)} for entry in entries])
        return
    table = Table(box=None, pad_edge=False)
    for column in ("slot", "name", "notes"):
        table.add_column(column)
    for entry in entries:
        whose = "" if entry.shipped else " (yours, before the shipped one)" if entry.shadows_shipped else " (yours)"
        slot = "" if entry.slot is None else str(entry.slot)
        table.add_row(slot, entry.name + whose, entry.error or entry.notes)
    Console().print(table)


@app.command()
def show(voicing: VoicingName, settings: Settings = None, as_json: AsJson = False) -> None:
    """Print a voicing and the figures of its circuit.

    Example: voicer show old-dredger --set delay.time_ms=300
    """
    shown = _changed(library.load(voicing), settings)
    circuit = design(shown)
    if as_json:
        _print_json({"voicing": shown.model_dump(), "circuit": facts(circuit)})
        return
    table = Table(box=None, pad_edge=False, show_header=False)
    for key, known in parameters().items():
        table.add_row(key, f"{_plain(shown.get(key))}{f' {known.unit}' if known.unit else ''}")
    table.add_section()
    for what, value in fact_lines(circuit):
        table.add_row(what, value)
    Console().print(table)


@app.command()
def check(
    files: Annotated[list[str], typer.Argument(metavar="FILE…", help="Voicing files or names.")],
    as_json: AsJson = False,
) -> None:
    """Check voicings; what is wrong is told in one line each, and the exit code is 2.

    Example: voicer check my-voicing.toml
    """
    results, wrong = [], False
    for name in files:
        result: dict[str, Any] = {"name": name, "ok": True, "error": None, "remarks": []}
        try:
            result["remarks"] = [remark.line for remark in remarks(design(library.load(name)))]
        except VoicerError as error:
            where = "" if error.where else f"{name}: "
            result |= {"ok": False, "error": f"{where}{error}"}
            wrong = True
        results.append(result)
    if as_json:
        _print_json(results)
    for result in [] if as_json else results:
        if result["error"]:
            print(f"voicer: {result['error']}", file=sys.stderr)
            continue
        print(f"{result['name']}: good")
        for line in result["remarks"]:
            print(f"  mind: {line}")
    if wrong:
        raise typer.Exit(2)


@app.command()
def schema() -> None:
    """Print the JSON Schema of a voicing file, for editors to complete from.

    Example: voicer schema > voicing.schema.json
    """
    from voicer.library.form import file_schema

    _print_json(file_schema())


@app.command()
def devices(as_json: AsJson = False) -> None:
    """List the audio and MIDI ports voicer can see, and what is wrong if it sees none.

    Example: voicer devices
    """
    found = _devices()
    if as_json:
        _print_json(found)
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
    from voicer.bench.speed import speed

    with _progress() as bar:
        task = bar.add_task("measuring", total=None)
        figures = speed(lambda what: bar.update(task, description=what))
    if as_json:
        _print_json(figures)
        return
    for name, value in figures.items():
        print(f"{name}: {value:.3g}")


@dataclass(frozen=True)
class _Setting:
    key: str
    value: Any


def _changed(voicing: Voicing, settings: list[str] | None) -> Voicing:
    pairs = [_setting(text) for text in settings or []]
    return voicing.changed({pair.key: pair.value for pair in pairs}) if pairs else voicing


def _setting(text: str) -> _Setting:
    """A ``KEY=VALUE`` of the command line; the value is read as the parameter's kind wants it."""
    key, equals, value = text.partition("=")
    if not equals:
        raise VoicingError(f"--set must be KEY=VALUE (got '{text}')", remedy="for example --set delay.time_ms=250")
    kind = parameter(key).kind
    if kind in ("text", "choice") and not value.lstrip("-").isdecimal():
        return _Setting(key, value)
    try:
        return _Setting(key, json.loads(value))
    except json.JSONDecodeError:
        raise VoicingError(f"{key} must be {parameter(key).rule} (got '{value}')") from None


def _devices() -> dict[str, Any]:
    from dataclasses import asdict

    from voicer.control import ports
    from voicer.host import audio

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


def _progress() -> Progress:
    return Progress(
        TextColumn("{task.description}"), BarColumn(), TaskProgressColumn(), TimeRemainingColumn(),
        console=Console(stderr=True), transient=True,
    )  # fmt: skip


def _plain(value: Any) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value).lower() if isinstance(value, bool) else str(value)


def _print_json(data: Any) -> None:
    print(json.dumps(data, indent=2, ensure_ascii=False))
