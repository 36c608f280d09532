"""MIDI inputs of this machine: listing, opening, and noticing what comes and goes. All of RtMidi is here.

Messages are fetched by polling and never by RtMidi's callback. RtMidi calls back on the JACK client's
real-time thread, where Python must first get the interpreter lock: measured with one busy Python thread and
64-frame periods, 600 control changes cost 1131 xruns and 8 of them were lost; polled, none and none. RtMidi
stamps each message as it arrives and keeps it in a queue, so polling later loses neither time nor order.

Every callable here runs on the *control* thread. RtMidi's own thread (*MIDI*) only fills that queue.
"""

from __future__ import annotations

import os
import re
import time
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from voicer.errors import PortError

try:
    import rtmidi
except ImportError:  # the system's sound library is missing, which RtMidi is linked against
    rtmidi = None

if TYPE_CHECKING:
    from collections.abc import Iterator

CLIENT = "voicer"
VIRTUAL_PORT = "controls"
VIRTUAL_NAME = f"{CLIENT}:{VIRTUAL_PORT}"
"""The port other programs connect to; a second voicer at the same time gets a numbered client name."""

QUEUE_LIMIT = 8192
"""Messages RtMidi keeps between two polls, per port: 40 s at 200 a second."""

_NO_LIBRARY = "no ALSA library is installed, which MIDI needs; install Debian's libasound2"
_OWN = re.compile(rf"{CLIENT}(-\w+)*:")
_THROUGH = re.compile(r"\b(midi )?through\b", re.IGNORECASE)
_ALSA_NUMBERS = re.compile(r" \d+:\d+$")


@dataclass(frozen=True)
class MidiPort:
    """One MIDI input: its system (``alsa``, ``jack`` …), its number in the list of all, its full name."""

    api: str
    number: int
    name: str

    @property
    def label(self) -> str:
        """The name without ALSA's client and port numbers, which change when it is plugged in again."""
        return _ALSA_NUMBERS.sub("", self.name) if self.api == "alsa" else self.name

    @property
    def is_real(self) -> bool:
        """Whether it may be a controller: neither voicer itself nor a pure through port."""
        return not (_OWN.match(self.name) or _THROUGH.search(self.name))


@dataclass(frozen=True)
class PortChange:
    """A MIDI input that has come (``present``) or gone since the last look."""

    api: str
    name: str
    present: bool

    def __str__(self) -> str:
        return f"MIDI input '{self.name}' {'is connected' if self.present else 'has gone'}"


def inputs() -> list[MidiPort]:
    """List every MIDI input of every system that works here; nothing is printed and nothing raises."""
    systems = [_System(api, virtual=False) for api in _apis()]
    with _quiet():
        for system in systems:
            system.open()
        found = _listed(systems)
        for system in systems:
            system.close()
    return found


def trouble() -> list[str]:
    """Say in one line each which MIDI systems do not work here and what would help; may be empty."""
    return [_advice(name) for name in _systems_that_fail()] + ([] if rtmidi else [_NO_LIBRARY])


def choose(wanted: str, ports: list[MidiPort]) -> MidiPort:
    """Pick the one port a part of its name, or its number, stands for.

    Raises
    ------
    PortError
        No port or more than one matches; the line lists them.
    """
    if wanted.isdecimal():
        matches = [port for port in ports if str(port.number) == wanted]
    else:
        matches = [port for port in ports if wanted.casefold() in port.name.casefold()]
    exact = [port for port in matches if wanted in (port.name, port.label)]
    matches = exact if len(exact) == 1 else matches
    if len(matches) == 1:
        return matches[0]
    if matches:
        raise PortError(
            f"MIDI input '{wanted}' matches {len(matches)} ports: {_enumerated(matches)}",
            remedy="give more of the name or its number",
        )
    if ports:
        raise PortError(f"MIDI input '{wanted}' matches no port", remedy=f"there are {_enumerated(ports)}")
    raise PortError(
        f"MIDI input '{wanted}' matches no port", remedy="there are none; connect a controller, or use 'auto'"
    )


def open_inputs(wanted: str) -> MidiInputs:
    """Open MIDI inputs for polling.

    Parameters
    ----------
    wanted : str
        ``auto``: every real input, and a virtual port `VIRTUAL_NAME` on each system that works;
        ``none``: nothing; else a part of a port's name, or its number in `inputs`.

    Raises
    ------
    PortError
        A name or number that does not stand for exactly one port.
    """
    opened = MidiInputs(wanted)
    try:
        opened.rescan()
    except PortError:
        opened.close()
        raise
    return opened


