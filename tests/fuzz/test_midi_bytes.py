"""Random MIDI bytes never raise, and whatever they move stays in range."""

from __future__ import annotations

import os
import random
import time

from tests.hands import At
from voicer.control.controller import Controller
from voicer.control.events import Move, Press, Recall
from voicer.control.map_files import Maps
from voicer.control.maps import read_map
from voicer.control.messages import decode
from voicer.devices.midi_ports import Heard
from voicer.voicing import Voicing, parameter, parameters

STRINGS = 20_000
RANDOM_START = 20_260_114
VOICING = Voicing(name="Quay")


class Source:
    """Gives the prepared messages in handfuls."""

    def __init__(self, messages: list[bytes]) -> None:
        self.messages = messages
        self.names = self.ports = ["random"]

    def poll(self, timeout_s: float = 0.0) -> list[Heard]:
        some, self.messages = self.messages[:50], self.messages[50:]
        return [Heard(message, 0.0, source=len(message) % 3) for message in some]

    def name_of(self, source: int) -> str:
        return "prepared"

    def plug_of(self, source: int) -> int:
        return source

    def send(self, messages: list[tuple[str, bytes]]) -> None:
        raise AssertionError("nothing is to be sent")

    def changes(self) -> list[str]:
        return []

    def close(self) -> None:
        self.messages = []


def map_of_everything() -> str:
    """A map that puts each movable parameter on a controller, the first 20 with 14 bits, and two buttons."""
    keys = [key for key, target in parameters().items() if target.kind != "text"]
    controls = [
        f'[[control]]\ncontroller = {number if number < 20 else number + 50}\nparameter = "{key}"\n'
        f"resolution = {14 if number < 20 else 7}"
        for number, key in enumerate(keys)
    ]
    actions = ((118, "save"), (119, "tap-tempo"))
    buttons = [f'[[button]]\ncontroller = {number}\naction = "{action}"' for number, action in actions]
    head, recall = 'schema = 1\nname = "all"', "[recall]\nprogram_change = true\noffset = -3"
    return "\n".join([head, *controls, *buttons, recall])


def random_bytes(source: random.Random) -> bytes:
    """Half plain noise of 0..8 bytes; half with a control or program change status, sometimes damaged."""
    if source.random() < 0.5:
        return source.randbytes(source.randrange(9))
    status = source.choice((0xB0, 0xC0)) + source.randrange(16)
    count = 2 if status < 0xC0 else 1
    data = [source.randrange(128 if source.random() < 0.95 else 256) for _ in range(count)]
    if source.random() < 0.1:
        data[0] = source.choice((118, 119))
    return bytes([status, *data])[: source.choice((3, 3, 3, 2))]


def check_in_range(event: Move | Press | Recall) -> None:
    """A move's value is one its parameter takes; a slot is not below 0."""
    if isinstance(event, Recall):
        assert 0 <= event.slot <= 124
    if isinstance(event, Move):
        target = parameter(event.key)
        if target.choices:
            assert event.value in target.choices
        else:
            assert target.low <= event.value <= target.high


def test_random_bytes() -> None:
    """20 000 strings: no exception, every value in range, and enough of each kind got through to mean it."""
    source = random.Random(RANDOM_START)
    messages = [random_bytes(source) for _ in range(STRINGS)]
    decoded = sum(decode(message) is not None for message in messages)
    played = Controller(Maps([read_map(map_of_everything(), where="all.toml")]), Source(messages))
    seen: dict[str, int] = {}
    for _ in range(STRINGS):
        for event in played.drain(At(VOICING)):
            check_in_range(event)
            seen[type(event).__name__] = seen.get(type(event).__name__, 0) + 1
    assert not played.drain(At(VOICING))
    assert decoded > 5_000
    assert min(seen.get(kind, 0) for kind in ("Move", "Press", "Recall")) > 20


class Timed(Source):
    """The same with the times at which they are asked for."""

    def poll(self, timeout_s: float = 0.0) -> list[Heard]:
        return [one._replace(at_s=time.monotonic()) for one in super().poll(timeout_s)]


MANY = 1_000_000 if os.environ.get("VOICER_CAMPAIGN") == "long" else 50_000


def test_a_flood_leaves_no_stuck_state() -> None:
    """50,000 messages of every kind (a million in the long campaign), SysEx of 1 MB and halves of messages among them.

    Nothing raises, memory stays bounded, and a fresh press and a fresh sweep work after it.
    """
    source, at = random.Random(RANDOM_START + 1), At(VOICING.changed({"modulation.rate_hz": 2.5}))
    large = b"\xf0" + bytes(1_000_000) + b"\xf7"
    played = Controller(Maps([read_map(map_of_everything(), where="all.toml")]), Source([]))
    for start in range(0, MANY, 500):
        messages = [random_bytes(source) for _ in range(490)] + [source.randbytes(3) for _ in range(9)] + [large]
        played._inputs = Timed(messages)
        while played._inputs.messages or played._pending:  # type: ignore[union-attr]
            for event in played.drain(at):
                if isinstance(event, Move | Press | Recall):
                    check_in_range(event)
                if isinstance(event, Move) and event.key in at.session:
                    at.take([event])
        assert len(played._pending) == 0, start
    sweep = [bytes((0xB0, 119, 0)), bytes((0xB0, 119, 127))]
    played._inputs = Timed(sweep)
    time.sleep(0.05)
    found: list[str] = []
    until_s = time.monotonic() + 2
    while not found and time.monotonic() < until_s:
        found += [event.action for event in played.drain(at) if isinstance(event, Press)]
        if not played._inputs.messages:  # type: ignore[union-attr]
            played._inputs = Timed(list(sweep))
            time.sleep(0.04)
    assert "tap-tempo" in found
