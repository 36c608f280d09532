"""MIDI inputs of this machine: which there are, which to listen to, and what they hear.

RtMidi itself is in a process of its own (`midi_process`), started and kept alive here: a crash in it costs a fraction
of a second of MIDI and never the sound. Every callable runs on the *control* thread; a thread of this module's own
reads from the process and starts it again when it has died.
"""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import threading
import time
from collections import deque
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass
from typing import Any, NamedTuple

from voicer.devices.midi_protocol import CLIENT, JACK_LOST, QUEUE_LIMIT
from voicer.errors import PortError, one_line

START_LIMIT_S = 15.0
"""How long the MIDI process may take to start."""

_STEADY_S = 2.0
"""A MIDI process that died sooner than this after its start is started again with a growing pause."""
_PAUSES_S = (0.0, 0.2, 1.0, 5.0)
_END_LIMIT_S = 1.0
_CHANGES_LIMIT = 100

_OWN = re.compile(rf"{CLIENT}(-\w+)*:")
_THROUGH = re.compile(r"\b(midi )?through\b", re.IGNORECASE)
_ALSA_NUMBERS = re.compile(r" \d+:\d+$")
_NAMES_LIMIT = 256
"""Openings of inputs whose names are remembered."""


class Heard(NamedTuple):
    """One MIDI message as it came in."""

    data: bytes
    at_s: float
    """`time.monotonic` of its arrival."""
    source: int = 0
    """Which opening of which input heard it. An input that was unplugged and is back counts as another."""


def label_of(api: str, name: str) -> str:
    """A port's name without ALSA's client and port numbers, which change when it is plugged in again."""
    return _ALSA_NUMBERS.sub("", name) if api == "alsa" else name


@dataclass(frozen=True)
class MidiPort:
    """One MIDI input: its system (``alsa``, ``jack`` …), its number in the list of all, its full name."""

    api: str
    number: int
    name: str

    @property
    def label(self) -> str:
        """The name without ALSA's client and port numbers, which change when it is plugged in again."""
        return label_of(self.api, self.name)

    @property
    def is_real(self) -> bool:
        """Whether it may be a controller: neither voicer itself nor a pure through port."""
        return not (_OWN.match(self.name) or _THROUGH.search(self.name))


@dataclass(frozen=True)
class Survey:
    """The MIDI inputs of this machine, and one line for each MIDI system that does not work here."""

    inputs: list[MidiPort]
    trouble: list[str]


def survey() -> Survey:
    """Look once at every MIDI system; nothing is printed and nothing raises."""
    try:
        done = subprocess.run(
            _command("survey"), stdin=subprocess.DEVNULL, capture_output=True, timeout=START_LIMIT_S, check=False
        )
        found = json.loads(done.stdout)
    except (OSError, ValueError, subprocess.TimeoutExpired):
        return Survey([], ["the MIDI systems did not answer; unplug MIDI devices one by one to find the cause"])
    if "off" in found:
        return Survey([], [off_line(found["off"])])
    return Survey(_numbered(found["inputs"]), [_advice(system) for system in found["failing"]])


def off_line(reason: str) -> str:
    """The one line that says why there is no MIDI; an empty reason means that RtMidi is not installed."""
    if reason:
        return (
            f"MIDI is off: python-rtmidi cannot be loaded ({one_line(reason)}); "
            "install the library it lacks, on Debian libasound2"
        )
    version = f"{sys.version_info.major}.{sys.version_info.minor}"
    return (
        f"MIDI is off: python-rtmidi is not installed for this Python {version}; "
        "run 'pip install python-rtmidi', or use Python 3.11 or 3.12, for which it comes ready-made"
    )


def choose(wanted: str, ports: list[MidiPort]) -> MidiPort:
    """Pick the one port that a part of its name, or its number, stands for.

    Raises
    ------
    PortError
        No port or more than one matches; the line lists them.
    """
    shown = one_line(wanted)
    matches = _matching(wanted, ports)
    exact = [port for port in matches if wanted in (port.name, port.label)]
    matches = exact if len(exact) == 1 else matches
    if len(matches) == 1:
        return matches[0]
    if matches:
        raise PortError(
            f"MIDI input '{shown}' matches {len(matches)} ports: {_enumerated(matches)}",
            remedy="give more of the name or its number",
        )
    if ports:
        raise PortError(f"MIDI input '{shown}' matches no port", remedy=f"there are {_enumerated(ports)}")
    raise PortError(
        f"MIDI input '{shown}' matches no port", remedy="there are none; connect a controller, or use 'auto'"
    )


