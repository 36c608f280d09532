"""Draining: order, merging, and where a drain ends."""

from __future__ import annotations

import time

from tests.hands import At, bare
from voicer.control.controller import Controller
from voicer.control.events import Move, Press, Recall
from voicer.control.map_files import Maps, load_map
from voicer.devices.midi_ports import Heard
from voicer.voicing import Voicing

VOICING = Voicing(name="Quay")


class Source:
    """Gives prepared messages at the first poll."""

    def __init__(self, *messages: bytes) -> None:
        self.waiting = [Heard(message, float(index)) for index, message in enumerate(messages)]
        self.names = self.ports = ["prepared"]

    def poll(self, timeout_s: float = 0.0) -> list[Heard]:
        arrived, self.waiting = self.waiting, []
        if not arrived:
            time.sleep(timeout_s)
        return arrived

    def name_of(self, source: int) -> str:
        return "prepared"

    def plug_of(self, source: int) -> int:
        return source

    def send(self, messages: list[tuple[str, bytes]]) -> None:
        raise AssertionError("nothing is to be sent")

    def changes(self) -> list[str]:
        return []

    def close(self) -> None:
        self.waiting = []


def cc(controller: int, value: int) -> bytes:
    """A control change on channel 1."""
    return bytes([0xB0, controller, value])


def controller(*messages: bytes) -> Controller:
    """A controller with the shipped map and those messages waiting."""
    return Controller(Maps([load_map("default")]), Source(*messages))


def test_newest_move_of_a_key_wins() -> None:
    """Two sweeps of one knob, 256 messages, make one move, with the last value; other keys keep theirs."""
    played = controller(cc(104, 0), cc(104, 127), cc(104, 1), *[cc(103, value % 128) for value in range(256)], cc(104, 127))
    assert bare(played.drain(At(VOICING))) == [Move("output.blend", 1.0), Move("repeats.feedback", 1.5)]
    assert bare(played.drain(At(VOICING))) == []


def test_moves_are_not_merged_across_a_press() -> None:
    """What a press saves is what was set before it, so moves before and after it stay apart."""
    played = controller(cc(104, 127), cc(104, 0), cc(117, 127), cc(104, 127))
    expected = [Move("output.blend", 0.0), Press("save", 2.0), Move("output.blend", 1.0)]
    assert bare(played.drain(At(VOICING))) == expected


def test_moves_after_a_recall_mean_the_new_voicing() -> None:
    """A drain ends with a recall; the next one takes its spans from the voicing then given."""
    played = controller(b"\xc0\x03", cc(102, 0), cc(102, 127))
    assert bare(played.drain(At(VOICING))) == [Recall(3)]
    assert bare(played.drain(At(VOICING.changed({"delay.longest_ms": 350})))) == [Move("delay.time_ms", 350.0)]


def test_what_the_map_does_not_hold_is_passed_over() -> None:
    """Notes, clock, damaged bytes and unmapped controllers give nothing and leave no text."""
    played = controller(b"\x90\x40\x40", b"\xf8", b"\xb0", cc(1, 5), b"")
    assert bare(played.drain(At(VOICING))) == []
    assert played.last_move == ""


def test_last_move_text() -> None:
    """The display tells the message and what it did, with its unit."""
    texts = []
    for message in (cc(102, 87), cc(104, 64), cc(114, 127), b"\xc0\x05", cc(107, 127)):
        ends = [cc(message[1], 127), cc(message[1], 0)] if message[1] < 112 and len(message) == 3 else []
        played = controller(*ends, message)
        played.drain(At(VOICING))
        texts.append(played.last_move)
    assert texts == [
        "cc 102 = 87 -> delay.time_ms 177 ms",
        "cc 104 = 64 -> output.blend 0.504",
        "cc 114 = 127 -> tap-tempo",
        "program 5 -> voicing 5",
        "cc 107 = 127 -> filters.anti_alias.cutoff_hz 12000 Hz",
    ]


def test_pending_messages_are_bounded() -> None:
    """However much arrives at once, the newest state is reached and the memory is limited."""
    played = controller(*[cc(103, 5)] * 20_000, cc(103, 127))
    assert bare(played.drain(At(VOICING))) == [Move("repeats.feedback", 1.5)]


def test_drain_waits_no_longer_than_asked() -> None:
    """With nothing to give it returns after the time given; with something, at once."""
    start_s = time.monotonic()
    assert bare(controller().drain(At(VOICING), timeout_s=0.02)) == []
    assert 0.02 <= time.monotonic() - start_s < 1.0
    assert bare(controller(cc(104, 127), cc(104, 0)).drain(At(VOICING), timeout_s=60.0)) == [Move("output.blend", 0.0)]


def test_closed_controller_is_silent() -> None:
    """After close nothing pending is given any more, and closing twice is allowed."""
    played = controller(b"\xc0\x01", cc(104, 0))
    played.drain(At(VOICING))
    played.close()
    played.close()
    assert [played.drain(At(VOICING)), played.changes(), played.names] == [[], [], []]
