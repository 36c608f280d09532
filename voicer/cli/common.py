"""What the commands share: the app, options, settings, and how things are printed."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from typing import Annotated, Any

import typer
from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

from voicer.board import PartChoice, design_board
from voicer.board.board import DEFAULT_SERIES, SeriesName
from voicer.board.series import Series
from voicer.board.spread import Tolerances
from voicer.board.values import parse_swaps
from voicer.drawing.terminal import console
from voicer.errors import VoicingError, json_text, one_line, printable
from voicer.voicing import Parameter, Voicing, parameter

app = typer.Typer(
    add_completion=False, no_args_is_help=True, rich_markup_mode=None, pretty_exceptions_enable=False,
    help="Play, tune, save and build bucket-brigade echoes.",
)  # fmt: skip

LONGEST_NUMBER = 50
"""Characters of a number on the command line."""

PREPARING = "preparing (the first time the kernel is compiled: some seconds)"

VoicingName = Annotated[str, typer.Argument(metavar="VOICING", help="A name from 'voicer voicings', or a file.")]
AsJson = Annotated[bool, typer.Option("--json", help="Print facts as JSON.")]
Settings = Annotated[
    list[str] | None, typer.Option("--set", metavar="KEY=VALUE", help="Change a parameter, such as line.stages=1024.")
]
Overwrite = Annotated[bool, typer.Option("--overwrite", help="Replace files that exist.")]
CeilingDb = Annotated[float, typer.Option("--ceiling-db", min=-40.0, max=0.0, help="Output ceiling, dB of full scale.")]
Resistors = Annotated[
    SeriesName | None, typer.Option("--series", help="Hear parts: resistors of this series, or exact values.")
]
Capacitors = Annotated[Series | None, typer.Option("--capacitors", help="Series of the capacitors; E12, or E6.")]
Unit = Annotated[int | None, typer.Option("--unit", min=1, help="One unit of the tolerance spread, from 1.")]
Swaps = Annotated[
    list[str] | None,
    typer.Option("--swap", metavar="REF=VALUE", help="Swap a part, such as R7=12k or low_cut.load_ohm=56k."),
]


def changed(voicing: Voicing, settings: list[str] | None) -> Voicing:
    """A voicing with the ``--set`` options in it."""
    pairs = [_setting(text) for text in settings or []]
    return voicing.changed({pair.key: pair.value for pair in pairs}) if pairs else voicing


def part_choice(
    voicing: Voicing, series: SeriesName | None, capacitors: Series | None, unit: int | None,
    swaps: list[str] | None, tolerances: Tolerances | None = None,
) -> PartChoice:  # fmt: skip
    """What the options for parts ask for; swapped parts are looked for on the voicing's board."""
    values = {}
    if swaps:
        values = parse_swaps(swaps, design_board(voicing, series or DEFAULT_SERIES, capacitors=capacitors).parts)
    return PartChoice(series, capacitors, unit, values, tolerances or Tolerances())


@dataclass(frozen=True)
class _Setting:
    key: str
    value: Any


def _setting(text: str) -> _Setting:
    """A ``KEY=VALUE`` of the command line; the value is read as the parameter's kind wants it."""
    key, equals, value = text.partition("=")
    if not equals:
        what = f"--set must be KEY=VALUE (got '{one_line(text)}')"
        raise VoicingError(what, remedy="for example --set delay.time_ms=250")
    return _Setting(key, _value(parameter(key), value))


def _value(asked: Parameter, text: str) -> Any:
    """A value as the parameter's kind wants it; a choice that is none is left to the voicing to refuse."""
    if asked.kind == "text":
        return text
    if asked.kind == "choice":
        return next((choice for choice in asked.choices if str(choice) == text), text)
    try:
        if len(text) > LONGEST_NUMBER:
            raise ValueError
        if asked.kind == "switch":
            return {"true": True, "false": False}[text]
        return int(text) if asked.kind == "whole" else float(text)
    except (ValueError, KeyError):
        raise VoicingError(f"{asked.key} must be {asked.rule} (got '{one_line(text)}')") from None


def progress_bar() -> Progress:
    """A bar on standard error that leaves nothing behind."""
    return Progress(
        TextColumn("{task.description}", markup=False), BarColumn(), TaskProgressColumn(), TimeRemainingColumn(),
        console=console(stderr=True), transient=True, disable=not sys.stderr.isatty(),
    )  # fmt: skip


def plain(value: Any) -> str:
    """A value for people."""
    return f"{value:g}" if isinstance(value, float) else str(value).lower() if isinstance(value, bool) else str(value)


def print_json(data: Any) -> None:
    """Data for programs."""
    print(json_text(data))


def say(*lines: object, err: bool = False) -> None:
    """Print lines of plain text for people; text that came from outside cannot steer their terminal."""
    for line in lines:
        print(printable(str(line)), file=sys.stderr if err else sys.stdout, flush=True)
