"""Which MIDI port a text stands for, which ports are real, and the clock of polled messages."""

from __future__ import annotations

from typing import Any

import pytest

from voicer.devices.midi_ports import MidiPort, choose
from voicer.devices.midi_systems import Input
from voicer.errors import PortError

PORTS = [
    MidiPort("alsa", 0, "Keys A:Keys A MIDI 1 20:0"),
    MidiPort("alsa", 1, "Midi Through:Midi Through Port-0 14:0"),
    MidiPort("jack", 2, "pedals:out"),
    MidiPort("jack", 3, "Keys B:out"),
]


@pytest.mark.parametrize(
    ("wanted", "number"), [("pedal", 2), ("PEDALS", 2), ("3", 3), ("0", 0), ("Keys A", 0)]
)
def test_one_match(wanted: str, number: int) -> None:
    """A part of the name in any case, or the number, picks the port."""
    assert choose(wanted, PORTS).number == number


@pytest.mark.parametrize(
    ("wanted", "expected"),
    [
        (
            "Key",
            "MIDI input 'Key' matches 2 ports: [0] Keys A:Keys A MIDI 1 20:0, [3] Keys B:out; "
            "give more of the name or its number",
        ),
        (
            "drum",
            "MIDI input 'drum' matches no port; there are [0] Keys A:Keys A MIDI 1 20:0, "
            "[1] Midi Through:Midi Through Port-0 14:0, [2] pedals:out, [3] Keys B:out",
        ),
    ],
)
def test_no_single_match(wanted: str, expected: str) -> None:
    """None or several is one line that lists the ports with their numbers."""
    with pytest.raises(PortError) as caught:
        choose(wanted, PORTS)
    assert str(caught.value) == expected


def test_whole_name_wins() -> None:
    """A name that is also a part of another can still be chosen."""
    ports = [MidiPort("jack", 0, "keys:out"), MidiPort("jack", 1, "keys:out 2")]
    assert choose("keys:out", ports).number == 0


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("Keys A:out", True),
        ("Midi Through:Midi Through Port-0 14:0", False),
        ("a2j:Midi Through [14] (capture): Midi Through Port-0", False),
        ("voicer:controls", False),
        ("voicer-in-01:in", False),
        ("voicer_board:out", True),
    ],
)
def test_real_ports(name: str, expected: bool) -> None:
    """Neither voicer's own ports nor pure through ports count as controllers."""
    assert MidiPort("jack", 0, name).is_real is expected


def test_label_drops_only_the_changing_numbers() -> None:
    """ALSA's client and port number may change when plugged in again; a JACK name is taken whole."""
    assert MidiPort("alsa", 0, "Keys A:Keys A MIDI 1 20:0").label == "Keys A:Keys A MIDI 1"
    assert MidiPort("jack", 0, "rack:mix 20:0").label == "rack:mix 20:0"


class Queue:
    """Stands where RtMidi's queue stands: (bytes, seconds since the message before)."""

    def __init__(self) -> None:
        self.items: list[tuple[list[int], float]] = []

    def get_message(self) -> Any:
        return self.items.pop(0) if self.items else None


def test_times_come_from_the_intervals_not_from_the_poll() -> None:
    """Messages polled late keep their distances, and no time lies in the future."""
    queue = Queue()
    port = Input(1, queue)
    queue.items = [([0xF8], 0.0), ([0xF8], 0.25)]
    assert [at_s for _, at_s in port.read(100.0)] == [99.75, 100.0]
    queue.items = [([0xF8], 0.5), ([0xF8], 0.25)]
    assert [at_s for _, at_s in port.read(101.0)] == [100.5, 100.75]
    queue.items = [([0xF8], 0.1)]
    assert [at_s for _, at_s in port.read(100.8)] == [100.8]
    assert port.read(101.0) == []
