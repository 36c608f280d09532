"""The player's controller: MIDI inputs and a map joined, giving what to do with the voicing now playing.

Use: ``controller = Controller(load_map())``, ``controller.listen("auto")``; then on the control thread, over
and over, ``for event in controller.drain(voicing)``, and every 2 s or so ``controller.rescan()``.
"""

from __future__ import annotations

import time
from collections import deque
from typing import TYPE_CHECKING, Protocol

from voicer.control.maps import ControllerMap, Event, Move, Press, Recall
from voicer.control.messages import ControlChange, Message, decode
from voicer.voicing import parameter

if TYPE_CHECKING:
    from voicer.devices.midi_ports import PortChange
    from voicer.voicing import Voicing

CHANGES_THE_VOICING = ("next-voicing", "previous-voicing", "modulation-range")
"""Actions after which the spans of moves may be others."""

PENDING_LIMIT = 8192
"""Messages kept for the next drain; the oldest go first."""

_POLL_EVERY_S = 0.002


class Inputs(Protocol):
    """What a controller listens to: `ports.MidiInputs`, or anything that gives messages with their times."""

    @property
    def names(self) -> list[str]:
        """Names of the open inputs."""

    def poll(self) -> list[tuple[bytes, float]]:
        """What has arrived since the last call: (message, `time.monotonic` of arrival) each."""

    def rescan(self) -> list[PortChange]:
        """Follow what was plugged in or out."""

    def reopen(self) -> list[PortChange]:
        """Close and open all anew."""

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
        self._pending: deque[tuple[Message, float]] = deque(maxlen=PENDING_LIMIT)

    @property
    def names(self) -> list[str]:
        """Names of the open inputs."""
        return self._inputs.names if self._inputs else []

    def listen(self, wanted: str) -> None:
        """Open the inputs `ports.open_inputs` finds, in place of those open now; may raise `PortError`."""
        from voicer.devices.midi_ports import open_inputs

        opened = open_inputs(wanted)
        self.close()
        self._inputs = opened

    def rescan(self) -> list[PortChange]:
        """Follow what was plugged in or out since the last call; call it every 2 s or so."""
        return self._inputs.rescan() if self._inputs else []

    def reopen(self) -> list[PortChange]:
        """Close and open all inputs anew: after the JACK server was restarted, or when the player asks."""
        return self._inputs.reopen() if self._inputs else []

    def close(self) -> None:
        """Close the inputs; what was pending is dropped."""
        if self._inputs:
            self._inputs.close()
        self._inputs = None
        self._pending.clear()

    def drain(self, voicing: Voicing, timeout_s: float = 0.0) -> list[Event]:
        """What the player did since the last call, in order, moves of one key merged.

        Of several moves of one key with no press or recall between them only the newest is given, so a fast
        knob never piles up. After anything that changes the voicing the list ends, since the moves behind it
        mean the new voicing: call again with that one until the list is empty.

        Parameters
        ----------
        voicing : Voicing
            The one now playing.
        timeout_s : float
            How long to wait for a message if there is none; 0 does not wait.
        """
        self._fetch(timeout_s)
        events: list[Event] = []
        moved: dict[str, int] = {}
        while self._pending:
            message, at_s = self._pending.popleft()
            event = self.map.route(message, voicing, at_s)
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
        """Move what has arrived to the pending messages, waiting for a first one up to ``timeout_s``."""
        until_s = time.monotonic() + timeout_s
        while True:
            arrived = self._inputs.poll() if self._inputs else []
            decoded = [(decode(data), at_s) for data, at_s in arrived]
            self._pending.extend((message, at_s) for message, at_s in decoded if message)
            left_s = until_s - time.monotonic()
            if self._pending or left_s <= 0:
                return
            time.sleep(min(_POLL_EVERY_S, left_s))


def _told(message: Message) -> str:
    if isinstance(message, ControlChange):
        return f"cc {message.controller} = {message.value}"
    return f"program {message.program}"


def _told_event(event: Event) -> str:
    if isinstance(event, Press):
        return event.action
    if isinstance(event, Recall):
        return f"voicing {event.slot}"
    value, unit = event.value, parameter(event.key).unit
    shown = f"{float(f'{value:.3g}'):g}" if isinstance(value, float) else str(value)
    return f"{event.key} {shown}" + (f" {unit}" if unit else "")
