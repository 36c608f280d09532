"""The list of commands: where each is, and its one line of help, so that a command loads no other's modules."""

from __future__ import annotations

from collections.abc import Iterator, MutableMapping
from importlib import import_module
from typing import Any

from typer.core import TyperGroup
from typer.main import get_command_from_info

COMMANDS = {
    "demo": ("playing", "Run the whole job without hardware: riff in, knobs turned over MIDI, echo and pictures out."),
    "play": ("playing", "Play live through a voicing and tune it with a MIDI controller or the keyboard."),
    "render": ("playing", "Render a recording through a voicing, faster than real time."),
    "voicings": ("shelf", "List the voicings in the order that next and previous step through, or change the list."),
    "learn": ("learning", "Bind a control to a parameter or an action: choose it, move the control."),
    "takes": ("takes", "List, show, play, render, export or delete what was recorded while playing."),
    "setlists": ("shelf", "List the setlists, or check one: its songs, voicings and tempos."),
    "show": ("shelf", "Print a voicing and the figures of its circuit."),
    "check": ("shelf", "Check voicings: one line per error, and exit code 2 if there are any."),
    "schema": ("shelf", "Print the JSON Schema of voicing files, for completion in an editor."),
    "parts": ("building", "Choose parts for a voicing, show how close they come, and write the build sheet."),
    "measure": ("measuring", "Predict every figure of a voicing from its circuit, measure it, and show both."),
    "explain": ("explaining", "Show others why a voicing sounds as it does: pictures, sounds and a page (index.html)."),
    "compare": ("comparing", "Compare two voicings: level-matched renders, figures side by side and a blind test."),
    "calibrate": ("measuring", "Measure the full scale of an input in volts, from a tone of known level."),
    "devices": ("machine", "List audio devices and MIDI ports, and say what is wrong if there are none."),
    "speed": ("machine", "Measure how fast the echo runs on this machine, or how steadily it plays live."),
}
"""Module and help of each command, in the order of ``voicer --help``."""


class LazyCommands(TyperGroup):
    """The commands of `COMMANDS`, each loaded when it is asked for."""

    def __init__(self, **attrs: Any) -> None:
        super().__init__(**attrs | {"commands": {}})
        self.commands = _Loaded()

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """List the commands from the table; none is loaded for it."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, line) for name, (_, line) in COMMANDS.items()])


class _Loaded(MutableMapping[str, Any]):
    """A command by its name, its module imported on first use."""

    def __init__(self) -> None:
        self._loaded: dict[str, Any] = {}

    def __getitem__(self, name: str) -> Any:
        if name not in self._loaded:
            module = import_module(f"voicer.cli.{COMMANDS[name][0]}")
            info = next(one for one in module.app.registered_commands if _name(one) == name)
            self._loaded[name] = get_command_from_info(info, pretty_exceptions_short=False, rich_markup_mode=None)
        return self._loaded[name]

    def __iter__(self) -> Iterator[str]:
        return iter(COMMANDS)

    def __len__(self) -> int:
        return len(COMMANDS)

    def __setitem__(self, name: str, command: Any) -> None:
        self._loaded[name] = command

    def __delitem__(self, name: str) -> None:
        del self._loaded[name]


def _name(info: Any) -> str:
    return str(info.name or info.callback.__name__)