def _matching(wanted: str, ports: list[MidiPort]) -> list[MidiPort]:
    if wanted.isdecimal():
        return [port for port in ports if str(port.number) == wanted]
    return [port for port in ports if wanted.casefold() in port.name.casefold()]


class Selection:
    """Which of the inputs there are a player's wish stands for: ``auto``, ``none``, a part of a name, or a number.

    A name that stands for no input yet is waited for, and so is an input that goes. `missing` says so in one line.
    """

    def __init__(self, wanted: str) -> None:
        self.wanted = wanted
        self.missing = ""
        self._chosen: MidiPort | None = None

    def pick(self, ports: list[MidiPort]) -> list[MidiPort]:
        """Give the inputs to listen to; `PortError` when a name stands for several or a number for none."""
        if self.wanted == "auto":
            return [port for port in ports if port.is_real]
        if self.wanted == "none":
            return []
        if self._chosen is None:
            if not self.wanted.isdecimal() and not _matching(self.wanted, ports):
                there = f"there are {_enumerated(ports)}" if ports else "there are none"
                self.missing = f"MIDI input '{one_line(self.wanted)}' is not there yet, it is waited for; {there}"
                return []
            self._chosen = choose(self.wanted, ports)
            self.missing = ""
        chosen = self._chosen
        same = [port for port in ports if (port.api, port.label) == (chosen.api, chosen.label)]
        same.sort(key=lambda port: port.name != chosen.name)
        if same:
            self._chosen = same[0]
        return same[:1]


class Roster:
    """The inputs that are open, by name, and what a player is told when they change."""

    def __init__(self) -> None:
        self.highest = 0
        """The highest number that any input has had."""
        self._numbers: dict[tuple[str, str], int | None] = {}
        self._labels: dict[int, str] = {}
        self._plugs: dict[int, int] = {}
        self._plugged: dict[tuple[str, str], int] = {}

    def name_of(self, number: int) -> str:
        """Name of the input with that number, open or gone: its label, with ``#2`` for the second of that name."""
        return self._labels.get(number, "")

    def plug_of(self, number: int) -> int:
        """The number that the input had when it was plugged in: the same after a crash of MIDI, not after a plug."""
        return self._plugs.get(number, number)

    @property
    def names(self) -> list[str]:
        """Names of what is listened to, fit to print."""
        return [one_line(name) for _, name in self._numbers]

    @property
    def open_names(self) -> list[str]:
        """Names of what is listened to, as `name_of` gives them."""
        return [self._labels[number] for number in self._numbers.values() if number in self._labels]

    def forget_numbers(self) -> None:
        """Expect every input under another number next time: the MIDI process has been started anew."""
        self._numbers = dict.fromkeys(self._numbers)

    def update(self, opened: Iterable[tuple[int, str, str]]) -> list[str]:
        """Take over what is open now, as (number, system, name), and say in words what has changed."""
        now: dict[tuple[str, str], int | None] = {(api, name): number for number, api, name in opened}
        before, self._numbers = self._numbers, now
        self._name(now, before)
        self.highest = max(self.highest, *(number or 0 for number in now.values()), 0)
        lines = [f"MIDI input '{one_line(name)}' was disconnected" for api, name in before if (api, name) not in now]
        for place, number in now.items():
            name = one_line(place[1])
            if place not in before:
                lines.append(f"MIDI input '{name}' is connected")
            elif before[place] not in (None, number):
                lines.append(f"MIDI input '{name}' was reconnected")
        return lines

    def _name(
        self, opened: dict[tuple[str, str], int | None], before: dict[tuple[str, str], int | None]
    ) -> None:
        seen: dict[str, int] = {}
        for (api, name), number in sorted(opened.items()):
            label = one_line(label_of(api, name))
            seen[label] = seen.get(label, 0) + 1
            if number is not None:
                if (api, name) not in before or (before[api, name] is not None and before[api, name] != number):
                    self._plugged[api, name] = number
                self._plugs[number] = self._plugged.setdefault((api, name), number)
                self._labels[number] = label if seen[label] == 1 else f"{label} #{seen[label]}"
        for number in sorted(self._labels)[:-_NAMES_LIMIT]:
            del self._labels[number], self._plugs[number]
        self._plugged = {place: number for place, number in self._plugged.items() if place in opened}


