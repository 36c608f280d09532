"""Values back to the controller: the truth after a recall, no answer to the hand that moved, and not too many."""

from __future__ import annotations

import pytest

from tests.hands import At
from voicer.control.feedback import MOST_PER_S, Feedback
from voicer.control.map_files import load_map, shipped
from voicer.control.maps import ControllerMap, read_map
from voicer.control.messages import ControlChange, decode
from voicer.voicing import Voicing

PORT = "Quay Desk"


def desk(lines: str, feedback: str = "true") -> ControllerMap:
    return read_map(f'schema = 2\nname = "t"\nfeedback = {feedback}\n{lines}', where="t.toml")


BLEND = '[[control]]\ncontroller = 20\nparameter = "output.blend"\n'


def sent(back: Feedback, one: ControllerMap, at: At, now_s: float, **on: bool) -> list[bytes]:
    is_on = {name.replace("_", "-"): value for name, value in on.items()}
    return [message for port, message in back.due({PORT: [one]}, at, is_on, now_s) if port == PORT]


def test_after_a_recall_the_truth_is_sent_once() -> None:
    """And not again while nothing changes."""
    back, one, at = Feedback(), desk(BLEND), At(Voicing(name="Quay").changed({"output.blend": 0.5}))
    assert sent(back, one, at, 0.0) == [bytes((0xB0, 20, 64))]
    assert sent(back, one, at, 1.0) == []
    at.voicing = at.voicing.changed({"output.blend": 1.0})
    assert sent(back, one, at, 2.0) == [bytes((0xB0, 20, 127))]


def test_no_answer_to_the_hand_that_moved() -> None:
    """A motor fader must not fight it."""
    back, one, at = Feedback(), desk(BLEND), At(Voicing(name="Quay").changed({"output.blend": 0.5}))
    sent(back, one, at, 0.0)
    for step, value in enumerate((60, 70, 90, 127)):
        at.take(one.route(ControlChange(1, 20, value), at, port=PORT))
        assert sent(back, one, at, 1.0 + step) == []
    at.voicing, at.movers = at.voicing.changed({"output.blend": 0.0}), {}
    assert sent(back, one, at, 9.0) == [bytes((0xB0, 20, 0))]


def test_at_most_fifty_a_second_and_the_newest_wins() -> None:
    """A sweep from elsewhere at 1,000 steps a second."""
    back, one, at = Feedback(), desk(BLEND), At(Voicing(name="Quay"))
    found = []
    for step in range(1001):
        at.voicing = at.voicing.changed({"output.blend": step / 1000})
        found += sent(back, one, at, step / 1000)
    found += sent(back, one, at, 2.0)
    assert len(found) <= MOST_PER_S + 2
    assert found[-1] == bytes((0xB0, 20, 127))


@pytest.mark.parametrize(
    ("control", "expected"),
    [
        ("controller = 7\nresolution = 14", [(0xB0, 7, 127), (0xB0, 39, 127)]),
        ("nrpn = 300", [(0xB0, 99, 2), (0xB0, 98, 44), (0xB0, 6, 127), (0xB0, 38, 127)]),
        ("pitch_bend = true", [(0xE0, 127, 127)]),
        ('controller = 20\nencoder = "binary-offset"', [(0xB0, 20, 127)]),
        ("controller = 20\nreversed = true", [(0xB0, 20, 0)]),
    ],
)
def test_every_kind_is_sent_its_own_way(control: str, expected: list[tuple[int, ...]]) -> None:
    """What is sent is what the control itself would send at that place; a ring of an encoder shows 0..127."""
    one = desk(f'[[control]]\n{control}\nparameter = "output.blend"\n')
    at = At(Voicing(name="Quay").changed({"output.blend": 1.0}))
    assert sent(Feedback(), one, at, 0.0) == [bytes(message) for message in expected]
    assert all(decode(bytes(message)) is not None for message in expected)


def test_off_unless_asked_for() -> None:
    """By default nothing is sent."""
    assert sent(Feedback(), desk(BLEND, "false"), At(Voicing(name="Quay")), 0.0) == []


def test_lamps() -> None:
    """A button's lamp says whether what it switches is on; plugged in again, everything is told anew."""
    back, at = Feedback(), At(Voicing(name="Quay"))
    one = desk('[[button]]\nnote = 5\naction = "bypass"\n[[button]]\ncontroller = 9\naction = "record"\n')
    assert sent(back, one, at, 0.0, bypass=True, record=False) == [bytes((0x90, 5, 127)), bytes((0xB0, 9, 0))]
    assert sent(back, one, at, 1.0, bypass=False, record=False) == [bytes((0x90, 5, 0))]
    back.forget(PORT)
    assert len(sent(back, one, at, 2.0, bypass=False, record=False)) == 2


@pytest.mark.parametrize("name", sorted(shipped()))
def test_the_shipped_layouts_are_valid(name: str) -> None:
    """Each can be loaded by name; none is for one port, so that it works as it is."""
    one = load_map(name)
    assert one.serves_any
    assert one.file.schema_number == 2