class MidiInputs:
    """The open MIDI inputs; `rescan` every 2 s or so keeps them in step with what is plugged in.

    A port that goes and comes back under the same name between two looks is not noticed, as RtMidi reports
    no such thing; `reopen` helps.
    """

    def __init__(self, wanted: str) -> None:
        self.wanted = wanted
        self._chosen: MidiPort | None = None
        self._open: dict[tuple[str, str], _Input] = {}
        if rtmidi is None and wanted not in ("auto", "none"):
            raise PortError(f"MIDI input '{wanted}' cannot be opened: {_NO_LIBRARY}")
        apis = [] if wanted == "none" else _apis()
        self._systems = [_System(api, virtual=wanted == "auto") for api in apis]

    @property
    def names(self) -> list[str]:
        """Names of what is listened to, our virtual ports last."""
        virtual = [VIRTUAL_NAME for system in self._systems if system.virtual_input]
        return [name for _, name in self._open] + virtual

    def poll(self) -> list[tuple[bytes, float]]:
        """Fetch what has arrived since the last call: (one message, `time.monotonic` of arrival) each.

        The messages of one port keep their order; those of several are merged by time.
        """
        now_s = time.monotonic()
        listening = [*self._open.values(), *(s.virtual_input for s in self._systems if s.virtual_input)]
        arrived = [item for midi_input in listening for item in midi_input.read(now_s)]
        return sorted(arrived, key=lambda item: item[1]) if len(listening) > 1 else arrived

    def rescan(self) -> list[PortChange]:
        """Open what has appeared, close what has gone, and report both; a JACK server may start later."""
        with _quiet():
            for system in self._systems:
                system.open_if_due()
            present = self._selected(_listed(self._systems))
            gone = [self._drop(key) for key in set(self._open) - {(port.api, port.name) for port in present}]
            come = [self._listen(port) for port in present if (port.api, port.name) not in self._open]
        return gone + [change for change in come if change]

    def reopen(self) -> list[PortChange]:
        """Close all and open anew; for after a restart of the JACK server, which RtMidi never notices.

        A client of a dead JACK server goes on listing the ports it last saw, out of shared memory, so
        `rescan` sees no difference. Whoever keeps the engine alive knows of the restart and calls this.
        """
        with _quiet():
            gone = [self._drop(key) for key in list(self._open)]
            for system in self._systems:
                system.close()
        come = self.rescan()
        back, before = ({(change.api, change.name) for change in changes} for changes in (come, gone))
        lost = [change for change in gone if (change.api, change.name) not in back]
        return lost + [change for change in come if (change.api, change.name) not in before]

    def close(self) -> None:
        """Close and delete every port; may be called twice."""
        with _quiet():
            for midi_input in self._open.values():
                midi_input.close()
            self._open.clear()
            for system in self._systems:
                system.close()
            self._systems = []

    def _selected(self, ports: list[MidiPort]) -> list[MidiPort]:
        if self.wanted == "auto":
            return [port for port in ports if port.is_real]
        if self.wanted == "none":
            return []
        if self._chosen is None:
            self._chosen = choose(self.wanted, ports)
        chosen = self._chosen
        same = [port for port in ports if (port.api, port.label) == (chosen.api, chosen.label)]
        same.sort(key=lambda port: port.name != chosen.name)
        if same:
            self._chosen = same[0]
        return same[:1]

    def _listen(self, port: MidiPort) -> PortChange | None:
        system = next(system for system in self._systems if system.name == port.api)
        midi_input = system.listen(port.name)
        if midi_input is None:
            return None
        self._open[port.api, port.name] = midi_input
        return PortChange(port.api, port.name, present=True)

    def _drop(self, key: tuple[str, str]) -> PortChange:
        self._open.pop(key).close()
        return PortChange(*key, present=False)


