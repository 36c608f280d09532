"""What the commands share: the app, options, settings, and how things are printed."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any

import typer

from voicer.cli.commands import LazyCommands
from voicer.errors import VoicingError, json_text, one_line, printable

if TYPE_CHECKING:
    from collections.abc import Iterable

    from rich.progress import Progress

    from voicer.voicing import Parameter, Voicing

app = typer.Typer(
    cls=LazyCommands, add_completion=False, no_args_is_help=True, rich_markup_mode=None, pretty_exceptions_enable=False,
    help="Play, tune, save and build bucket-brigade echoes.",
)  # fmt: skip

LONGEST_NUMBER = 50
"""Characters of a number on the command line."""

PREPARING = "preparing (the first run compiles the kernel: a few seconds)"

VoicingName = Annotated[str, typer.Argument(metavar="VOICING", help="A name from 'voicer voicings', or a file.")]
AsJson = Annotated[bool, typer.Option("--json", help="Print the result as JSON.")]
Settings = Annotated[
    list[str] | None, typer.Option("--set", metavar="KEY=VALUE", help="Change a parameter, such as line.stages=1024.")
]
Overwrite = Annotated[bool, typer.Option("--overwrite", help="Replace existing files.")]
CeilingDb = Annotated[float, typer.Option("--ceiling-db", min=-40.0, max=0.0, help="Output ceiling, dB of full scale.")]


def changed(voicing: Voicing, settings: list[str] | None) -> Voicing:
    """A voicing with the ``--set`` options in it."""
    pairs = [_setting(text) for text in settings or []]
    return voicing.changed({pair.key: pair.value for pair in pairs}) if pairs else voicing


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
    from voicer.voicing import parameter

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
        return int(text) if asked.kind == "whole" or text.lstrip("-").isdecimal() else float(text)
    except (ValueError, KeyError):
        raise VoicingError(f"{asked.key} must be {asked.rule} (got '{one_line(text)}')") from None


@app.callback()
def _commands() -> None:
    pass


def progress_bar() -> Progress:
    """A progress bar on standard error, removed when it is done."""
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

    from voicer.drawing.terminal import console

    return Progress(
        TextColumn("{task.description}", markup=False), BarColumn(), TaskProgressColumn(), TimeRemainingColumn(),
        console=console(stderr=True), transient=True, disable=not sys.stderr.isatty(),
    )  # fmt: skip


def print_columns(rows: Iterable[tuple[str, ...]]) -> None:
    """Print rows in columns; on a terminal the last column is wrapped into its width."""
    import shutil
    import textwrap

    clean = [tuple(printable(" ".join(cell.split())) for cell in row) for row in rows]
    widths = [max(map(_width, column)) for column in zip(*clean, strict=True)][:-1]
    left = " " * (sum(widths) + 2 * len(widths))
    room = max(shutil.get_terminal_size().columns - len(left), 20) if sys.stdout.isatty() else 10**6
    for *cells, last in clean:
        start = "".join(f"{cell}{' ' * (width - _width(cell))}  " for cell, width in zip(cells, widths, strict=True))
        first, *rest = textwrap.wrap(last, room) or [""]
        say(f"{start}{first}".rstrip(), *(left + line for line in rest))


def _width(text: str) -> int:
    """Columns of a terminal that a text takes: two for a wide character, none for a combining one."""
    if text.isascii():
        return len(text)
    from unicodedata import combining, east_asian_width

    return sum(0 if combining(char) else 1 + (east_asian_width(char) in "WF") for char in text)


def plain(value: Any) -> str:
    """A value for people."""
    return f"{value:g}" if isinstance(value, float) else str(value).lower() if isinstance(value, bool) else str(value)


def print_json(data: Any) -> None:
    """Print data for programs."""
    print(json_text(data))


def say(*lines: object, err: bool = False) -> None:
    """Print lines of plain text for people; text that came from outside cannot steer their terminal."""
    for line in lines:
        print(printable(str(line)), file=sys.stderr if err else sys.stdout, flush=True)
