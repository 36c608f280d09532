"""The MIDI systems of this machine by RtMidi: only ever loaded in the MIDI process. Thread: that process's main one.

RtMidi must not live in the process that holds the session. On JACK it counts the events of a period, then fetches each
without looking at the result of ``jack_midi_event_get`` (seen in the machine code of python-rtmidi 1.5.8: the call is
followed at once by ``jack_get_time``). A source's buffer is shared memory which its owner clears at its next period.
When the reader is late, the events it has counted are gone, the call fails, and RtMidi reads where an old or unset
pointer leads: measured beside a busy thread, 301 of 620 317 calls failed in 20 s. Sooner or later that is a
segmentation fault.

Messages are fetched by polling and never by RtMidi's callback, which would have to wait for Python on JACK's real-time
thread: measured with one busy Python thread and 64-frame periods, 600 control changes cost 1131 xruns and 8 of them
were lost; polled, none and none. RtMidi stamps each message as it arrives and keeps it in a queue, so polling later
loses neither time nor order.
"""

from __future__ import annotations

import faulthandler
from typing import Any, Protocol

from voicer.devices.midi_protocol import CLIENT, QUEUE_LIMIT, VIRTUAL_NAME, VIRTUAL_PORT

OFF: str | None = None
"""Why RtMidi cannot be loaded; empty when it is not installed, None when it is loaded."""

try:
    import rtmidi
except ModuleNotFoundError:
    OFF = ""
except ImportError as error:  # a library it is linked against is missing
    OFF = str(error)

HANG_S = 10.0
"""A call into RtMidi that takes longer ends the process; opening a JACK client took 4 s on an overloaded machine."""


class RtMidiInput(Protocol):
    """What is used of ``rtmidi.MidiIn``."""

    def get_ports(self) -> list[str]:
        """Names of the inputs there are."""

    def get_message(self) -> tuple[list[int], float] | None:
        """The oldest waiting message and the seconds since the one before it."""

    def ignore_types(self, *, sysex: bool, timing: bool, active_sense: bool) -> None:
        """Choose what never reaches the queue."""

    def open_port(self, port: int, name: str) -> object:
        """Connect to an input by its place in `get_ports`."""

    def open_virtual_port(self, name: str) -> object:
        """Make a port that others connect to."""

    def close_port(self) -> None:
        """Disconnect."""

    def delete(self) -> None:
        """Free the object and with it its client."""


class Queue(Protocol):
    """Where messages wait: `RtMidiInput`, as far as `Input` reads from it."""

    def get_message(self) -> tuple[list[int], float] | None:
        """The oldest waiting message and the seconds since the one before it."""


class Input:
    """One open input's messages and their clock."""

    def __init__(self, number: int, queue: Queue) -> None:
        self.number = number
        self._queue = queue
        self._clock_s: float | None = None

    def read(self, now_s: float) -> list[tuple[bytes, float]]:
        """Fetch the waiting messages, each with its time of arrival on the clock of ``now_s``.

        RtMidi gives the time since the message before. Their sum may run late by the wait before the first
        poll, never early; so whenever it would reach into the future it is moved back to ``now_s``.
        """
        clock_s = now_s if self._clock_s is None else self._clock_s
        batch: list[tuple[bytes, float]] = []
        for _ in range(QUEUE_LIMIT):
            item = self._queue.get_message()
            if item is None:
                break
            clock_s += item[1]
            batch.append((bytes(item[0]), clock_s))
        if not batch:
            return []
        ahead_s = max(0.0, clock_s - now_s)
        self._clock_s = clock_s - ahead_s
        return [(data, at_s - ahead_s) for data, at_s in batch]


class System:
    """One MIDI system (API of RtMidi): a long-lived finder of its inputs, which may carry our virtual port as well."""

    def __init__(self, api: int) -> None:
        self.name: str = rtmidi.get_api_name(api)
        self._api = api
        self._finder: RtMidiInput | None = None
        self._virtual: Input | None = None
        self._opened: dict[str, tuple[Input, RtMidiInput]] = {}

    def open(self) -> bool:
        """Make the finder; False where the system does not work."""
        end_if_hung()
        try:
            self._finder = rtmidi.MidiIn(self._api, name=CLIENT, queue_size_limit=QUEUE_LIMIT)
        except rtmidi.RtMidiError:
            return False
        return True

    @property
    def is_open(self) -> bool:
        """Whether the system works."""
        return self._finder is not None

    @property
    def open_inputs(self) -> list[tuple[Input, str]]:
        """What is listened to, with the names; our virtual port comes last."""
        real = [(heard, name) for name, (heard, _) in self._opened.items()]
        return real + ([(self._virtual, VIRTUAL_NAME)] if self._virtual else [])

    def names(self) -> list[str]:
        """Full names of the inputs there are now, in the system's own order."""
        try:
            return list(self._finder.get_ports()) if self._finder else []
        except rtmidi.RtMidiError:
            return []

    def listen(self, name: str, number: int) -> bool:
        """Open the input of that name; False if it has gone meanwhile. Its place is looked up just before."""
        end_if_hung()
        try:
            midi: RtMidiInput = rtmidi.MidiIn(self._api, name=f"{CLIENT}-in", queue_size_limit=QUEUE_LIMIT)
        except rtmidi.RtMidiError:
            return False
        try:
            _hear_all(midi)
            midi.open_port(midi.get_ports().index(name), name="in")
        except (ValueError, rtmidi.RtMidiError):
            midi.delete()
            return False
        self._opened[name] = Input(number, midi), midi
        return True

    def open_virtual(self, number: int) -> bool:
        """Make the virtual port; False where the system has none, as Windows has not."""
        if self._finder is None or self._virtual:
            return False
        try:
            _hear_all(self._finder)
            self._finder.open_virtual_port(VIRTUAL_PORT)
        except (NotImplementedError, rtmidi.RtMidiError):
            return False
        self._virtual = Input(number, self._finder)
        return True

    def drop(self, name: str) -> bool:
        """Stop listening to an input; False if it was not listened to. A deleted object leaves no client behind."""
        if name not in self._opened:
            return False
        _, midi = self._opened.pop(name)
        midi.close_port()
        midi.delete()
        return True

    def close(self) -> None:
        """Delete everything."""
        for name in list(self._opened):
            self.drop(name)
        if self._finder is not None:
            self._finder.close_port()
            self._finder.delete()
            self._finder = None


def _hear_all(midi: RtMidiInput) -> None:
    """Let everything into the queue: RtMidi's intervals count from messages it ignores as well."""
    midi.ignore_types(sysex=False, timing=False, active_sense=False)


def all_systems() -> list[System]:
    """Every system that RtMidi was built for, none opened yet."""
    return [System(api) for api in rtmidi.get_compiled_api()]


def end_if_hung() -> None:
    """Let `faulthandler` end this process after `HANG_S`, unless called again; it needs no interpreter lock for it."""
    faulthandler.dump_traceback_later(HANG_S, exit=True)


def survey() -> dict[str, Any]:
    """The inputs of every system that works, and the systems that do not."""
    systems = all_systems()
    failing = [system.name for system in systems if not system.open()]
    found = [(system.name, name) for system in systems for name in system.names()]
    for system in systems:
        system.close()
    return {"inputs": found, "failing": failing}
