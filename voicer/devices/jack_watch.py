"""Watching a JACK server for what RtMidi does not tell: its start and end, ports taken away, who is connected to us."""

from __future__ import annotations

import threading
import time
from collections import deque
from contextlib import suppress
from typing import Any

from voicer.devices.midi_protocol import CLIENT, VIRTUAL_PORT

try:
    import jack
except (ImportError, OSError):  # no JACK library on this system
    jack = None

JACK_TRY_S = 0.5


class JackWatch:
    """Knows when a JACK server comes and goes, and which ports were taken away, however soon they came back.

    RtMidi knows none of that: the client of a dead server lists its last ports out of shared memory for ever.
    """

    def __init__(self) -> None:
        self.is_up = self.is_lost = False
        self.taken_away: deque[str] = deque()
        self._client: Any = None
        if jack is not None:
            jack.set_error_function(lambda _text: None)
            jack.set_info_function(lambda _text: None)
            self._connect()
            if not self.is_up:
                threading.Thread(target=self._wait_for_server, daemon=True).start()

    def _wait_for_server(self) -> None:
        """Knock until a server answers; on a thread of its own, since a failing attempt takes some 25 ms."""
        while not self.is_up:
            time.sleep(JACK_TRY_S)
            self._connect()

    def _connect(self) -> None:
        try:
            client = jack.Client(f"{CLIENT}-watch", no_start_server=True)
        except jack.JackOpenError:
            return
        client.set_shutdown_callback(self._lose)
        client.set_port_registration_callback(self._note, only_available=False)
        with suppress(jack.JackError):
            client.activate()
            self._client = client
            self.is_up = True

    def virtual_ports(self) -> set[str]:
        """Names of the virtual ports of every voicer on the server."""
        try:
            found = self._client.get_ports(rf"^{CLIENT}(-\d+)?:{VIRTUAL_PORT}$", is_input=True) if self._client else []
            return {port.name for port in found}
        except Exception:  # a port that goes while it is looked up raises errors of several kinds
            return set()

    def sources(self, port: str) -> list[str] | None:
        """Names of what is connected to an input port; None when that cannot be told at the moment."""
        try:
            return sorted(source.name for source in self._client.get_all_connections(port))
        except Exception:  # as above
            return None

    def connect(self, source: str, port: str) -> None:
        """Connect a source to a port, if both are there."""
        with suppress(jack.JackError):
            self._client.connect(source, port)

    def _lose(self, _status: object, _reason: str) -> None:
        self.is_lost = True

    def _note(self, port: Any, registered: bool) -> None:
        if not registered:
            self.taken_away.append(port.name)
