"""A controller map at work: a MIDI message in; parameters' new values, actions and recalls out. Pure.

`ControllerMap.route` applies one map to what one port sends; `controller.Controller` has the maps of all ports.
`map_files` finds and reads them.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fnmatch import fnmatchcase
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Protocol

from voicer.control.curves import Curve
from voicer.control.encoders import Acceleration, clicks, turned_value
from voicer.control.events import Gesture, Move, Press, Recall
from voicer.control.mapfile import Button, Control, MapFile, Place, told_place
from voicer.control.messages import ControlChange, Message, Note, PitchBend, ProgramChange, fraction
from voicer.control.numbers import Bank, Entry, Fine, ParameterNumbers
from voicer.control.switches import Habit, Switch
from voicer.control.takeover import TakeOver, told
from voicer.control.targets import target
from voicer.files.toml_text import read_model
from voicer.voicing import RATE_SPAN_HZ

if TYPE_CHECKING:
    from voicer.voicing import Voicing

PRESSED_FROM = 64
"""Values 64..127 mean "on", 0..63 "off" (MIDI 1.0, switch controllers)."""

GLIDE_MS = 70.0
"""Over how long the clock follows a step of a 7-bit control. One step over a clock range of 10:1 is 31 cents
(1200 log2(10) / 127); spread over 70 ms the pitch moves by less than 5 cents in 10 ms."""

EDGES = {"repeats.feedback": 1.0}
"""Values at which a parameter crosses the edge of self-oscillation; an endless encoder stops there."""


class Playing(Protocol):
    """What a map has to know of what is being played: a `play.Session`, or anything like it."""

    @property
    def voicing(self) -> Voicing:
        """The voicing being played; its spans bound the delay time and the modulation rate."""

    def value_of(self, key: str) -> Any:
        """Value of a parameter now."""

    def mover_of(self, key: str) -> str:
        """What set it last: the ``by`` of a `Move`, or other words."""


@dataclass(frozen=True)
class Waiting:
    """A control that does not yet move its parameter."""

    key: str
    by: str
    """The control, as its moves name it."""
    way: str
    """What to do: ``turn up 18``, in steps of a 7-bit control."""
    away: float
    """The same as share of the control's whole way, upwards positive."""


class _Hand:
    """One control of a map as one port sends it."""

    def __init__(self, control: Control) -> None:
        self.take_over = TakeOver(control.mode, 1 / 127 if control.bits == 7 else 1 / 16_383)
        self.acceleration = Acceleration()


class _Port:
    """What has to be remembered of one port."""

    def __init__(self) -> None:
        self.plug = 0
        self.fine, self.numbers, self.bank = Fine(), ParameterNumbers(), Bank()
        self.hands: dict[int, _Hand] = {}
        self.switches: dict[tuple[int, int], Switch] = {}


