"""The contents of a controller map file, validated; each error names the line of the key that is wrong.

schema = 2
name = "Pedal board"
port = "Quay Board MIDI 1"        # or port_pattern = "Quay Board*"; without either the map serves every port
channel = 0                       # 1..16, or 0 for any
feedback = false                  # send values back to rings, motor faders and lamps
[[control]]
controller = 102                  # or nrpn = 300, rpn = 1, pitch_bend = true
parameter = "delay.time_ms"
low = 50.0                        # all that follow may be left out
high = 400.0
curve = "log"
reversed = false
dead_ends = [0.02, 0.02]          # share of the travel at each end that a worn part does not use
resolution = 7                    # 14 with the fine half on controller + 32, or for nrpn, rpn
take_over = "catch"               # or "jump", "scale"
[[control]]
controller = 20
parameter = "repeats.feedback"
encoder = "twos-complement"       # "binary-offset", "sign-magnitude", "next-address"
[[button]]
controller = 112                  # or note = 60, program = 5
action = "tap-tempo"
on = "press"                      # or "either edge", "held"
latching = false
hold = "panic"                    # second actions
hold_ms = 600
double = "save"
double_ms = 350
[recall]
program_change = true
offset = 0                        # added to the program number 0..127
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, ValidationInfo, field_validator, model_validator
from pydantic_core import InitErrorDetails

from voicer.control.encoders import Encoding
from voicer.control.numbers import FINE_OFFSET, NUMBER_CONTROLLERS
from voicer.control.switches import On
from voicer.control.takeover import Mode
from voicer.control.targets import SESSION, target
from voicer.errors import VoicingError, did_you_mean, printable
from voicer.voicing import Parameter, parameters

if TYPE_CHECKING:
    from collections.abc import Iterator

HIGHEST_CONTROLLER = 119
"""Controllers 120..127 are channel mode messages (MIDI 1.0): all sound off, reset all controllers, local control …"""

Action = Literal[
    "bypass", "bypass-tail", "tap-tempo", "next-voicing", "previous-voicing", "save", "save-new", "modulation-range",
    "panic", "parts", "put-back", "undo", "redo", "other-copy", "hear-saved", "match-levels", "recall-tail",
    "next-division", "morph-from-here", "morph-to-next", "record", "keep",
]  # fmt: skip

HELD: frozenset[Action] = frozenset({"bypass", "bypass-tail", "panic", "hear-saved"})
"""Actions that can last as long as a button is held."""

OLD_NAMES = {"modulation-mode": "modulation-range", "modulation.mode": "modulation.range"}
"""Actions and parameters that were renamed, by the names older map files use."""

PEDALS = (4, 11)
"""Foot controller and expression (MIDI 1.0): a foot cannot look for a value, so these jump unless told otherwise."""


def _renamed(given: Any) -> Any:
    return OLD_NAMES.get(given, given) if isinstance(given, str) else given


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


def _refused(value: object, what: str, *loc: str | int) -> ValidationError:
    """An error at ``loc``, relative to the part being validated."""
    details = InitErrorDetails(type="value_error", loc=loc, input=value, ctx={"error": ValueError(what)})
    return ValidationError.from_exception_data("controller map", [details])


def _checked_controller(value: int | None) -> int | None:
    if value is not None and not 0 <= value <= HIGHEST_CONTROLLER:
        reason = "120..127 are channel mode messages, choose another" if value > 0 else "choose another"
        raise ValueError(f"controller must be in 0..{HIGHEST_CONTROLLER} (got {value}); {reason}")
    return value


Place = tuple[str, int]
"""What a control sends on: ``("cc", 102)``, ``("nrpn", 300)``, ``("rpn", 1)``, ``("bend", 0)``, ``("note", 60)``,
``("program", 5)``."""

WORDS = {"cc": "controller", "nrpn": "NRPN", "rpn": "RPN", "note": "note", "program": "program"}


def told_place(place: Place) -> str:
    """A place in words: ``controller 102``."""
    return "the pitch bend" if place[0] == "bend" else f"{WORDS[place[0]]} {place[1]}"


class _Source(_Part):
    """A part with exactly one place of those it may have."""

    @property
    def place(self) -> Place:
        """What it sends on."""
        return self._places()[0]

    def _places(self) -> list[Place]:
        keys = {"controller": "cc", "nrpn": "nrpn", "rpn": "rpn", "note": "note", "program": "program"}
        found = [(kind, getattr(self, key)) for key, kind in keys.items() if getattr(self, key, None) is not None]
        return found + ([("bend", 0)] if getattr(self, "pitch_bend", False) else [])

    @property
    def places(self) -> list[Place]:
        """Every place it takes for itself."""
        return [self.place]


class Control(_Source):
    """A knob, fader, pedal or endless encoder that moves one parameter."""

    controller: int | None = None
    nrpn: Annotated[int, Field(ge=0, le=16_383)] | None = None
    rpn: Annotated[int, Field(ge=0, le=16_382)] | None = None
    pitch_bend: bool = False
    parameter: str
    low: float | None = None
    """Value at 0; higher than ``high`` for a control that works backwards."""
    high: float | None = None
    """Value at full travel."""
    curve: Literal["linear", "log"] = "linear"
    reversed: bool = False
    dead_ends: tuple[Annotated[float, Field(ge=0, le=0.45)], Annotated[float, Field(ge=0, le=0.45)]] = (0.0, 0.0)
    resolution: Literal[7, 14] | None = None
    take_over: Mode | None = None
    encoder: Encoding | None = None

    _in_range = field_validator("controller")(_checked_controller)

    _current_name = field_validator("parameter", mode="before")(_renamed)

    @property
    def bits(self) -> Literal[7, 14]:
        """Resolution of its values."""
        return self.resolution or (7 if self.controller is not None else 14)

    @property
    def mode(self) -> Mode:
        """How it takes over: as the file says; else a switch or a pedal jumps, anything else waits."""
        if self.take_over is not None:
            return self.take_over
        return "jump" if self.controller in PEDALS or target(self.parameter).kind == "switch" else "catch"

    @property
    def places(self) -> list[Place]:
        """Its own, a fine half's, and where an encoder of two controllers counts down."""
        found = [self.place]
        if self.controller is not None and self.resolution == 14:
            found.append(("cc", self.controller + FINE_OFFSET))
        if self.controller is not None and self.encoder == "next-address":
            found.append(("cc", self.controller + 1))
        return found

    @field_validator("parameter")
    @classmethod
    def _can_be_moved(cls, key: str) -> str:
        try:
            kind = target(key).kind
        except VoicingError:
            near = did_you_mean(key, [*parameters(), *SESSION])
            raise ValueError(f"unknown parameter '{key}'; {near}") from None
        if kind == "text":
            raise ValueError(f"parameter must be a number, a switch or a choice (got '{key}', a text); "
                             "choose another")
        return key

    @model_validator(mode="after")
    def _fits_its_parameter(self) -> Control:
        found = self._places()
        if len(found) != 1:
            raise _refused(len(found), "a control must have one of controller, nrpn, rpn and pitch_bend "
                           f"(got {len(found)}); keep one", "parameter")
        meant = target(self.parameter)
        for key, end in (("low", self.low), ("high", self.high)):
            if end is not None:
                _check_end(key, end, meant)
        if self.low is not None and self.low == self.high:
            raise _refused(self.high, f"high must differ from low (got {self.low:g} twice); widen it", "high")
        if self.curve == "log":
            self._check_log(meant)
        if self.resolution == 14 and (self.controller or 0) >= FINE_OFFSET:
            raise _refused(14, "resolution must be 7 for controllers above 31 (got 14 for controller "
                           f"{self.controller}); only 0..31 have a fine half", "resolution")
        if self.encoder is not None:
            self._check_encoder()
        return self

    def _check_encoder(self) -> None:
        if self.controller is None:
            raise _refused(self.encoder, f"encoder must be on a controller (got {told_place(self.place)}); "
                           "remove encoder, or give controller", "encoder")
        if self.resolution == 14 or self.take_over is not None or self.dead_ends != (0.0, 0.0):
            raise _refused(self.encoder, "an encoder has no ends, so resolution, take_over and dead_ends must be "
                           "left out; remove them", "encoder")
        if self.encoder == "next-address":
            _checked_controller(self.controller + 1)

    def _check_log(self, meant: Parameter) -> None:
        if meant.kind in ("switch", "choice"):
            raise _refused("log", f"curve must be linear for a {meant.kind} (got 'log'); remove it", "curve")
        for key, given, default in (("low", self.low, meant.low), ("high", self.high, meant.high)):
            end = default if given is None else given
            if end <= 0:
                raise _refused(end, f"{key} must be above 0 for a log curve (got {end:g}); set {key} higher, "
                               'or use curve = "linear"', "curve" if given is None else key)


