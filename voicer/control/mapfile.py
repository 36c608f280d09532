"""The contents of a controller map file, validated; each error names the line of the key that is wrong.

schema = 1
name = "Pedal board"
channel = 0                       # 1..16, or 0 for any
[[control]]
controller = 102
parameter = "delay.time_ms"
low = 50.0                        # low, high, curve and resolution may be left out
high = 400.0
[[button]]
controller = 112
action = "tap-tempo"
[recall]
program_change = true
offset = 0                        # added to the program number 0..127
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, ValidationInfo, field_validator, model_validator
from pydantic_core import InitErrorDetails

from voicer.control.messages import FINE_OFFSET
from voicer.errors import did_you_mean, printable
from voicer.voicing import Parameter, parameter, parameters

if TYPE_CHECKING:
    from collections.abc import Iterator

HIGHEST_CONTROLLER = 119
"""Controllers 120..127 are channel mode messages (MIDI 1.0): all sound off, reset all controllers, local control …"""

Action = Literal[
    "bypass", "bypass-tail", "tap-tempo", "next-voicing", "previous-voicing", "save", "modulation-range",
    "panic", "parts", "put-back",
]

OLD_NAMES = {"modulation-mode": "modulation-range", "modulation.mode": "modulation.range"}
"""Actions and parameters that were renamed, by the names older map files use."""


def _renamed(given: Any) -> Any:
    return OLD_NAMES.get(given, given) if isinstance(given, str) else given


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


def _refused(value: object, what: str, *loc: str | int) -> ValidationError:
    """An error at ``loc``, relative to the part being validated."""
    details = InitErrorDetails(type="value_error", loc=loc, input=value, ctx={"error": ValueError(what)})
    return ValidationError.from_exception_data("controller map", [details])


def _checked_controller(value: int) -> int:
    if not 0 <= value <= HIGHEST_CONTROLLER:
        reason = "120..127 are channel mode messages, choose another" if value > 0 else "choose another"
        raise ValueError(f"controller must be in 0..{HIGHEST_CONTROLLER} (got {value}); {reason}")
    return value


class Control(_Part):
    """A knob, slider or pedal that moves one parameter."""

    controller: int
    parameter: str
    low: float | None = None
    """Value at 0; higher than ``high`` for a control that works backwards."""
    high: float | None = None
    """Value at full travel."""
    curve: Literal["linear", "log"] = "linear"
    resolution: Literal[7, 14] = 7

    _in_range = field_validator("controller")(_checked_controller)

    _current_name = field_validator("parameter", mode="before")(_renamed)

    @field_validator("parameter")
    @classmethod
    def _can_be_moved(cls, key: str) -> str:
        if key not in parameters():
            raise ValueError(f"unknown parameter '{key}'; {did_you_mean(key, parameters())}")
        if parameter(key).kind == "text":
            raise ValueError(f"parameter must be a number, a switch or a choice (got '{key}', a text); "
                             "choose another")
        return key

    @model_validator(mode="after")
    def _fits_its_parameter(self) -> Control:
        target = parameter(self.parameter)
        for key, end in (("low", self.low), ("high", self.high)):
            if end is not None:
                _check_end(key, end, target)
        if self.low is not None and self.low == self.high:
            raise _refused(self.high, f"high must differ from low (got {self.low:g} twice); widen it", "high")
        if self.curve == "log":
            self._check_log(target)
        if self.resolution == 14 and self.controller >= FINE_OFFSET:
            raise _refused(14, "resolution must be 7 for controllers above 31 (got 14 for controller "
                           f"{self.controller}); only 0..31 have a fine half", "resolution")
        return self

    def _check_log(self, target: Parameter) -> None:
        if target.kind in ("switch", "choice"):
            raise _refused("log", f"curve must be linear for a {target.kind} (got 'log'); remove it", "curve")
        for key, given, default in (("low", self.low, target.low), ("high", self.high, target.high)):
            end = default if given is None else given
            if end <= 0:
                raise _refused(end, f"{key} must be above 0 for a log curve (got {end:g}); set {key} higher, "
                               'or use curve = "linear"', "curve" if given is None else key)


def _check_end(key: str, end: float, target: Parameter) -> None:
    if target.kind in ("switch", "choice"):
        raise _refused(end, f"{key} must be left out for a {target.kind} (got {end:g}); remove it", key)
    if not target.low <= end <= target.high:
        rule = target.rule.removeprefix("a whole number ")
        raise _refused(end, f"{key} must be {rule}, the range of {target.key} (got {end:g}); change it", key)


class Button(_Part):
    """A foot switch or button that triggers one action when pressed."""

    controller: int
    action: Action

    _current_name = field_validator("action", mode="before")(_renamed)
    _in_range = field_validator("controller")(_checked_controller)


class RecallRule(_Part):
    """Whether program changes recall voicings; without this table they do not."""

    program_change: bool = False
    offset: Annotated[int, Field(ge=-127, le=127)] = 0


class MapFile(_Part):
    """A whole controller map file."""

    schema_number: Literal[1] = Field(alias="schema")
    name: Annotated[str, Field(min_length=1, max_length=60)]
    channel: Annotated[int, Field(ge=0, le=16)] = 0
    control: tuple[Control, ...] = ()
    button: tuple[Button, ...] = ()
    recall: RecallRule = RecallRule()

    @field_validator("name")
    @classmethod
    def _can_be_printed(cls, name: str) -> str:
        if printable(name) != name:
            raise ValueError(f"name must not contain control characters (got '{name}'); remove them")
        return name

    @field_validator("control", "button")
    @classmethod
    def _fits_the_controllers(cls, given: tuple[_Part, ...], info: ValidationInfo) -> tuple[_Part, ...]:
        most = HIGHEST_CONTROLLER + 1
        if len(given) > most:
            raise ValueError(f"{info.field_name} must be given at most {most} times (got {len(given)} times); "
                             "use each controller once")
        return given

    @model_validator(mode="after")
    def _each_controller_once(self) -> MapFile:
        used: dict[int, str] = {}
        for loc, part in self._parts():
            number, fine = part.controller, part.controller + FINE_OFFSET
            if number in used:
                raise _refused(number, f"controller must be used once (got {number}, which is already "
                               f"{used[number]}); choose another", *loc)
            used[number] = f"on {part.parameter if isinstance(part, Control) else part.action}"
            if not isinstance(part, Control) or part.resolution == 7:
                continue
            if fine in used:
                raise _refused(number, f"controller must have its fine half {fine} to itself for 14 bits "
                               f"(got {number}, and {fine} is already {used[fine]}); choose another", *loc)
            used[fine] = f"the fine half of {number}"
        return self

    def _parts(self) -> Iterator[tuple[tuple[str | int, ...], Control | Button]]:
        for index, control in enumerate(self.control):
            yield ("control", index, "controller"), control
        for index, button in enumerate(self.button):
            yield ("button", index, "controller"), button
