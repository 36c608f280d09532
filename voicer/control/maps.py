"""The controller map at work: a MIDI message in; a parameter's new value, an action or a recall out.

`load_map` finds and reads the file; `ControllerMap.route` applies it. Pure apart from reading that file.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from voicer.control.events import Gesture, Move, Press, Recall
from voicer.control.mapfile import Button, Control, MapFile
from voicer.control.messages import FINE_OFFSET, ControlChange, Fine, Message, fraction
from voicer.errors import FileError, did_you_mean, one_line
from voicer.files import resources
from voicer.files.text_file import load_text
from voicer.files.toml_text import read_model
from voicer.library.home import home_folder
from voicer.voicing import RATE_SPAN_HZ, parameter

if TYPE_CHECKING:
    from voicer.voicing import Voicing

PRESSED_FROM = 64
"""Values 64..127 mean "on", 0..63 "off" (MIDI 1.0, switch controllers)."""

USER_FILE = "controller.toml"

DIGITS = 5
"""A knob gives numbers rounded to this many significant digits, as a person would write them into the file."""


class ControllerMap:
    """A checked map and what it has to remember: coarse halves, and which input holds which button down."""

    def __init__(self, file: MapFile) -> None:
        self.file = file
        self._controls = {control.controller: control for control in file.control}
        self._buttons = {button.controller: button for button in file.button}
        self._fine = Fine()
        self._down: dict[tuple[int, int], int] = {}

    def route(self, message: Message, voicing: Voicing, at_s: float = 0.0, source: int = 0) -> Gesture | None:
        """What a message means for the voicing being played; None if nothing. Control thread.

        Parameters
        ----------
        message : ControlChange or ProgramChange
            From `messages.decode`.
        voicing : Voicing
            Its spans bound the delay time and the modulation rate.
        at_s : float
            Time of arrival, `time.monotonic`; passed on in a `Press`.
        source : int
            Which input heard it. One that was unplugged and is back has another number: its buttons count as up.
        """
        if self.file.channel not in (0, message.channel):
            return None
        if not isinstance(message, ControlChange):
            return self._recall(message.program)
        if button := self._buttons.get(message.controller):
            return self._press(button, message, at_s, source)
        return self._move(message, voicing)

    def _recall(self, program: int) -> Recall | None:
        slot = program + self.file.recall.offset
        return Recall(slot) if self.file.recall.program_change and slot >= 0 else None

    def _press(self, button: Button, message: ControlChange, at_s: float, source: int) -> Press | None:
        """Fire on the way down only: a value of 64 or more that follows a lower one, or that comes first.

        A release counts whichever input brought it, since one of two inputs may lose a message.
        """
        key = (message.channel, message.controller)
        if message.value < PRESSED_FROM:
            self._down.pop(key, None)
            return None
        was_down = self._down.get(key) == source
        self._down[key] = source
        return None if was_down else Press(button.action, at_s)

    def _move(self, message: ControlChange, voicing: Voicing) -> Move | None:
        control = self._controls.get(message.controller)
        if control is None:
            control = self._controls.get(message.controller - FINE_OFFSET)
            if control is None or control.resolution == 7:
                return None
        if control.resolution == 7:
            return Move(control.parameter, value_at(control, fraction(message.value), voicing))
        joined = self._fine.join(message)
        if joined is None:
            return None
        return Move(control.parameter, value_at(control, fraction(joined[1], 14), voicing))


def value_at(control: Control, travel: float, voicing: Voicing) -> Any:
    """Value of the control's parameter at ``travel`` 0..1.

    The steps of a switch or choice share the travel equally; a whole number is rounded. The log curve is
    ``low * (high/low)**travel``, whose middle is the geometric mean. Numbers are rounded to `DIGITS` digits.
    """
    target = parameter(control.parameter)
    if target.kind in ("switch", "choice"):
        return target.choices[min(int(travel * len(target.choices)), len(target.choices) - 1)]
    floor, ceiling = playable_span(control.parameter, voicing)
    low = floor if control.low is None else control.low
    high = ceiling if control.high is None else control.high
    is_log = control.curve == "log"
    value = low * (high / low) ** travel if is_log else low + (high - low) * travel
    value = round(value) if target.kind == "whole" else float(f"{value:.{DIGITS}g}")
    return min(max(value, floor), ceiling)


def playable_span(key: str, voicing: Voicing) -> tuple[float, float]:
    """Lowest and highest value a numeric parameter may have in this voicing: its own span for time and rate."""
    if key == "delay.time_ms":
        return voicing.delay.shortest_ms, voicing.delay.longest_ms
    if key == "modulation.rate_hz":
        return RATE_SPAN_HZ[voicing.modulation.range]
    return parameter(key).low, parameter(key).high


def read_map(text: str, *, where: str) -> ControllerMap:
    """Read a map from the text of its file; `FileError` with ``where`` and line for the first mistake."""
    return ControllerMap(read_model(text, MapFile, where=where))


def load_map(wanted: str | Path | None = None) -> ControllerMap:
    """Find and read a controller map.

    Parameters
    ----------
    wanted : str or Path, optional
        A path (it has a folder or ends in ``.toml``), or the name of a shipped map. None: the user's own
        ``controller.toml`` if there is one, else the shipped ``default``.

    Raises
    ------
    FileError
        There is no such file or name, or its contents are wrong.
    """
    if wanted is None:
        own = home_folder() / USER_FILE
        wanted = own if own.exists() else "default"
    if isinstance(wanted, Path) or wanted.endswith(".toml") or Path(wanted).name != wanted:
        return read_map(load_text(wanted), where=str(wanted))
    shipped = {Path(item.name).stem: item for item in (resources.presets() / "controllers").iterdir()}
    if wanted not in shipped:
        near = did_you_mean(wanted, sorted(shipped))
        raise FileError(f"no controller map is named '{one_line(wanted)}'", remedy=near)
    return read_map(shipped[wanted].read_text("utf-8"), where=f"presets/controllers/{wanted}.toml")