def open_inputs(wanted: str) -> MidiInputs:
    """Open MIDI inputs.

    Parameters
    ----------
    wanted : str
        ``auto``: every real input, and a virtual port `VIRTUAL_NAME` on each system that has such;
        ``none``: nothing; else a part of a port's name, or its number in `survey`. A name that nothing matches yet is
        waited for.

    Raises
    ------
    PortError
        A name that several ports match, a number that is none's, or MIDI is off and a port was named.
    """
    opened = MidiInputs(wanted)
    opened.wait_until_open()
    return opened


class MidiInputs:
    """The open MIDI inputs, kept in step with what is plugged in, and the process that reads them.

    Made, it is starting; `wait_until_open` waits for it.
    """

    def __init__(self, wanted: str) -> None:
        self._selection = Selection(wanted)
        self._roster = Roster()
        self._heard: deque[Heard] = deque(maxlen=QUEUE_LIMIT)
        self._changes: deque[str] = deque(maxlen=_CHANGES_LIMIT)
        self._turn = threading.Condition()
        self._is_open = threading.Event()
        self._refusal: PortError | None = None
        self._closing = threading.Event()
        self._asked: dict[str, Any] | None = None
        self._patched: list[str] = []
        self._told_missing = False
        self._process: subprocess.Popen[bytes] | None = None
        self._minder: threading.Thread | None = None
        if wanted == "none":
            self._is_open.set()
        else:
            self._minder = threading.Thread(target=self._mind, name="midi", daemon=True)
            self._minder.start()

    @property
    def names(self) -> list[str]:
        """Names of what is listened to, fit to print; our virtual port last."""
        return self._roster.names

    def name_of(self, source: int) -> str:
        """Name of the input that gave `Heard.source`; empty for one that is long gone."""
        return self._roster.name_of(source)

    def plug_of(self, source: int) -> int:
        """Which plugging-in of its port an input belongs to; a crash of MIDI does not change it."""
        return self._roster.plug_of(source)

    def wait_until_open(self) -> None:
        """Wait until the inputs there are have been opened; `PortError` as in `open_inputs`, everything closed."""
        if not self._is_open.wait(START_LIMIT_S):
            self._give_up_waiting(f"MIDI did not start within {START_LIMIT_S:g} s")
        if self._refusal:
            self.close()
            raise self._refusal

    def poll(self, timeout_s: float = 0.0) -> list[Heard]:
        """Fetch what has been heard since the last call, in order of time; wait up to ``timeout_s`` for the first."""
        with self._turn:
            if not self._heard and timeout_s > 0:
                self._turn.wait(timeout_s)
            heard = list(self._heard)
            self._heard.clear()
        return heard

    @property
    def ports(self) -> list[str]:
        """Names of the open inputs, as `name_of` gives them."""
        return self._roster.open_names

    def send(self, messages: list[tuple[str, bytes]]) -> None:
        """Send messages to controllers, each with the name of its input; one that is gone is no error."""
        process = self._process
        if messages and process is not None and process.stdin is not None:
            line = json.dumps({"send": [(port, data.hex()) for port, data in messages]})
            with suppress(OSError, ValueError):
                process.stdin.write(line.encode() + b"\n")
                process.stdin.flush()

    def changes(self) -> list[str]:
        """One line for each input that has come or gone since the last call, and for each crash of MIDI."""
        return [self._changes.popleft() for _ in range(len(self._changes))]

    def close(self) -> None:
        """Close every port and end the process; may be called twice."""
        self._closing.set()
        process = self._process
        if process and process.stdin:
            with suppress(OSError):
                process.stdin.close()
        if self._minder:
            self._minder.join(_END_LIMIT_S)
            if self._minder.is_alive() and process:
                process.kill()
                self._minder.join(_END_LIMIT_S)
        self._roster.update([])

    def _mind(self) -> None:
        """Keep a MIDI process running until closed. Thread: ``midi``."""
        first_number, soon = 1, 0
        while not self._closing.is_set():
            started_s = time.monotonic()
            code = self._run_process(first_number)
            if self._closing.is_set() or code is None:
                return
            first_number = self._roster.highest + 1
            self._roster.forget_numbers()
            if code != JACK_LOST:
                self._changes.append(f"MIDI stopped ({_cause(code)}); restarting it")
            soon = soon + 1 if time.monotonic() - started_s < _STEADY_S else 0
            if soon > 1 and not self._is_open.is_set():
                self._give_up_waiting(f"MIDI keeps stopping ({_cause(code)}); trying again")
            self._closing.wait(_PAUSES_S[min(soon, len(_PAUSES_S) - 1)])

    def _run_process(self, first_number: int) -> int | None:
        """Start the process, read from it until it ends, and give its exit code; None when MIDI is to stay off."""
        try:
            process = self._process = subprocess.Popen(
                _command("serve", str(first_number)),
                stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
                start_new_session=True,  # Ctrl-C in the terminal is the host's to act on
            )  # fmt: skip
        except OSError as error:
            self._give_up_waiting(f"MIDI is off: its process cannot be started ({error.strerror})")
            return None
        self._asked, stays_off = None, False
        with process:
            if self._closing.is_set() and process.stdin:
                process.stdin.close()
            for line in process.stdout or ():
                try:
                    said = json.loads(line)
                except ValueError:  # cut off by a crash
                    continue
                stays_off = self._take(said, process) or stays_off
            with suppress(OSError):
                process.stdin.close() if process.stdin else None
        return None if stays_off else process.returncode

    def _take(self, said: dict[str, Any], process: subprocess.Popen[bytes]) -> bool:
        """Act on a line of the process; True when there will be no MIDI."""
        if "heard" in said:
            with self._turn:
                self._heard.extend(Heard(bytes.fromhex(data), at_s, number) for number, data, at_s in said["heard"])
                self._turn.notify()
            return False
        if "off" in said:
            self._give_up_waiting(off_line(said["off"]))
            return True
        if said["obeys"]:
            self._patched = said["patched"]
            lines = self._roster.update((number, api, name) for number, api, name in said["open"])
            if self._is_open.is_set():
                self._changes.extend(lines)
            self._is_open.set()
        try:
            wanted = self._selection.pick(_numbered(said["inputs"]))
        except PortError as error:
            self._refusal = error
            self._is_open.set()
            return True
        if self._selection.missing and not self._told_missing:
            self._told_missing = True
            self._changes.append(self._selection.missing)
        self._ask_for(wanted, process)
        return False

    def _ask_for(self, wanted: list[MidiPort], process: subprocess.Popen[bytes]) -> None:
        """Tell the process what to listen to, unless it knows; a process that has just died is not told."""
        asked = {"listen": [(port.api, port.name) for port in wanted], "virtual": self._selection.wanted == "auto"}
        if asked == self._asked or process.stdin is None:
            return
        self._asked = asked
        with suppress(OSError, ValueError):
            process.stdin.write(json.dumps({**asked, "patched": self._patched}).encode() + b"\n")
            process.stdin.flush()

    def _give_up_waiting(self, line: str) -> None:
        """Play on without MIDI for now, and say why; for a player who has named a port it is an error at the start."""
        if self._is_open.is_set() or self._selection.wanted == "auto":
            if line not in self._changes:
                self._changes.append(line)
        else:
            self._refusal = PortError(line)
        self._is_open.set()


def _command(*arguments: str) -> list[str]:
    """The command line of the MIDI process; ``-P`` keeps the modules of the working folder out of it."""
    return [sys.executable, "-P", "-m", "voicer.devices.midi_process", *arguments]


def _cause(code: int) -> str:
    """What an exit code says about the end of a process."""
    if code >= 0:
        return f"exit code {code}"
    return (signal.strsignal(-code) or f"signal {-code}").lower()


def _numbered(inputs: Iterable[tuple[str, str]]) -> list[MidiPort]:
    return [MidiPort(api, number, name) for number, (api, name) in enumerate(inputs)]


def _enumerated(ports: list[MidiPort]) -> str:
    return ", ".join(f"[{port.number}] {one_line(port.name)}" for port in ports)


def _advice(system: str) -> str:
    if system == "jack":
        server = one_line(os.environ.get("JACK_DEFAULT_SERVER", "default"))
        return f"no JACK server '{server}' is running; start one to use MIDI through JACK"
    if system == "alsa":
        return "there is no ALSA sequencer; load the kernel module snd-seq to use MIDI through ALSA"
    return f"the MIDI system '{system}' does not answer; check that it is set up"
