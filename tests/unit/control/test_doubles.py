"""The second arrival of one message by another input is recognised, and nothing else is taken for one."""

from __future__ import annotations

import pytest

from tests.hands import At, bare
from voicer.control.controller import Controller
from voicer.control.doubles import WINDOW_S, Doubles
from voicer.control.events import Move, Press
from voicer.control.map_files import Maps, load_map
from voicer.control.messages import ControlChange, Message, ProgramChange
from voicer.devices.midi_ports import Heard
from voicer.voicing import Voicing

A, B, C = 1, 2, 3


def cc(value: int, controller: int = 112) -> ControlChange:
    """A control change on channel 1."""
    return ControlChange(1, controller, value)


def told_apart(*arrivals: tuple[Message, float, int]) -> list[bool]:
    """Which of the arrivals, each (message, milliseconds, input), are new."""
    doubles = Doubles()
    return [doubles.is_new(message, 1e-3 * at_ms, source) for message, at_ms, source in arrivals]


def test_same_message_by_two_ways() -> None:
    """Press and release through two inputs are one press and one release, whichever input is first."""
    found = told_apart((cc(127), 0, A), (cc(127), 0.4, B), (cc(0), 80, B), (cc(0), 80.2, A))
    assert found == [True, False, True, False]


def test_three_ways() -> None:
    """A third input adds nothing either."""
    assert told_apart((cc(127), 0, A), (cc(127), 1, B), (cc(127), 2, C)) == [True, False, False]


def test_equal_messages_of_one_input_all_count() -> None:
    """Two equal messages of one input in one instant are two, and two again when heard by two ways."""
    found = told_apart((cc(127), 0, A), (cc(127), 0, A), (cc(127), 0, B), (cc(127), 0, B), (cc(127), 1, A))
    assert found == [True, True, False, False, True]


def test_a_whole_batch_that_comes_late() -> None:
    """A sweep of one input, then the same sweep by the other: the second changes nothing, in its order."""
    sweep = [(cc(value), value, A) for value in range(20)] + [(cc(value), value + 5, B) for value in range(20)]
    assert told_apart(*sweep) == [True] * 20 + [False] * 20


def test_two_controllers_on_one_control() -> None:
    """An input that has moved the control itself since is another hand: what it then sends is new."""
    assert told_apart((cc(10), 0, A), (cc(20), 2, B), (cc(10), 4, B)) == [True, True, True]


def test_window() -> None:
    """After the window the same bytes from another input are another message."""
    window_ms = 1e3 * WINDOW_S
    assert told_apart((cc(5), 0, A), (cc(5), window_ms + 1, B)) == [True, True]
    assert told_apart((cc(5), 0, A), (cc(5), window_ms - 1, B)) == [True, False]


@pytest.mark.parametrize("other", [cc(1, 113), ControlChange(2, 112, 1), ProgramChange(1, 1)])
def test_other_controllers_and_channels(other: Message) -> None:
    """Another controller, channel or kind of message is never a double."""
    assert told_apart((cc(1), 0, A), (other, 0, B)) == [True, True]


def test_program_change_by_two_ways() -> None:
    """A recall heard twice is one recall."""
    assert told_apart((ProgramChange(1, 3), 0, A), (ProgramChange(1, 3), 1, B)) == [True, False]


class Source:
    """Gives prepared messages at the first poll."""

    def __init__(self, heard: list[Heard]) -> None:
        self.heard, self.names, self.ports = heard, ["prepared"], list[str]()

    def poll(self, timeout_s: float = 0.0) -> list[Heard]:
        arrived, self.heard = self.heard, []
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
        self.heard = []


def events(*heard: tuple[tuple[int, int], float, int]) -> list[object]:
    """What a controller makes of (controller, value) pairs with the shipped map, moves not merged."""
    voicing, found = Voicing(name="Quay"), []
    played = Controller(Maps([load_map("default")]), Source([]))
    for (controller, value), at_s, source in heard:
        played._inputs = Source([Heard(bytes([0xB0, controller, value]), at_s, source)])
        found += played.drain(At(voicing))
    return bare(found)


def test_quick_taps_through_two_inputs_are_not_doubled() -> None:
    """A button that is down and up within the skew of the two inputs fires once a tap."""
    taps = [((114, value), 0.001 * at_ms, source)
            for at_ms, value, source in [(0, 127, A), (4, 0, A), (5, 127, B), (9, 0, B), (100, 127, A), (101, 127, B)]]
    assert events(*taps) == [Press("tap-tempo", 0.0), Press("tap-tempo", pytest.approx(0.1))]


def test_a_knob_that_comes_by_two_ways_is_one_knob() -> None:
    """Whichever way is quicker, it keeps hold of its value; the two inputs have names of their own."""

    class Named(Source):
        def name_of(self, source: int) -> str:
            return f"way {source}"

    at, played = At(Voicing(name="Quay")), Controller(Maps([load_map("default")]))
    for step, value in enumerate([127, 64, 0, 100, 10, 120, 30, 90]):
        ways = (A, B) if step % 2 else (B, A)
        played._inputs = Named([Heard(bytes([0xB0, 104, value]), step + 0.001 * k, way) for k, way in enumerate(ways)])
        at.take(played.drain(at))
    assert at.value_of("output.blend") == pytest.approx(90 / 127, abs=1e-4)


def test_button_down_when_its_input_went() -> None:
    """An input that comes back has another number, and its buttons count as up: the next press is not lost."""
    assert events(((112, 127), 0.0, A), ((112, 127), 5.0, B)) == [Press("bypass", 0.0), Press("bypass", 5.0)]


def test_release_lost_on_one_of_two_ways() -> None:
    """A release that only one of two inputs heard is a release: the next press is not lost."""
    found = events(((112, 127), 0.0, A), ((112, 127), 0.001, B), ((112, 0), 0.1, B), ((112, 127), 0.2, A))
    assert found == [Press("bypass", 0.0), Press("bypass", 0.2)]


def test_last_value_is_right_whoever_sent_it() -> None:
    """Of two inputs that move one control the last message decides."""
    found = events(((104, 127), 0.0, A), ((104, 0), 0.01, B), ((104, 127), 0.02, B))
    assert found[-1] == Move("output.blend", 1.0)
