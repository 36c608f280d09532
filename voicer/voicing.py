"""What a voicing is: one echo sound in the trade's own units, checked.

Pure vocabulary: pydantic models, ranges and cross-checks. No numpy, and nothing is read or written. The field names
are the keys of the voicing file; every number carries its unit in its name.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from typing import Annotated, Any, Literal, get_args, get_origin

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    ValidationError,
    ValidationInfo,
    field_validator,
    model_validator,
)

from voicer.errors import VoicingError, did_you_mean, one_line, printable
from voicer.files.toml_text import explain_error

SHORTEST_DELAY_MS = 1.25
"""No delay may come below this: the bridge between audio grid and clock hides its own latency in the line."""

CLOCK_LOWEST_HZ, CLOCK_HIGHEST_HZ = 1_500.0, 220_000.0
"""Clocks N/(2 t) outside this span are refused; each device class has a narrower one it is rated for."""

RATE_SPAN_HZ = {"off": (0.05, 12.0), "slow": (0.05, 3.0), "fast": (2.0, 12.0)}
"""The LFO has two ranges, slow for chorus and fast for vibrato (common practice, no source)."""


Division = Literal[
    "session",
    "1/1", "1/1 dotted", "1/1 triplet", "1/2", "1/2 dotted", "1/2 triplet", "1/4", "1/4 dotted", "1/4 triplet",
    "1/8", "1/8 dotted", "1/8 triplet", "1/16", "1/16 dotted", "1/16 triplet", "1/32", "1/32 dotted", "1/32 triplet",
]  # fmt: skip
"""Note values whole to thirty-second as musicians write them, and "session": whichever the session plays."""

_KINDS = {"": Fraction(1), "dotted": Fraction(3, 2), "triplet": Fraction(2, 3)}

DIVISIONS: dict[str, Fraction] = {
    name: Fraction(name.partition(" ")[0]) * _KINDS[name.partition(" ")[2]]
    for name in get_args(Division)
    if name != "session"
}
"""Length of each note value in whole notes. A dot adds half; three of a triplet fill the time of two."""


def named_division(given: Any) -> Any:
    """The name of a note value given by name or as its length in whole notes: ``3/16`` is ``1/8 dotted``.

    Anything else is returned as it is, for the model to refuse.
    """
    if not isinstance(given, str) or not re.fullmatch(r"[0-9]{1,4}/[0-9]{1,4}", given, re.ASCII):
        return given
    above, below = map(int, given.split("/"))
    if below == 0:
        return given
    return next((name for name, wholes in DIVISIONS.items() if wholes == Fraction(above, below)), given)


_FRACTIONS = [f"{wholes.numerator}/{wholes.denominator}" for wholes in DIVISIONS.values()]


class _Section(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


def _span(low: float, high: float, unit: str = "", description: str = "") -> Any:
    return Field(ge=low, le=high, description=description, json_schema_extra={"unit": unit})


class Line(_Section):
    """The bucket-brigade devices: how many, how long."""

    stages: Annotated[
        Literal[512, 1024, 2048, 4096], Field(description="stages per device")
    ] = 4096
    devices: Annotated[int, _span(1, 8, "", "devices in series")] = 1


class Delay(_Section):
    """Time from a note to its first repeat, and the span of the time control."""

    time_ms: Annotated[
        float, _span(SHORTEST_DELAY_MS, 2000, "ms", "note to first repeat, filters included")
    ] = 300.0
    shortest_ms: Annotated[
        float, _span(SHORTEST_DELAY_MS, 2000, "ms", "time control at its short end")
    ] = 30.0
    longest_ms: Annotated[
        float, _span(SHORTEST_DELAY_MS, 2000, "ms", "time control at its long end")
    ] = 400.0
    division: Annotated[
        Division,
        Field(
            description="note value the time keeps to a tempo; session: whichever the session plays",
            json_schema_extra={"enum": list(dict.fromkeys([*get_args(Division), *_FRACTIONS]))},
        ),
    ] = "session"

    _fraction_named = field_validator("division", mode="before")(named_division)

    @model_validator(mode="after")
    def _time_within_its_span(self) -> Delay:
        if not self.shortest_ms < self.longest_ms:
            raise ValueError(
                f"delay.shortest_ms must be below delay.longest_ms "
                f"(got {self.shortest_ms:g} and {self.longest_ms:g}); widen the span"
            )
        if not self.shortest_ms <= self.time_ms <= self.longest_ms:
            raise ValueError(
                f"delay.time_ms must be within shortest_ms..longest_ms = "
                f"{self.shortest_ms:g}..{self.longest_ms:g} ms (got {self.time_ms:g}); "
                f"move the time or widen the span"
            )
        return self


Shape = Literal["butterworth", "bessel", "chebyshev-0.5db", "chebyshev-1db"]


class LowPass(_Section):
    """One low-pass filter; cutoff is where it has fallen 3 dB."""

    shape: Annotated[Shape, Field(description="prototype the section poles come from")] = (
        "butterworth"
    )
    order: Annotated[int, _span(2, 6, "", "number of poles")] = 3
    cutoff_hz: Annotated[float, _span(200, 20_000, "Hz", "-3 dB point")] = 3000.0


class Filters(_Section):
    """The filters around the line."""

    low_cut_hz: Annotated[float, _span(10, 500, "Hz", "coupling high-pass, -3 dB point")] = 70.0
    anti_alias: LowPass = LowPass(order=3, cutoff_hz=2500.0)
    reconstruction: LowPass = LowPass(order=5, cutoff_hz=2400.0)

    @field_validator("anti_alias", "reconstruction", mode="before")
    @classmethod
    def _what_is_left_out_is_the_filters_own(cls, given: Any, info: ValidationInfo) -> Any:
        if isinstance(given, dict):
            return cls.model_fields[str(info.field_name)].default.model_dump() | given
        return given


class Compander(_Section):
    """2:1 compression before the line and 1:2 expansion after it."""

    enabled: Annotated[bool, Field(description="compress before the line, expand after it")] = True
    time_constant_ms: Annotated[float, _span(1, 100, "ms", "averaging of both rectifiers")] = 12.0


class Repeats(_Section):
    """How much of the echo goes round again."""

    feedback: Annotated[
        float,
        _span(0, 1.5, "", "loop gain at its loudest pitch and delay time; 1 is the edge of self-oscillation"),
    ] = 0.5


class Modulation(_Section):
    """The slow oscillator that moves the clock."""

    range: Annotated[
        Literal["off", "slow", "fast"], Field(description="off; slow, heard as chorus; fast, heard as vibrato")
    ] = "off"
    rate_hz: Annotated[float, _span(0.05, 12, "Hz", "LFO frequency")] = 0.6
    depth_percent: Annotated[float, _span(0, 20, "%", "peak clock deviation")] = 0.5
    shape: Annotated[Literal["triangle", "sine"], Field(description="LFO waveform")] = "triangle"

    @model_validator(mode="after")
    def _rate_within_the_range(self) -> Modulation:
        low, high = RATE_SPAN_HZ[self.range]
        if not low <= self.rate_hz <= high:
            raise ValueError(
                f"modulation.rate_hz must be in {low:g}..{high:g} Hz for range '{self.range}' "
                f"(got {self.rate_hz:g}); change the rate or the range"
            )
        return self


class Output(_Section):
    """What reaches the amplifier."""

    blend: Annotated[float, _span(0, 1, "", "0 dry, 0.5 both at full level, 1 echo only")] = 0.4
    level_db: Annotated[float, _span(-40, 12, "dB", "after the blend")] = 0.0


class Flaws(_Section):
    """How much of each flaw of the device class is heard: 0 ideal, 1 as it is, up to 3 exaggerated."""

    transfer_loss: Annotated[float, _span(0, 3, "", "charge left behind at each transfer")] = 1.0
    saturation: Annotated[float, _span(0, 3, "", "soft and uneven bucket limits")] = 1.0
    leakage: Annotated[float, _span(0, 3, "", "charge lost while it waits")] = 1.0
    noise: Annotated[float, _span(0, 3, "", "per device and per transfer")] = 1.0
    clock_bleed: Annotated[float, _span(0, 3, "", "clock feed-through and phase imbalance")] = 1.0


LONGEST_NAME, LONGEST_NOTES = 60, 2000
_NAME_RULE: dict[str, Any] = {"minLength": 1, "maxLength": LONGEST_NAME, "pattern": r"^\S(.*\S)?$"}


def _without_controls(key: str, text: str, one_liner: str) -> str:
    """The text, if nothing in it could steer a terminal or spoil a picture; line breaks count in ``one_liner`` only."""
    if printable(one_liner) != one_liner:
        what = f"{key} must not contain control characters (got '{one_line(text)}')"
        raise VoicingError(what, remedy="remove what is shown with a backslash")
    return text


class Voicing(_Section):
    """One echo sound: what is saved, recalled, played and built.

    Raises
    ------
    pydantic.ValidationError
        With a message per wrong field; `validated` turns it into one `VoicingError`.
    """

    name: Annotated[str, Field(json_schema_extra=_NAME_RULE)]
    notes: Annotated[str, Field(json_schema_extra={"maxLength": LONGEST_NOTES})] = ""
    line: Line = Line()
    delay: Delay = Delay()
    filters: Filters = Filters()
    compander: Compander = Compander()
    repeats: Repeats = Repeats()
    modulation: Modulation = Modulation()
    output: Output = Output()
    flaws: Flaws = Flaws()

    @field_validator("name")
    @classmethod
    def _name_can_be_shown(cls, name: str) -> str:
        if not 1 <= len(name) <= LONGEST_NAME or name.strip() != name:
            what = f"name must have 1..{LONGEST_NAME} characters and no space at either end (got '{one_line(name)}')"
            raise VoicingError(what)
        return _without_controls("name", name, name)

    @field_validator("notes")
    @classmethod
    def _notes_can_be_shown(cls, notes: str) -> str:
        if len(notes) > LONGEST_NOTES:
            raise VoicingError(f"notes must have at most {LONGEST_NOTES} characters (got {len(notes)})")
        return _without_controls("notes", notes, re.sub(r"[\n\t]", " ", notes))

    @model_validator(mode="after")
    def _clock_can_run(self) -> Voicing:
        periods = self.line.stages * self.line.devices / 2
        deviation = self.clock_deviation
        least, most = clock_limits_ms(self.line, deviation)
        fastest_hz = periods * 1e3 / self.delay.shortest_ms * (1 + deviation)
        slowest_hz = periods * 1e3 / self.delay.longest_ms * (1 - deviation)
        if self.delay.shortest_ms < least:
            raise ValueError(
                f"delay.shortest_ms must be at least {least:.4g} ms for {self.line.devices} x "
                f"{self.line.stages} stages (got {self.delay.shortest_ms:g}, a clock of "
                f"{fastest_hz / 1e3:.4g} kHz); lengthen it or use fewer stages"
            )
        if self.delay.longest_ms > most:
            raise ValueError(
                f"delay.longest_ms must be at most {most:.4g} ms for {self.line.devices} x "
                f"{self.line.stages} stages (got {self.delay.longest_ms:g}, a clock of "
                f"{slowest_hz / 1e3:.4g} kHz); shorten it or use more stages"
            )
        return self

    @property
    def clock_deviation(self) -> float:
        """Peak relative deviation of the clock, 0..0.2; 0 with the modulation off."""
        return 0.0 if self.modulation.range == "off" else self.modulation.depth_percent / 100

    def get(self, key: str) -> Any:
        """Value of a dotted parameter key such as ``delay.time_ms``; `VoicingError` if there is none."""
        parameter(key)
        value: Any = self
        for part in key.split("."):
            value = getattr(value, part)
        return value

    def changed(self, values: dict[str, Any]) -> Voicing:
        """A checked copy with dotted keys set: ``v.changed({"delay.time_ms": 250})``.

        Raises `VoicingError` for an unknown key, a value out of range or one that breaks a cross-check.
        """
        data = self.model_dump()
        for key, value in values.items():
            parameter(key)
            *path, last = key.split(".")
            place = data
            for part in path:
                place = place[part]
            place[last] = value
        return validated(data)


def clock_limits_ms(line: Line, deviation: float) -> tuple[float, float]:
    """Shortest and longest delay at which a line's clock stays within `CLOCK_LOWEST_HZ` to `CLOCK_HIGHEST_HZ`, ms.

    Parameters
    ----------
    line : Line
    deviation : float, 0..0.2
        Peak relative deviation of the clock by the modulation.
    """
    periods = line.stages * line.devices / 2
    return periods * 1e3 * (1 + deviation) / CLOCK_HIGHEST_HZ, periods * 1e3 * (1 - deviation) / CLOCK_LOWEST_HZ


@dataclass(frozen=True)
class Parameter:
    """One number, switch or choice of a voicing, as controllers, commands and panels address it."""

    key: str
    kind: Literal["number", "whole", "switch", "choice", "text"]
    low: float
    """Lowest allowed value; for a choice 0."""
    high: float
    """Highest allowed value; for a choice the index of the last."""
    unit: str
    choices: tuple[Any, ...]
    description: str

    @property
    def rule(self) -> str:
        """What is allowed, in words, for messages: ``in 10..500 Hz``."""
        if self.kind == "text":
            return "text"
        if self.kind == "switch":
            return "true or false"
        if self.kind == "choice":
            return "one of " + ", ".join(str(choice) for choice in self.choices)
        span = f"{self.low:g}..{self.high:g}" + (f" {self.unit}" if self.unit else "")
        return f"a whole number in {span}" if self.kind == "whole" else f"in {span}"


@cache
def parameters() -> dict[str, Parameter]:
    """All parameters of a voicing by dotted key, in the order of the file."""
    found: dict[str, Parameter] = {}
    _walk(Voicing, "", found)
    return found


def parameter(key: str) -> Parameter:
    """The parameter of that dotted key; an unknown key raises `VoicingError` offering the nearest."""
    try:
        return parameters()[key]
    except KeyError:
        raise VoicingError(
            f"unknown parameter '{key}'", remedy=did_you_mean(key, parameters())
        ) from None


def validated(data: dict[str, Any]) -> Voicing:
    """A voicing from plain data, or one `VoicingError` that names the first wrong key, its rule and value."""
    try:
        return Voicing.model_validate(data)
    except ValidationError as error:
        _, what, remedy = explain_error(error, Voicing)
        raise VoicingError(what, remedy=remedy) from error


def _walk(model: type[BaseModel], prefix: str, found: dict[str, Parameter]) -> None:
    for name, field in model.model_fields.items():
        kind, key = field.annotation, prefix + name
        if isinstance(kind, type) and issubclass(kind, BaseModel):
            _walk(kind, key + ".", found)
            continue
        limits = {type(rule).__name__: rule for rule in field.metadata}
        extra = field.json_schema_extra
        unit = str(extra.get("unit", "")) if isinstance(extra, dict) else ""
        text = field.description or ""
        if get_origin(kind) is Literal:
            choices = get_args(kind)
            found[key] = Parameter(key, "choice", 0, len(choices) - 1, unit, choices, text)
        elif kind is bool:
            found[key] = Parameter(key, "switch", 0, 1, unit, (False, True), text)
        elif kind is str:
            found[key] = Parameter(key, "text", 0, 0, unit, (), text)
        else:
            low, high = limits["Ge"].ge, limits["Le"].le
            found[key] = Parameter(key, "whole" if kind is int else "number", low, high, unit, (), text)
