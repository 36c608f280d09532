"""Values back to the controller, so that rings of light, motor faders and lamps show the truth. Pure.

Only for maps that ask for it. A control is never sent an answer to the message that caused a change; it gets at most
`MOST_PER_S` messages a second, and of several changes in between the newest.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from voicer.control.mapfile import Control, Place
from voicer.control.maps import ControllerMap, Playing, curve_for

if TYPE_CHECKING:
    from voicer.control.mapfile import Action

MOST_PER_S = 50.0

TOGGLES: frozenset[Action] = frozenset({"bypass", "bypass-tail", "panic", "hear-saved", "other-copy", "match-levels",
                                        "recall-tail", "record"})  # fmt: skip
"""Actions whose lamps say whether what they switch is on."""


class Feedback:
    """What is to be sent to the controllers."""

    def __init__(self) -> None:
        self._known: dict[tuple[str, Place], int] = {}
        self._sent_s: dict[tuple[str, Place], float] = {}

    def forget(self, port: str) -> None:
        """Everything is to be sent to this port again, as after it was plugged in."""
        self._known = {place: value for place, value in self._known.items() if place[0] != port}

    def due(
        self, ports: dict[str, list[ControllerMap]], playing: Playing, is_on: dict[str, bool], now_s: float
    ) -> list[tuple[str, bytes]]:
        """Messages to send now, each with the port it is for.

        Parameters
        ----------
        ports : dict
            The maps that serve each port that is there.
        playing : Playing
        is_on : dict
            Of actions in `TOGGLES`, whether what they switch is on.
        now_s : float
        """
        found: list[tuple[str, bytes]] = []
        for port, maps in ports.items():
            for one in maps:
                if one.file.feedback:
                    found += self._of_map(port, one, playing, is_on, now_s)
        return found

    def _of_map(
        self, port: str, one: ControllerMap, playing: Playing, is_on: dict[str, bool], now_s: float
    ) -> list[tuple[str, bytes]]:
        channel = max(one.file.channel, 1)
        found: list[tuple[str, bytes]] = []
        for control in one.file.control:
            steps = 16_383 if control.bits == 14 and control.encoder is None else 127
            value = round(position_of(control, playing) * steps)
            own = control.encoder is None and playing.mover_of(control.parameter) == one.by(control.place, port)
            if self._is_news(port, control.place, value, own, now_s):
                found += [(port, message) for message in _messages(control, value, channel)]
        for button in one.file.button:
            if button.action in is_on and button.place[0] in ("cc", "note"):
                value = 127 if is_on[button.action] else 0
                if self._is_news(port, button.place, value, False, now_s):
                    status = (0xB0 if button.place[0] == "cc" else 0x90) | (channel - 1)
                    found.append((port, bytes((status, button.place[1], value))))
        return found

    def _is_news(self, port: str, place: Place, value: int, own: bool, now_s: float) -> bool:
        key = port, place
        if own:
            self._known[key] = value
            return False
        if self._known.get(key) == value or now_s - self._sent_s.get(key, float("-inf")) < 1 / MOST_PER_S:
            return False
        self._known[key], self._sent_s[key] = value, now_s
        return True


def position_of(control: Control, playing: Playing) -> float:
    """Where a control would stand at the present value, 0..1 of its whole way."""
    value = playing.value_of(control.parameter)
    curve = curve_for(control, playing.voicing)
    low, high = curve.span_of(value)
    return curve.dead_low + 0.5 * (low + high) * curve.live_share


def _messages(control: Control, value: int, channel: int) -> list[bytes]:
    """The MIDI messages that set a control: 7 bits, a pair, NRPN or RPN, or the bend."""
    kind, number = control.place
    status = 0xB0 | (channel - 1)
    if kind == "bend":
        return [bytes((0xE0 | (channel - 1), value & 127, value >> 7))]
    if kind == "cc" and (control.bits == 7 or control.encoder is not None):
        return [bytes((status, number, value))]
    if kind == "cc":
        return [bytes((status, number, value >> 7)), bytes((status, number + 32, value & 127))]
    select = (99, 98) if kind == "nrpn" else (101, 100)
    halves = [(select[0], number >> 7), (select[1], number & 127)]
    data = [(6, value >> 7), (38, value & 127)] if control.bits == 14 else [(6, value)]
    return [bytes((status, *one)) for one in (*halves, *data)]
