"""The player's controller: MIDI inputs and a map, which together say what to do with the voicing being played.

Use: ``controller = Controller(load_map())``, ``controller.listen("auto")``; then, repeatedly on the control thread,
``for event in controller.drain(voicing)`` and, to tell the player what was plugged in or out, ``controller.changes()``.
"""

from __future__ import annotations

import time
from collections import deque
from typing import TYPE_CHECKING, Protocol

from voicer.control.doubles import Doubles
from voicer.control.events import Gesture, Move, Press, Recall
from voicer.control.maps import ControllerMap
from voicer.control.messages import ControlChange, Message, decode
from voicer.voicing import parameter

if TYPE_CHECKING:
    from voicer.devices.midi_ports import Heard
    from voicer.voicing import Voicing

CHANGES_THE_VOICING = ("next-voicing", "previous-voicing", "modulation-range")
"""Actions after which a control may have another span."""

PENDING_LIMIT = 8192
"""Messages kept for the next drain; the oldest are dropped first."""


class Inputs(Protocol):
    """What a controller listens to: `midi_ports.MidiInputs`, or anything that gives messages with their times."""

    @property
    def names(self) -> list[str]:
        """Names of the open inputs."""

    def poll(self, timeout_s: float = 0.0) -> list[Heard]:
        """What has arrived since the last call; waits up to ``timeout_s`` for a first message."""

    def changes(self) -> list[str]:
        """What to tell the player about inputs that came or went since the last call."""

    def close(self) -> None:
        """Let go of the ports."""


class Controller:
    """Drains the inputs, routes through the map, merges moves. Every method runs on the control thread.

    Attributes
    ----------
    map : ControllerMap
        May be replaced at any time.
    last_move : str
        The newest message that did something: ``cc 102 = 87 -> delay.time_ms 212 ms``; empty at first.
    """

    def __init__(self, controller_map: ControllerMap, inputs: Inputs | None = None) -> None:
        self.map = controller_map
        self.last_move = ""
        self._inputs = inputs
        self._doubles = Doubles()
        self._pending: deque[tuple[Message, float, int]] = deque(maxlen=PENDING_LIMIT)

    @property
    def names(self) -> list[str]:
        """Names of the open inputs."""
        return self._inputs.names if self._inputs else []

    def listen(self, wanted: str) -> None:
        """Listen to inputs as `midi_ports.open_inputs` does, in place of those open now; may raise `PortError`.

        Whether a port that was named is there is known on return. With ``auto`` nothing can go wrong, so nothing is
        waited for: the inputs are open a few tenths of a second later.
        """
        from voicer.devices.midi_ports import MidiInputs

        opened = MidiInputs(wanted)
        if wanted != "auto":
            opened.wait_until_open()
        self.close()
        self._inputs = opened

    def changes(self) -> list[str]:
        """One line for each input that came or went since the last call, and for each crash of MIDI; never waits."""
        return self._inputs.changes() if self._inputs else []

    def close(self) -> None:
        """Close the inputs and drop what was pending."""
        if self._inputs:
            self._inputs.close()
        self._inputs = None
        self._pending.clear()

    def drain(self, voicing: Voicing, timeout_s: float = 0.0) -> list[Gesture]:
        """What the player did since the last call, in order, moves of one key merged.

        Of several moves of one key with no press or recall between them only the newest is given, so a fast knob
        never piles up. The list ends with anything that changes the voicing, since what comes after it applies to
        the new voicing: call again with that one until the list is empty.

        Parameters
        ----------
        voicing : Voicing
            The one being played.
        timeout_s : float
            How long to wait if there is nothing yet; 0 does not wait.
        """
        self._fetch(timeout_s)
        events: list[Gesture] = []
        moved: dict[str, int] = {}
        while self._pending:
            message, at_s, source = self._pending.popleft()
            event = self.map.route(message, voicing, at_s, source)
            if event is None:
                continue
            self.last_move = f"{_told(message)} -> {_told_event(event)}"
            if isinstance(event, Move) and event.key in moved:
                events[moved[event.key]] = event
                continue
            events.append(event)
            if isinstance(event, Move):
                moved[event.key] = len(events) - 1
            else:
                moved.clear()
                if isinstance(event, Recall) or event.action in CHANGES_THE_VOICING:
                    break
        return events

    def _fetch(self, timeout_s: float) -> None:
        """Move what has arrived to the pending messages, waiting up to ``timeout_s`` for one that means something."""
        until_s = time.monotonic() + timeout_s
        while self._inputs:
            left_s = 0.0 if self._pending else max(0.0, until_s - time.monotonic())
            for data, at_s, source in self._inputs.poll(left_s):
                message = decode(data)
                if message and self._doubles.is_new(message, at_s, source):
                    self._pending.append((message, at_s, source))
            if self._pending or left_s <= 0:
                return


def _told(message: Message) -> str:
    if isinstance(message, ControlChange):
        return f"cc {message.controller} = {message.value}"
    return f"program {message.program}"


def _told_event(event: Gesture) -> str:
    if isinstance(event, Press):
        return event.action
    if isinstance(event, Recall):
        return f"voicing {event.slot}"
    value, unit = event.value, parameter(event.key).unit
    shown = f"{float(f'{value:.3g}'):g}" if isinstance(value, float) else str(value)
    return f"{event.key} {shown}" + (f" {unit}" if unit else "")