class ControllerMap:
    """A checked map and what it has to remember of each port that it serves."""

    def __init__(self, file: MapFile) -> None:
        self.file = file
        self._controls: dict[Place, int] = {}
        for index, control in enumerate(file.control):
            self._controls |= dict.fromkeys(control.places, index)
        self._buttons = {button.place: index for index, button in enumerate(file.button)}
        self._ports: dict[str, _Port] = {}

    def serves(self, port: str) -> bool:
        """Whether the file names this port, itself or by its pattern."""
        if self.file.port is not None:
            return port == self.file.port
        return self.file.port_pattern is not None and fnmatchcase(port, self.file.port_pattern)

    @property
    def serves_any(self) -> bool:
        """Whether it is for every port that no other map is for."""
        return self.file.port is None and self.file.port_pattern is None

    def bound_to(self, place: Place) -> str | None:
        """What a place is bound to: a parameter or an action; None where it is not."""
        if (index := self._controls.get(place)) is not None:
            return self.file.control[index].parameter
        if (at := self._buttons.get(place)) is not None:
            return self.file.button[at].action
        return "recall" if place[0] == "program" and self.file.recall.program_change else None

    def by(self, place: Place, port: str) -> str:
        """How a place on a port is named in moves and on screens."""
        return f"{told_place(place)} of '{port}'" if port else told_place(place)

    def route(
        self, message: Message, playing: Playing, at_s: float = 0.0, source: int = 0, port: str = "", plug: int = 0
    ) -> list[Gesture]:
        """What a message means. Control thread.

        Parameters
        ----------
        message : Message
            From `messages.decode`.
        playing : Playing
        at_s : float
            Time of arrival, `time.monotonic`; passed on in a `Press`. It does not go back.
        source : int
            Which opening of which input heard it. In one that is new its buttons count as up.
        port : str
            Name of that input.
        plug : int
            Higher each time that it was plugged in: where its controls stand is not known then.
        """
        if self.file.channel not in (0, getattr(message, "channel", self.file.channel)):
            return []
        there = self._ports.setdefault(port, _Port())
        if plug > there.plug:
            there.plug = plug
            for hand in there.hands.values():
                hand.take_over.forget()
        if isinstance(message, ControlChange):
            return self._control_change(message, playing, at_s, source, port)
        if isinstance(message, PitchBend):
            return self._absolute(("bend", 0), fraction(message.value, 14), playing, port)
        if isinstance(message, Note):
            return self._press(("note", message.note), message.channel, message.velocity > 0, at_s, source, port)
        if isinstance(message, ProgramChange):
            place = ("program", message.program)
            if place in self._buttons:
                return [Press(self.file.button[self._buttons[place]].action, at_s, self.by(place, port))]
            return self._recall(message, there)
        return []

    def due(self, now_s: float) -> list[Gesture]:
        """What has become certain without a message: holds, single presses, ends of bounces."""
        found: list[Gesture] = []
        for port, there in self._ports.items():
            for (_, index), switch in there.switches.items():
                found += self._strokes(index, switch, switch.due(now_s), port)
        return found

    def waiting(self, playing: Playing) -> Iterator[Waiting]:
        """The controls that stand elsewhere than their parameters and have still some way to go."""
        for port, there in self._ports.items():
            for index, hand in there.hands.items():
                control = self.file.control[index]
                by = self.by(control.place, port)
                curve = curve_for(control, playing.voicing).stretched(playing.value_of(control.parameter))
                span = curve.span_of(playing.value_of(control.parameter))
                away = hand.take_over.away(span, playing.mover_of(control.parameter) == by)
                if away:
                    yield Waiting(control.parameter, by, told(away, curve.live_share), away * curve.live_share)

    def _control_change(
        self, message: ControlChange, playing: Playing, at_s: float, source: int, port: str
    ) -> list[Gesture]:
        there, place = self._ports[port], ("cc", message.controller)
        if place in self._buttons:
            is_on = message.value >= PRESSED_FROM
            return self._press(place, message.channel, is_on, at_s, source, port)
        if (index := self._controls.get(place)) is None:
            there.bank.take(message)
            entry = there.numbers.take(message)
            return self._entered(entry, playing, port) if entry else []
        control = self.file.control[index]
        if control.encoder is not None:
            turned = clicks(control.encoder, message.value, is_next=place != control.place)
            return self._turned(index, turned, at_s, playing, port)
        if control.bits == 7:
            return self._absolute(place, fraction(message.value), playing, port)
        joined = there.fine.join(message)
        return self._absolute(control.place, fraction(joined[1], 14), playing, port) if joined else []

    def _entered(self, entry: Entry, playing: Playing, port: str) -> list[Gesture]:
        place = (entry.kind, entry.number)
        index = self._controls.get(place)
        if index is None:
            return []
        if entry.value is None:
            return self._turned(index, entry.step, float("inf"), playing, port)
        if self.file.control[index].bits == 7:
            return self._absolute(place, fraction(entry.value >> 7), playing, port)
        return self._absolute(place, fraction(entry.value, 14), playing, port)

    def _absolute(self, place: Place, position: float, playing: Playing, port: str) -> list[Gesture]:
        index = self._controls.get(place)
        if index is None:
            return []
        control = self.file.control[index]
        hand = self._hand(index, port)
        by, value = self.by(place, port), playing.value_of(control.parameter)
        curve = curve_for(control, playing.voicing)
        wide = curve.stretched(value) if control.mode != "jump" else curve
        mine = playing.mover_of(control.parameter) == by
        travel = hand.take_over.move(wide.travel(position), wide.span_of(value), mine)
        if travel is None:
            return []
        is_coarse = control.bits == 7 and not curve.choices and not curve.whole
        return [Move(control.parameter, wide.value_at(travel), by, GLIDE_MS if is_coarse else 0.0)]

    def _turned(self, index: int, turned: int, at_s: float, playing: Playing, port: str) -> list[Gesture]:
        if turned == 0:
            return []
        control = self.file.control[index]
        factor = 1.0 if at_s == float("inf") else self._hand(index, port).acceleration.factor(turned, at_s)
        value = turned_value(
            curve_for(control, playing.voicing), playing.value_of(control.parameter), turned, factor,
            EDGES.get(control.parameter),
        )  # fmt: skip
        glide_ms = 0.0 if target(control.parameter).kind in ("switch", "choice", "whole") else GLIDE_MS
        return [Move(control.parameter, value, self.by(control.place, port), glide_ms)]

    def _press(
        self, place: Place, channel: int, is_on: bool, at_s: float, source: int, port: str
    ) -> list[Gesture]:
        index = self._buttons.get(place)
        if index is None:
            return []
        switches = self._ports[port].switches
        switch = switches.get((channel, index))
        if switch is None:
            switch = switches[channel, index] = Switch(_habit(self.file.button[index]))
        return self._strokes(index, switch, switch.take(is_on, at_s, source), port)

    def _strokes(self, index: int, switch: Switch, strokes: list[Any], port: str) -> list[Gesture]:
        button = self.file.button[index]
        actions = {"press": button.action, "hold": button.hold, "double": button.double}
        held = switch.is_down if button.on == "held" else None
        return [
            Press(action, stroke.at_s, self.by(button.place, port), held)
            for stroke in strokes
            if (action := actions[stroke.kind]) is not None
        ]

    def _recall(self, message: ProgramChange, there: _Port) -> list[Gesture]:
        slot = 128 * there.bank.number(message.channel) + message.program + self.file.recall.offset
        return [Recall(slot)] if self.file.recall.program_change and slot >= 0 else []

    def _hand(self, index: int, port: str) -> _Hand:
        hands = self._ports[port].hands
        if index not in hands:
            hands[index] = _Hand(self.file.control[index])
        return hands[index]


