"""MIDI outputs back to controllers: only ever loaded in the MIDI process. Thread: that process's main one.

One finder a system, one output for each controller that is sent to, opened when first needed, by its name.
"""

from __future__ import annotations

import re
import time
from typing import Any

from voicer.devices.midi_protocol import CLIENT
from voicer.devices.midi_systems import OFF, end_if_hung

if OFF is None:
    import rtmidi

RETRY_S = 2.0
"""A controller without an output is looked for again after this time."""

_ALSA_NUMBERS = re.compile(r" \d+:\d+$")


class Outputs:
    """Sends to the outputs of controllers, named as their inputs are."""

    def __init__(self) -> None:
        self._finders: list[tuple[int, Any]] = []
        self._opened: dict[str, tuple[str, Any, Any]] = {}
        self._failed_s: dict[str, float] = {}
        self._is_ready = False

    def send(self, port: str, data: bytes) -> None:
        """Send a message to the controller whose input has that name; one that is gone is no error."""
        found = self._opened.get(port) or self._open(port)
        if found is None:
            return
        name, midi, finder = found
        try:
            if name not in finder.get_ports():
                raise LookupError
            midi.send_message(list(data))
        except (LookupError, rtmidi.RtMidiError):
            self._drop(port)

    def close(self) -> None:
        """Delete every output."""
        for port in list(self._opened):
            self._drop(port)
        for _, finder in self._finders:
            finder.delete()
        self._finders = []

    def _open(self, port: str) -> tuple[str, Any, Any] | None:
        now_s = time.monotonic()
        if now_s - self._failed_s.get(port, float("-inf")) < RETRY_S:
            return None
        end_if_hung()
        for api, finder in self._systems():
            try:
                name = matching(port, finder.get_ports())
                if name is None:
                    continue
                midi = rtmidi.MidiOut(api, name=f"{CLIENT}-out")
                midi.open_port(midi.get_ports().index(name), name="out")
            except (ValueError, rtmidi.RtMidiError):
                continue
            self._opened[port] = name, midi, finder
            return self._opened[port]
        self._failed_s[port] = now_s
        return None

    def _systems(self) -> list[tuple[int, Any]]:
        if not self._is_ready:
            self._is_ready = True
            for api in rtmidi.get_compiled_api():
                try:
                    self._finders.append((api, rtmidi.MidiOut(api, name=f"{CLIENT}-find")))
                except rtmidi.RtMidiError:
                    continue
        return self._finders

    def _drop(self, port: str) -> None:
        _, midi, _ = self._opened.pop(port)
        midi.close_port()
        midi.delete()


def matching(port: str, outputs: list[str]) -> str | None:
    """The output of the controller with that input: of the same name, or else the only one of the same client."""
    wanted = port.partition(" #")[0]
    for name in outputs:
        if wanted in (name, _ALSA_NUMBERS.sub("", name)):
            return name
    client = wanted.partition(":")[0]
    same = [name for name in outputs if name.partition(":")[0] == client and client]
    return same[0] if len(same) == 1 else None
