"""Control changes that belong together: 14-bit pairs, RPN and NRPN, bank select. Pure.

Each class remembers what one input has sent, separately for each channel, so that interleaved channels do not mix.
Source of the rules: MIDI 1.0 Detailed Specification, 1996, control change numbers.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from voicer.control.messages import ControlChange

FINE_OFFSET = 32
"""Controllers 32..63 carry the fine half of 0..31."""

DATA_COARSE, DATA_FINE, DATA_UP, DATA_DOWN = 6, 38, 96, 97
_SELECT: dict[int, tuple[Literal["nrpn", "rpn"], bool]] = {
    98: ("nrpn", False), 99: ("nrpn", True), 100: ("rpn", False), 101: ("rpn", True),
}  # fmt: skip
"""What selects a parameter number: which kind, and whether it is the coarse half."""

NUMBER_CONTROLLERS = frozenset({DATA_COARSE, DATA_FINE, DATA_UP, DATA_DOWN, *_SELECT})
BANK_CONTROLLERS = frozenset({0, FINE_OFFSET})

_NULL = 127


@dataclass
class Fine:
    """Joins the two halves of 14-bit controllers.

    A coarse half sets the fine half to zero: "Setting the MSB on a continuous controller resets the LSB to
    zero. The LSB can be omitted afterwards if the finer resolution is not needed." A fine half with no coarse half
    before it is dropped.
    """

    _coarse: dict[tuple[int, int], int] = field(default_factory=dict)

    def join(self, message: ControlChange) -> tuple[int, int] | None:
        """Give (controller 0..31, value 0..16383), or None if there is no whole value yet. Control thread."""
        if message.controller < FINE_OFFSET:
            self._coarse[message.channel, message.controller] = message.value
            return message.controller, message.value * 128
        controller = message.controller - FINE_OFFSET
        coarse = self._coarse.get((message.channel, controller))
        if coarse is None or controller >= FINE_OFFSET:
            return None
        return controller, coarse * 128 + message.value


@dataclass(frozen=True)
class Entry:
    """Data entered for a registered (rpn) or other (nrpn) parameter number."""

    kind: Literal["nrpn", "rpn"]
    channel: int
    number: int
    """0..16383: coarse half times 128 plus fine half."""
    value: int | None
    """0..16383; None for a step."""
    step: int = 0
    """1 for an increment, -1 for a decrement, whatever value came with it; 0 for data."""


@dataclass
class _Channel:
    kind: Literal["nrpn", "rpn"] | None = None
    halves: dict[tuple[str, bool], int] = field(default_factory=dict)
    coarse_value: int | None = None

    @property
    def number(self) -> int | None:
        """The parameter number that is selected; None without one, with half of one, and after null."""
        if self.kind is None:
            return None
        coarse, fine = self.halves.get((self.kind, True)), self.halves.get((self.kind, False))
        if coarse is None or fine is None or coarse == fine == _NULL:
            return None
        return coarse * 128 + fine


@dataclass
class ParameterNumbers:
    """Follows RPN and NRPN messages.

    A number is selected by its two halves, in either order, and stays selected. Data entry coarse sets the fine half
    of the value to zero, as with any controller. After null (127, 127) data changes nothing.
    """

    _channels: dict[int, _Channel] = field(default_factory=dict)

    def take(self, message: ControlChange) -> Entry | None:
        """Give what was entered; None while a number is being selected, without one, and for other controllers."""
        if message.controller not in NUMBER_CONTROLLERS:
            return None
        now = self._channels.setdefault(message.channel, _Channel())
        if message.controller in _SELECT:
            self._select(now, *_SELECT[message.controller], message.value)
            return None
        kind, number = now.kind, now.number
        if kind is None or number is None:
            return None
        if message.controller in (DATA_UP, DATA_DOWN):
            return Entry(kind, message.channel, number, None, 1 if message.controller == DATA_UP else -1)
        if message.controller == DATA_COARSE:
            now.coarse_value = message.value
            return Entry(kind, message.channel, number, message.value * 128)
        if now.coarse_value is None:
            return None
        return Entry(kind, message.channel, number, now.coarse_value * 128 + message.value)

    @staticmethod
    def _select(now: _Channel, kind: Literal["nrpn", "rpn"], coarse: bool, value: int) -> None:
        before = now.kind, now.number
        now.kind = kind
        now.halves[kind, coarse] = value
        if (now.kind, now.number) != before:
            now.coarse_value = None


@dataclass
class Bank:
    """Remembers the bank that the next program change is in.

    A bank's number has 14 bits, but many controllers count their banks with the coarse half alone. So the fine half
    counts only when it came after the coarse one: coarse 1 is bank 1, coarse 0 and fine 1 is bank 1, coarse 1 and
    fine 0 is bank 128 (own choice).
    """

    _coarse: dict[int, int] = field(default_factory=dict)
    _fine: dict[int, int | None] = field(default_factory=dict)

    def take(self, message: ControlChange) -> None:
        """Note a bank select; other controllers change nothing."""
        if message.controller == 0:
            self._coarse[message.channel] = message.value
            self._fine[message.channel] = None
        elif message.controller == FINE_OFFSET:
            self._fine[message.channel] = message.value

    def number(self, channel: int) -> int:
        """The bank selected on a channel, 0..16383; 0 before any."""
        coarse, fine = self._coarse.get(channel, 0), self._fine.get(channel)
        return coarse if fine is None else coarse * 128 + fine
