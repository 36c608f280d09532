"""The MIDI process: opens MIDI inputs, passes on what they hear, notices what comes and goes.

Started and kept alive by `midi_ports.MidiInputs`, with which it speaks as `midi_protocol` says. It loads little, so
that it is back soon after a crash.
"""

from __future__ import annotations

import json
import os
import signal
import sys
import threading
import time
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from functools import partial
from typing import Any

from voicer.devices.jack_watch import JackWatch
from voicer.devices.midi_protocol import JACK_LOST, QUEUE_LIMIT, VIRTUAL_NAME
from voicer.devices.midi_sending import Outputs
from voicer.devices.midi_systems import OFF, System, all_systems, end_if_hung, survey

POLL_S = 0.001
SCAN_S = 0.05
"""Pace of the look for new inputs, which takes some 20 µs. A USB device that is plugged in again is away for longer:
its connection must be stable for 100 ms first (USB 2.0 specification, section 7.1.7.3)."""

RETRY_S = 2.0
"""Pace of attempts at what would not open: another program may hold it."""

_SYSTEM_EXCLUSIVE = 0xF0
_TIMING = frozenset({0xF2, 0xF8, 0xFA, 0xFB, 0xFC})
"""Song position, clock, start, continue, stop (MIDI 1.0); of the system messages only these are passed on."""

Place = tuple[str, str]
"""System (``alsa``, ``jack`` …) and full name of an input."""


class Speaker:
    """Writes to the host from a thread of its own, so that a host that does not read holds nothing up.

    When the host reads too little, the oldest messages are dropped and the newest kept; reports always are.
    """

    def __init__(self) -> None:
        self._reports: deque[dict[str, Any]] = deque()
        self._heard: deque[tuple[int, str, float]] = deque(maxlen=QUEUE_LIMIT)
        self._waiting = threading.Event()
        threading.Thread(target=self._write, daemon=True).start()

    def report(self, what: dict[str, Any]) -> None:
        """Say something that must arrive."""
        self._reports.append(what)
        self._waiting.set()

    def pass_on(self, heard: list[tuple[int, str, float]]) -> None:
        """Hand on messages."""
        self._heard.extend(heard)
        self._waiting.set()

    def _write(self) -> None:
        with suppress(OSError):
            while True:
                self._waiting.wait()
                self._waiting.clear()
                lines = [json.dumps(self._reports.popleft()) for _ in range(len(self._reports))]
                if heard := [self._heard.popleft() for _ in range(len(self._heard))]:
                    lines.append(json.dumps({"heard": heard}))
                sys.stdout.write("".join(f"{line}\n" for line in lines))
                sys.stdout.flush()
        os._exit(0)  # nobody reads any more