def _check_end(key: str, end: float, meant: Parameter) -> None:
    if meant.kind in ("switch", "choice"):
        raise _refused(end, f"{key} must be left out for a {meant.kind} (got {end:g}); remove it", key)
    if not meant.low <= end <= meant.high:
        rule = meant.rule.removeprefix("a whole number ")
        raise _refused(end, f"{key} must be {rule}, the range of {meant.key} (got {end:g}); change it", key)


class Button(_Source):
    """A foot switch or button that triggers an action when pressed, and others when held or pressed twice."""

    controller: int | None = None
    note: Annotated[int, Field(ge=0, le=127)] | None = None
    program: Annotated[int, Field(ge=0, le=127)] | None = None
    action: Action
    on: On = "press"
    latching: bool = False
    hold: Action | None = None
    hold_ms: Annotated[int, Field(ge=100, le=5000)] = 600
    double: Action | None = None
    double_ms: Annotated[int, Field(ge=100, le=1000)] = 350

    _current_name = field_validator("action", "hold", "double", mode="before")(_renamed)
    _in_range = field_validator("controller")(_checked_controller)

    @model_validator(mode="after")
    def _fits_together(self) -> Button:
        found = self._places()
        if len(found) != 1:
            raise _refused(len(found), "a button must have one of controller, note and program "
                           f"(got {len(found)}); keep one", "action")
        if self.on == "held" and self.action not in HELD:
            raise _refused("held", f'on = "held" must be for one of {", ".join(sorted(HELD))} (got \'{self.action}\'); '
                           'use "press"', "on")
        if self.on != "press" and (self.hold or self.double):
            raise _refused(self.on, f'on must be "press" where there is a hold or double action (got "{self.on}"); '
                           "remove one of them", "on")
        if self.latching and (self.on != "press" or self.hold):
            raise _refused(True, "a latching switch does its action at every stamp, so on and hold must be left out; "
                           "remove them", "latching")
        if self.program is not None and (self.on != "press" or self.hold or self.latching):
            raise _refused(self.program, "a program change has no release, so on, hold and latching must be left out; "
                           "remove them", "program")
        return self


