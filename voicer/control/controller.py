"""The player's controllers: MIDI inputs and maps, which together say what to do with the voicing being played.

Use: ``controller = Controller(load_maps()[0])``, ``controller.listen("auto")``; then, repeatedly on the control thread,
``for event in controller.drain(session)`` and, to tell the player what was plugged in or out, ``controller.changes()``.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

from voicer.control.clock import Follower
from voicer.control.doubles import Doubles
from voicer.control.events import Event, Move, Press, Recall
from voicer.control.feedback import Feedback
from voicer.control.map_files import Maps
from voicer.control.mapfile import told_place
from voicer.control.maps import Playing, Waiting
from voicer.control.messages import Message, TimeMessage, decode
from voicer.control.numbers import BANK_CONTROLLERS, NUMBER_CONTROLLERS
from voicer.control.words import place_of, told, told_event

if TYPE_CHECKING:
    from voicer.devices.midi_ports import Heard
    from voicer.voicing import Voicing

CHANGES_THE_VOICING = frozenset(
    {"next-voicing", "previous-voicing", "modulation-range", "undo", "redo", "other-copy", "hear-saved"}
)
"""Actions after which a control may have another span."""

PENDING_LIMIT = 8192
"""Messages kept for the next drain; the oldest are dropped first."""

PORTS_LIMIT = 64
"""Ports whose first unbound control is remembered as told."""


class Inputs(Protocol):
    """What a controller listens to: `midi_ports.MidiInputs`, or anything that gives messages with their times."""

    @property
    def names(self) -> list[str]:
        """Names of the open inputs."""

    def name_of(self, source: int) -> str:
        """Name of the input with that number."""

    def plug_of(self, source: int) -> int:
        """Another number each time its port was plugged in; the same after a crash of MIDI."""

    def poll(self, timeout_s: float = 0.0) -> list[Heard]:
        """What has arrived since the last call; waits up to ``timeout_s`` for a first message."""

    def changes(self) -> list[str]:
        """What to tell the player about inputs that came or went since the last call."""

    @property
    def ports(self) -> list[str]:
        """Names of the open inputs, as `name_of` gives them."""

    def send(self, messages: list[tuple[str, bytes]]) -> None:
        """Send messages to controllers, each with the name of its input."""

    def close(self) -> None:
        """Let go of the ports."""


@dataclass(frozen=True)
class Came:
    """One message as it came, for a monitor and for learning."""

    data: bytes
    message: Message | None
    """None for one that voicer has no use for."""
    at_s: float
    port: str
    bound: str = ""
    """What its control is bound to; empty where it is not."""
    did: str = ""
    """What it did; empty for nothing."""


class _Ahead:
    """What is being played, as the moves that have been given but not yet done will have left it."""

    def __init__(self, playing: Playing) -> None:
        self._playing = playing
        self.moves: dict[str, Move] = {}

    @property
    def voicing(self) -> Voicing:
        return self._playing.voicing

    def value_of(self, key: str) -> Any:
        return self.moves[key].value if key in self.moves else self._playing.value_of(key)

    def mover_of(self, key: str) -> str:
        return self.moves[key].by if key in self.moves else self._playing.mover_of(key)


class Controller:
    """Drains the inputs, routes through the maps, merges moves. Every method runs on the control thread.

    Attributes
    ----------
    maps : Maps
        May be replaced at any time.
    last_move : str
        The newest message that did something: ``cc 102 = 87 -> delay.time_ms 212 ms``; empty at first.
    on_message : callable, optional
        Told every message as it came, with what it did.
    taken : callable, optional
        Asked about every message first; where it gives True the message does nothing else, as while one is learnt.
    clock : clock.Follower
        Follows a sequencer's tempo.
    """

    def __init__(self, maps: Maps, inputs: Inputs | None = None) -> None:
        self.maps = maps
        self.last_move = ""
        self.on_message: Callable[[Came], None] | None = None
        self.taken: Callable[[Came], bool] | None = None
        self.clock = Follower()
        self._inputs = inputs
        self._doubles = Doubles()
        self._pending: deque[tuple[Heard, Message]] = deque(maxlen=PENDING_LIMIT)
        self._unbound: dict[str, str] = {}
        self._feedback, self._ports_seen = Feedback(), list[str]()
        self._notices: list[str] = []

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
        """One line for each input that came or went since the last call, for each crash of MIDI, and for the first
        control of a port that is bound to nothing; never waits.
        """
        found, self._notices = self._notices, []
        return (self._inputs.changes() if self._inputs else []) + found

    def send_back(self, playing: Playing, is_on: dict[str, bool], now_s: float) -> None:
        """Let controllers whose maps ask for it show the truth. Call it some fifty times a second."""
        if self._inputs is None or not any(one.file.feedback for one in self.maps.all):
            return
        ports = self._inputs.ports
        for port in set(self._ports_seen) ^ set(ports):
            self._feedback.forget(port)
        self._ports_seen = list(ports)
        serving = {port: self.maps.serving(port) for port in ports}
        self._inputs.send(self._feedback.due(serving, playing, is_on, now_s))

    def waiting(self, playing: Playing) -> list[Waiting]:
        """The controls that stand elsewhere than their parameters, with the way they have still to go."""
        return [one for each in self.maps.all for one in each.waiting(playing)]

    def close(self) -> None:
        """Close the inputs and forget what was pending; may be called twice."""
        if self._inputs:
            self._inputs.close()
        self._inputs = None
        self._pending.clear()

    def drain(self, playing: Playing, timeout_s: float = 0.0) -> list[Event]:
        """What the player did since the last call, in order, moves of one key merged.

        Of several moves of one key with no press or recall between them only the newest is given, so a fast knob
        never piles up. The list ends with anything that changes the voicing, since what comes after it applies to
        the new voicing: call again with that one until the list is empty.

        Parameters
        ----------
        playing : Playing
            The session, or anything that tells the voicing, a parameter's value and what moved it last.
        timeout_s : float
            How long to wait if there is nothing yet; 0 does not wait.
        """
        self._fetch(timeout_s)
        ahead, events = _Ahead(playing), _Merged()
        now_s = time.monotonic()
        event: Event
        for each in self.maps.all:
            for event in each.due(min(now_s, self._pending[0][0].at_s) if self._pending else now_s):
                events.add(event)
        while self._pending and not events.is_over:
            heard, message = self._pending.popleft()
            port = self._name_of(self._doubles.first_of(heard.source))
            came = Came(heard.data, message, heard.at_s, port)
            if self.taken is not None and self.taken(came):
                continue
            found = self._routed(came, heard.source, ahead)
            for event in found:
                self.last_move = f"{told(message)} -> {told_event(event)}"
                if isinstance(event, Move):
                    ahead.moves[event.key] = event
                events.add(event)
            self._tell(came, found)
        if not self._pending:
            for event in self.clock.take(None, time.monotonic(), ""):
                events.add(event)
        return events.list

    def _routed(self, came: Came, source: int, playing: Playing) -> list[Event]:
        message = came.message
        if isinstance(message, TimeMessage):
            return self.clock.take(message, came.at_s, came.port)
        if message is None:
            return []
        found: list[Event] = []
        plug = self._plug_of(self._doubles.first_of(source))
        for each in self.maps.serving(came.port):
            found += each.route(message, playing, came.at_s, source, came.port, plug)
        if not found:
            self._look_for_unbound(message, came.port)
        return found

    def _bound(self, came: Came) -> str:
        place = place_of(came.message) if came.message else None
        if place is None:
            return ""
        return ", ".join(what for each in self.maps.serving(came.port) if (what := each.bound_to(place)))

    def _look_for_unbound(self, message: Message, port: str) -> None:
        place = place_of(message)
        if place is None or port in self._unbound or len(self._unbound) >= PORTS_LIMIT:
            return
        if place[0] == "cc" and (place[1] in NUMBER_CONTROLLERS | BANK_CONTROLLERS or place[1] > 119):
            return
        if any(each.bound_to(place) for each in self.maps.serving(port)):
            return
        self._unbound[port] = told_place(place)
        self._notices.append(f"{told_place(place)} of '{port}' is bound to nothing; 'voicer learn' binds it")

    def _tell(self, came: Came, found: list[Event]) -> None:
        if self.on_message is not None:
            did = "; ".join(told_event(event) for event in found)
            self.on_message(Came(came.data, came.message, came.at_s, came.port, self._bound(came), did))

    def _name_of(self, source: int) -> str:
        return self._inputs.name_of(source) if self._inputs else ""

    def _plug_of(self, source: int) -> int:
        return self._inputs.plug_of(source) if self._inputs else source

    def _fetch(self, timeout_s: float) -> None:
        """Move what has arrived to the pending messages, waiting up to ``timeout_s`` for one that means something."""
        until_s = time.monotonic() + timeout_s
        while self._inputs:
            left_s = 0.0 if self._pending else max(0.0, until_s - time.monotonic())
            for heard in self._inputs.poll(left_s):
                message = decode(heard.data)
                if message is None:
                    if self.on_message is not None and heard.data:
                        self.on_message(Came(heard.data, None, heard.at_s, self._name_of(heard.source)))
                elif self._doubles.is_new(message, heard.at_s, heard.source):
                    self._pending.append((heard, message))
            if self._pending or left_s <= 0:
                return


class _Merged:
    """Events in order, of several moves of one key the newest, until something changes the voicing."""

    def __init__(self) -> None:
        self.list: list[Event] = []
        self.is_over = False
        self._moved: dict[str, int] = {}

    def add(self, event: Event) -> None:
        if isinstance(event, Move) and event.key in self._moved:
            self.list[self._moved[event.key]] = event
            return
        self.list.append(event)
        if isinstance(event, Move):
            self._moved[event.key] = len(self.list) - 1
            return
        self._moved.clear()
        if isinstance(event, Recall) or (isinstance(event, Press) and event.action in CHANGES_THE_VOICING):
            self.is_over = True