class Inputs:
    """Every MIDI system, kept in step with what is there and with what the host wants to hear."""

    def __init__(self, first_number: int, speaker: Speaker) -> None:
        self._number = first_number
        self._speaker = speaker
        self._watch = JackWatch()
        self._systems = all_systems()
        for system in self._systems:
            system.open()
        self._wanted: list[Place] = []
        self._wants_virtual = self._obeys = False
        self._said: dict[str, Any] = {}
        self._failed_s: dict[Place, float] = {}
        self._virtual_port = ""
        self._patched: list[str] = []

    @property
    def is_lost(self) -> bool:
        """Whether the JACK server has ended."""
        return self._watch.is_lost

    def obey(self, command: dict[str, Any]) -> None:
        """Listen to these inputs from now on, whenever they are there."""
        self._wanted = [(system, name) for system, name in command["listen"]]
        self._wants_virtual, self._obeys = command["virtual"], True
        if not self._virtual_port:
            self._patched = command["patched"]
        self.scan()

    def scan(self) -> None:
        """Close what has gone, open what is wanted and there, and report when anything has changed."""
        inputs: list[Place] = []
        for system in self._systems:
            if system.name == "jack":
                self._keep_up_with_jack(system)
            there = system.names()
            self._follow(system, there)
            inputs += [(system.name, name) for name in there]
        opened = [(heard.number, system.name, name) for system in self._systems for heard, name in system.open_inputs]
        if self._virtual_port and (sources := self._watch.sources(self._virtual_port)) is not None:
            self._patched = sources
        report = {"inputs": inputs, "open": opened, "obeys": self._obeys, "patched": self._patched}
        if report != self._said:
            self._said = report
            self._speaker.report(report)

    def _keep_up_with_jack(self, system: System) -> None:
        """Join a server that has come, and drop ports that were taken away even if others now have their names."""
        while self._watch.taken_away:
            system.drop(self._watch.taken_away.popleft())
        if self._watch.is_up and not system.is_open:
            self._attempt(("jack", ""), system.open)

    def _follow(self, system: System, there: list[str]) -> None:
        is_open = {name for _, name in system.open_inputs}
        for name in is_open - {VIRTUAL_NAME}:
            if name not in there or (system.name, name) not in self._wanted:
                system.drop(name)
        for name in there:
            place = (system.name, name)
            if place in self._wanted and name not in is_open:
                self._number += self._attempt(place, partial(system.listen, name, self._number))
        if self._wants_virtual and self._open_virtual(system):
            self._number += 1

    def _open_virtual(self, system: System) -> bool:
        """Make the virtual port, and on JACK connect what was connected to it before a crash."""
        if any(name == VIRTUAL_NAME for _, name in system.open_inputs):
            return False
        before = self._watch.virtual_ports()
        if not system.open_virtual(self._number):
            return False
        if system.name == "jack":
            self._virtual_port = next(iter(self._watch.virtual_ports() - before), "")
            for source in self._patched:
                self._watch.connect(source, self._virtual_port)
        return True

    def _attempt(self, place: Place, action: Callable[[], bool]) -> bool:
        """Do it unless it has failed within the last `RETRY_S`; tell whether it was done."""
        now_s = time.monotonic()
        if now_s - self._failed_s.get(place, float("-inf")) < RETRY_S:
            return False
        is_done = action()
        if not is_done:
            self._failed_s[place] = now_s
        return is_done

    def poll(self) -> None:
        """Pass on what has arrived, in order of time."""
        now_s = time.monotonic()
        heard = [
            (source.number, data.hex(), at_s)
            for system in self._systems
            for source, _ in system.open_inputs
            for data, at_s in source.read(now_s)
            if data and (data[0] < _SYSTEM_EXCLUSIVE or data[0] in _TIMING)
        ]
        if heard:
            self._speaker.pass_on(sorted(heard, key=lambda item: item[2]))

    def close(self) -> None:
        """Delete every RtMidi object."""
        for system in self._systems:
            system.close()


def serve(first_number: int) -> int:
    """Listen and report until standard input ends; gives the exit code."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the host's to act on
    commands: deque[dict[str, Any]] = deque()
    has_ended = threading.Event()
    threading.Thread(target=_take_commands, args=(commands, has_ended), daemon=True).start()
    end_if_hung()
    inputs, outputs = Inputs(first_number, Speaker()), Outputs()
    scanned_s = hung_check_s = float("-inf")
    while not has_ended.is_set():
        if inputs.is_lost:
            os._exit(JACK_LOST)
        inputs.poll()
        now_s = time.monotonic()
        if now_s - hung_check_s >= 1.0:
            hung_check_s = now_s
            end_if_hung()
        if commands and "send" in commands[0]:
            for port, data in commands.popleft()["send"]:
                outputs.send(port, bytes.fromhex(data))
        elif commands:
            inputs.obey(commands.popleft())
        elif now_s - scanned_s >= SCAN_S:
            scanned_s = now_s
            inputs.scan()
        time.sleep(POLL_S)
    inputs.close()
    outputs.close()
    return 0


def _take_commands(commands: deque[dict[str, Any]], has_ended: threading.Event) -> None:
    with suppress(OSError, ValueError):  # the last line of a host that was killed may be cut off
        for line in sys.stdin:
            commands.append(json.loads(line))
    has_ended.set()


def main() -> int:
    """``survey`` prints what there is; ``serve NUMBER`` serves, giving the first input that number."""
    if OFF is not None:
        _print({"off": OFF})
        return 0
    if sys.argv[1] == "survey":
        _print(survey())
        return 0
    return serve(int(sys.argv[2]))


def _print(answer: dict[str, Any]) -> None:
    sys.stdout.write(json.dumps(answer) + "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    sys.exit(main())