class _Input:
    """One open RtMidi input and the clock of its messages."""

    def __init__(self, midi: Any) -> None:
        self._midi = midi
        self._clock_s: float | None = None

    def read(self, now_s: float) -> list[tuple[bytes, float]]:
        """Fetch the waiting messages, each with its time of arrival on the clock of ``now_s``.

        RtMidi gives the time since the message before. Their sum may run late by the wait before the first
        poll, never early; so whenever it would reach into the future it is moved back to ``now_s``.
        """
        clock_s = now_s if self._clock_s is None else self._clock_s
        batch: list[tuple[bytes, float]] = []
        for _ in range(QUEUE_LIMIT):
            item = self._midi.get_message()
            if item is None:
                break
            clock_s += item[1]
            batch.append((bytes(item[0]), clock_s))
        if not batch:
            return []
        ahead_s = max(0.0, clock_s - now_s)
        self._clock_s = clock_s - ahead_s
        return [(data, at_s - ahead_s) for data, at_s in batch]

    def close(self) -> None:
        """Close and delete the RtMidi object: a deleted one leaves no client behind."""
        self._midi.close_port()
        self._midi.delete()


class _System:
    """One MIDI system (API): a long-lived finder of its ports, which may carry our virtual port as well."""

    def __init__(self, api: int, *, virtual: bool) -> None:
        self._api = api
        self._virtual = virtual
        self._finder: Any = None
        self._tried = False
        self.name: str = rtmidi.get_api_name(api)
        self.virtual_input: _Input | None = None

    def open(self) -> bool:
        """Make the finder, and the virtual port if asked for; False where the system does not work."""
        self._tried = True
        try:
            self._finder = rtmidi.MidiIn(self._api, name=CLIENT, queue_size_limit=QUEUE_LIMIT)
        except rtmidi.RtMidiError:
            return False
        if self._virtual:
            self._open_virtual()
        return True

    def close(self) -> None:
        """Delete what `open` made; our virtual port goes with it."""
        if self._finder is not None:
            self._finder.close_port()
            self._finder.delete()
        self._finder = self.virtual_input = None
        self._tried = False

    def open_if_due(self) -> None:
        """Open it if that was not tried yet; try JACK again each time, as its server may come later."""
        if self._finder is None and (not self._tried or self.name == "jack"):
            self.open()

    def names(self) -> list[str]:
        """Full names of the inputs there are now, in the system's own order."""
        try:
            return list(self._finder.get_ports()) if self._finder else []
        except rtmidi.RtMidiError:
            return []

    def listen(self, name: str) -> _Input | None:
        """Open the input of that name; None if it has gone meanwhile. Numbers are looked up just before."""
        try:
            midi = rtmidi.MidiIn(self._api, name=f"{CLIENT}-in", queue_size_limit=QUEUE_LIMIT)
        except rtmidi.RtMidiError:
            return None
        try:
            midi.ignore_types(sysex=False, timing=False, active_sense=False)
            midi.open_port(midi.get_ports().index(name), name="in")
        except (ValueError, rtmidi.RtMidiError):
            midi.delete()
            return None
        return _Input(midi)

    def _open_virtual(self) -> None:
        self._finder.ignore_types(sysex=False, timing=False, active_sense=False)
        try:
            self._finder.open_virtual_port(VIRTUAL_PORT)
        except (NotImplementedError, rtmidi.RtMidiError):
            return
        self.virtual_input = _Input(self._finder)


def _apis() -> list[int]:
    return list(rtmidi.get_compiled_api()) if rtmidi else []


def _listed(systems: list[_System]) -> list[MidiPort]:
    named = [(system.name, name) for system in systems for name in system.names()]
    return [MidiPort(api, number, name) for number, (api, name) in enumerate(named)]


def _enumerated(ports: list[MidiPort]) -> str:
    return ", ".join(f"[{port.number}] {port.name}" for port in ports)


def _systems_that_fail() -> list[str]:
    systems = [_System(api, virtual=False) for api in _apis()]
    with _quiet():
        failing = [system.name for system in systems if not system.open()]
        for system in systems:
            system.close()
    return failing


def _advice(system: str) -> str:
    if system == "jack":
        server = os.environ.get("JACK_DEFAULT_SERVER", "default")
        return f"no JACK server '{server}' is running; start one to use MIDI through JACK"
    if system == "alsa":
        return "no ALSA sequencer is here; load the kernel module snd-seq to use MIDI through ALSA"
    return f"the MIDI system '{system}' does not answer; check that it is set up"


@contextmanager
def _quiet() -> Iterator[None]:
    """Send what the C and C++ libraries print on descriptor 2 to nowhere; the whole process is affected."""
    try:
        kept = os.dup(2)
    except OSError:
        yield
        return
    try:
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, 2)
        os.close(nowhere)
        yield
    finally:
        os.dup2(kept, 2)
        os.close(kept)
