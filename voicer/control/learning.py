"""What kind of control was moved: recognised from its messages, with one plain request where they cannot tell. Pure.

Knobs send one controller with many values, pairs and NRPN several controllers, endless encoders the same few values
again and again, buttons only full and zero. A person turns a knob up and down again, or presses a button once.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise
from typing import Literal

from voicer.control.encoders import Encoding
from voicer.control.mapfile import HIGHEST_CONTROLLER, Place, told_place
from voicer.control.messages import ControlChange, Message, Note, PitchBend, ProgramChange
from voicer.control.numbers import DATA_FINE, FINE_OFFSET, NUMBER_CONTROLLERS, ParameterNumbers

ENOUGH = 8
"""Messages of one control that are looked at before its kind is told."""

STILL_S = 0.8
"""So long after the last message a person has stopped."""

RELEASE_S = 1.0
"""A momentary button comes up within this time."""

_CLICKS = 12
"""An endless encoder's message stands for fewer clicks than this, unless it is spun."""


@dataclass(frozen=True)
class Found:
    """A control as it was recognised."""

    kind: Literal["knob", "encoder", "button"]
    place: Place
    resolution: Literal[7, 14] = 7
    encoding: Encoding | None = None
    latching: bool = False

    @property
    def told(self) -> str:
        """In words: ``controller 20, an endless encoder``."""
        what = {"knob": "a knob, fader or pedal", "button": "a button", "encoder": "an endless encoder"}[self.kind]
        if self.kind == "knob" and self.resolution == 14:
            what += " of 14 bits"
        if self.kind == "button" and self.latching:
            what = "a switch that stays on"
        return f"{told_place(self.place)}, {what}" + (f" ({self.encoding})" if self.encoding else "")


@dataclass(frozen=True)
class Request:
    """What a person is asked to do, since the messages so far fit two kinds."""

    line: str


@dataclass
class Recogniser:
    """Takes the messages of one port and channel; `found` says what they were."""

    wants_button: bool = False
    """Whether an action is to be bound: a lone full value is then a press."""
    _messages: list[tuple[Message, float]] = field(default_factory=list)

    def take(self, message: Message, at_s: float) -> None:
        """One message of the port that is learnt from."""
        if len(self._messages) < 400:
            self._messages.append((message, at_s))

    def found(self, now_s: float) -> Found | Request | None:
        """What the control is; what is to be done to know; None while nothing can be said yet."""
        if not self._messages:
            return None
        first = self._messages[0][0]
        if isinstance(first, ProgramChange):
            return Found("button", ("program", first.program))
        if isinstance(first, PitchBend):
            return Found("knob", ("bend", 0), 14)
        is_still = now_s - self._messages[-1][1] >= STILL_S
        if isinstance(first, Note):
            notes = [(one.velocity > 0, at_s) for one, at_s in self._messages
                     if isinstance(one, Note) and one.note == first.note]  # fmt: skip
            return self._button(("note", first.note), notes, now_s)
        changes = [(one, at_s) for one, at_s in self._messages if isinstance(one, ControlChange)]
        return self._controllers(changes, now_s, is_still) if changes else None

    def _controllers(
        self, changes: list[tuple[ControlChange, float]], now_s: float, is_still: bool
    ) -> Found | Request | None:
        numbers = {one.controller for one, _ in changes}
        if numbers & NUMBER_CONTROLLERS:
            return self._parameter_number(changes, is_still)
        counts = {number: sum(one.controller == number for one, _ in changes) for number in numbers}
        main = max(counts, key=lambda number: (counts[number], -number))
        values = [one.value for one, _ in changes if one.controller == main]
        if not (is_still or len(values) >= ENOUGH):
            return None
        if main > HIGHEST_CONTROLLER:
            return Request(f"controller {main} is a channel mode message; let the control send another")
        for coarse in (main, main - FINE_OFFSET):
            if 0 <= coarse < FINE_OFFSET and {coarse, coarse + FINE_OFFSET} <= numbers:
                return Found("knob", ("cc", coarse), 14)
        if set(values) <= {0, 127}:
            return self._full_or_zero(main, changes, now_s, is_still)
        return self._next_address(main, changes) or self._one_controller(main, values)

    def _parameter_number(self, changes: list[tuple[ControlChange, float]], is_still: bool) -> Found | Request | None:
        numbers, seen = ParameterNumbers(), set()
        for one, _ in changes:
            entry = numbers.take(one)
            if entry is not None:
                seen.add((entry.kind, entry.number))
        if not seen or not (is_still or len(changes) >= 3 * ENOUGH):
            return Request("move it further; its number has not come yet") if is_still else None
        kind, number = min(seen)
        fine = any(one.controller == DATA_FINE for one, _ in changes)
        return Found("knob", (kind, number), 14 if fine else 7)

    def _full_or_zero(
        self, main: int, changes: list[tuple[ControlChange, float]], now_s: float, is_still: bool
    ) -> Found | Request | None:
        states = [(one.value > 0, at_s) for one, at_s in changes if one.controller == main]
        if any(is_on for is_on, _ in states) or self.wants_button:
            return self._button(("cc", main), states, now_s)
        return Request("move it through its whole way") if is_still else None

    @staticmethod
    def _button(place: Place, states: list[tuple[bool, float]], now_s: float) -> Found | Request | None:
        """Momentary if it comes up soon after it went down; latching if that takes another press."""
        for (was_on, down_s), (is_on, up_s) in pairwise(states):
            if was_on and not is_on:
                return Found("button", place, latching=up_s - down_s > RELEASE_S)
            if was_on and is_on:
                return Found("button", place)  # it never says that it came up
        if now_s - states[-1][1] < RELEASE_S:
            return None
        return Request("press it once more")

    @staticmethod
    def _next_address(main: int, changes: list[tuple[ControlChange, float]]) -> Found | None:
        """Clicks up on one controller and clicks down on the next, both small numbers."""
        for low in (main, main - 1):
            both = [[one.value for one, _ in changes if one.controller == number] for number in (low, low + 1)]
            small = all(both) and max(map(max, both)) < _CLICKS
            if small and all(_repeats(values) for values in both if len(values) > 1):
                return Found("encoder", ("cc", low), encoding="next-address")
        return None

    @staticmethod
    def _one_controller(main: int, values: list[int]) -> Found | Request:
        place: Place = ("cc", main)
        if len(values) < 3 or not _repeats(values):
            return Found("knob", place)
        fitting = [encoding for encoding, is_one in (
            ("twos-complement", lambda v: 0 < v < _CLICKS or v > 128 - _CLICKS),
            ("sign-magnitude", lambda v: 0 < v < _CLICKS or 64 < v < 64 + _CLICKS),
            ("binary-offset", lambda v: v != 64 and abs(v - 64) < _CLICKS),
        ) if all(map(is_one, values))]  # fmt: skip
        if not fitting:
            return Found("knob", place)
        if len(fitting) > 1:
            return Request("turn it the other way too")
        encoding: Encoding = fitting[0]  # type: ignore[assignment]
        return Found("encoder", place, encoding=encoding)


def _repeats(values: list[int]) -> bool:
    """Whether the same value comes again at once, as of an encoder that turns and never of a knob that moves."""
    return sum(a == b for a, b in pairwise(values)) >= (len(values) - 1) / 4
