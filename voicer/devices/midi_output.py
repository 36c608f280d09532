"""A MIDI output into a port of somebody else's, for measurements and demonstrations. Thread: control, all of it."""

from __future__ import annotations

import time
from types import TracebackType

from voicer.errors import PortError


class MidiOutput:
    """An output connected to one JACK MIDI input; use it in a ``with`` statement.

    Parameters
    ----------
    client : str
        Name of the JACK client that sends.
    wanted : str
        Full name of the input to send to, such as ``voicer:controls``.
    within_s : float
        How long to wait for that input to appear.

    Raises
    ------
    PortError
        When RtMidi is not installed, no JACK server runs, or the input does not appear in time.
    """

    def __init__(self, client: str, wanted: str, within_s: float = 20.0) -> None:
        try:
            import rtmidi
        except ImportError as error:
            raise PortError("python-rtmidi is not installed", remedy="install it to send MIDI") from error
        until_s = time.monotonic() + within_s
        try:
            self._midi = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name=client)
        except rtmidi.RtMidiError as error:
            raise PortError("no JACK server takes a MIDI client", remedy="start JACK first") from error
        while wanted not in (names := self._midi.get_ports()):
            if time.monotonic() > until_s:
                self._midi.delete()
                raise PortError(f"no MIDI input '{wanted}' appeared within {within_s:g} s", remedy="start it first")
            time.sleep(0.1)
        self._midi.open_port(names.index(wanted))

    def __enter__(self) -> MidiOutput:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self._midi.close_port()
        self._midi.delete()

    def send(self, message: bytes) -> None:
        """Send one message at once."""
        self._midi.send_message(message)