def _habit(button: Button) -> Habit:
    return Habit(
        is_latching=button.latching, on=button.on,
        hold_s=1e-3 * button.hold_ms if button.hold else None,
        double_s=1e-3 * button.double_ms if button.double else None,
    )  # fmt: skip


@lru_cache(maxsize=1024)
def _curve(control: Control, floor: float, ceiling: float) -> Curve:
    meant = target(control.parameter)
    dead_low, dead_high = control.dead_ends
    if meant.kind in ("switch", "choice"):
        return Curve(is_reversed=control.reversed, dead_low=dead_low, dead_high=dead_high, choices=meant.choices)
    low = floor if control.low is None else control.low
    high = ceiling if control.high is None else control.high
    return Curve(
        low=low, high=high, is_log=control.curve == "log", is_reversed=control.reversed, dead_low=dead_low,
        dead_high=dead_high, whole=meant.kind == "whole", floor=floor, ceiling=ceiling,
    )  # fmt: skip


def curve_for(control: Control, voicing: Voicing) -> Curve:
    """The law between the control's travel and its parameter's value, for this voicing.

    Ends that the map leaves out are the parameter's own, in this voicing.
    """
    return _curve(control, *playable_span(control.parameter, voicing))


def playable_span(key: str, voicing: Voicing) -> tuple[float, float]:
    """Lowest and highest value a numeric parameter may have in this voicing: its own span for time and rate."""
    if key == "delay.time_ms":
        return voicing.delay.shortest_ms, voicing.delay.longest_ms
    if key == "modulation.rate_hz":
        return RATE_SPAN_HZ[voicing.modulation.range]
    return target(key).low, target(key).high


def read_map(text: str, *, where: str) -> ControllerMap:
    """Read a map from the text of its file; `FileError` with ``where`` and line for the first mistake."""
    return ControllerMap(read_model(text, MapFile, where=where))