class RecallRule(_Part):
    """Whether program changes recall voicings; without this table they do not."""

    program_change: bool = False
    offset: Annotated[int, Field(ge=-127, le=127)] = 0


class MapFile(_Part):
    """A whole controller map file. Schema 1 had fewer keys, which mean the same."""

    schema_number: Literal[1, 2] = Field(alias="schema")
    name: Annotated[str, Field(min_length=1, max_length=60)]
    port: Annotated[str, Field(min_length=1, max_length=200)] | None = None
    """Name of the one MIDI input it is for."""
    port_pattern: Annotated[str, Field(min_length=1, max_length=200)] | None = None
    """Names it is for, ``*`` for any text, ``?`` for any one character."""
    channel: Annotated[int, Field(ge=0, le=16)] = 0
    feedback: bool = False
    """Whether values are sent back to the controller."""
    control: tuple[Control, ...] = ()
    button: tuple[Button, ...] = ()
    recall: RecallRule = RecallRule()

    @field_validator("name", "port", "port_pattern")
    @classmethod
    def _can_be_printed(cls, name: str | None, info: ValidationInfo) -> str | None:
        if name is not None and printable(name) != name:
            raise ValueError(f"{info.field_name} must not contain control characters (got '{name}'); remove them")
        return name

    @field_validator("control", "button")
    @classmethod
    def _fits_the_controllers(cls, given: tuple[_Part, ...], info: ValidationInfo) -> tuple[_Part, ...]:
        most = 512
        if len(given) > most:
            raise ValueError(f"{info.field_name} must be given at most {most} times (got {len(given)} times); "
                             "use each controller once")
        return given

    @model_validator(mode="after")
    def _each_place_once(self) -> MapFile:
        if self.port is not None and self.port_pattern is not None:
            raise _refused(self.port_pattern, "port_pattern must be left out where there is a port (got both); "
                           "keep one", "port_pattern")
        used: dict[Place, str] = {}
        for _, part in self._parts():
            if part.place[0] in ("nrpn", "rpn"):
                used |= {("cc", number): "what NRPN and RPN are sent with" for number in NUMBER_CONTROLLERS}
        for loc, part in self._parts():
            what = f"on {part.parameter if isinstance(part, Control) else part.action}"
            own, *others = part.places
            if own in used:
                raise _refused(own[1], f"{told_place(own)} must be used once (got {own[1]}, which is already "
                               f"{used[own]}); choose another", *loc)
            used[own] = what
            for other in others:
                if other in used:
                    raise _refused(own[1], f"{told_place(own)} must have {told_place(other)} to itself too "
                                   f"(got {own[1]}, and {other[1]} is already {used[other]}); choose another", *loc)
                used[other] = f"the other half of {told_place(own)}, {what}"
        return self

    def _parts(self) -> Iterator[tuple[tuple[str | int, ...], Control | Button]]:
        for index, control in enumerate(self.control):
            yield ("control", index, _key_of(control)), control
        for index, button in enumerate(self.button):
            yield ("button", index, _key_of(button)), button


def _key_of(part: _Source) -> str:
    return {"cc": "controller", "bend": "pitch_bend"}.get(part.place[0], part.place[0])
