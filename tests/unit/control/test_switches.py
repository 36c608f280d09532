"""Foot switches: momentary, latching, edges, holds, double presses, bounces, notes."""

from __future__ import annotations

import pytest

from tests.hands import At, bare
from voicer.control.events import Event, Press
from voicer.control.maps import read_map
from voicer.control.messages import ControlChange, Note, ProgramChange
from voicer.voicing import Voicing

DOWN, UP = 127, 0


def pressed(lines: str, *sent: tuple[float, int], until_s: float = 10.0, place: str = "controller = 20") -> list[Event]:
    """What a button bound to ``bypass`` does: (time, value) pairs, with a look every 5 ms as the loop takes."""
    steer = read_map(f'schema = 2\nname = "t"\n[[button]]\n{place}\naction = "bypass"\n{lines}', where="t.toml")
    at, found, waiting = At(Voicing(name="Quay")), [], list(sent)
    for now_ms in range(0, int(1000 * until_s), 5):
        found += steer.due(0.001 * now_ms)
        while waiting and waiting[0][0] <= 0.001 * now_ms:
            at_s, value = waiting.pop(0)
            message = Note(1, 60, value) if "note" in place else ControlChange(1, 20, value)
            found += steer.route(message, at, at_s)
    return bare(found)


@pytest.mark.parametrize(
    ("lines", "sent", "expected"),
    [
        ("", [(1, DOWN), (2, UP), (3, DOWN)], [("bypass", 1), ("bypass", 3)]),
        ('on = "either edge"', [(1, DOWN), (2, UP)], [("bypass", 1), ("bypass", 2)]),
        ("latching = true", [(1, DOWN), (2, UP), (3, DOWN)], [("bypass", 1), ("bypass", 2), ("bypass", 3)]),
        ('hold = "panic"', [(1, DOWN), (1.2, UP)], [("bypass", 1)]),
        ('hold = "panic"', [(1, DOWN), (2, UP)], [("panic", 1)]),
        ('hold = "panic"\nhold_ms = 1500', [(1, DOWN), (2, UP)], [("bypass", 1)]),
        ('double = "save"', [(1, DOWN), (1.1, UP), (1.2, DOWN), (1.3, UP)], [("save", 1.2)]),
        ('double = "save"', [(1, DOWN), (1.1, UP), (1.6, DOWN), (1.7, UP)], [("bypass", 1), ("bypass", 1.6)]),
        ('double = "save"\ndouble_ms = 700', [(1, DOWN), (1.1, UP), (1.6, DOWN), (1.7, UP)], [("save", 1.6)]),
        ('double = "save"\nhold = "panic"', [(1, DOWN), (2, UP)], [("panic", 1)]),
        # a contact that bounces for 20 ms, down and up again, is one press
        ("", [(1, DOWN), (1.004, UP), (1.009, DOWN), (1.5, UP), (1.507, DOWN), (1.512, UP)], [("bypass", 1)]),
        ("latching = true", [(1, DOWN), (1.01, UP), (1.02, DOWN)], [("bypass", 1)]),
        # a press shorter than the bounce time is still a press, and so is the next
        ("", [(1, DOWN), (1.01, UP), (1.2, DOWN)], [("bypass", 1), ("bypass", 1.2)]),
    ],
)
def test_presses(lines: str, sent: list[tuple[float, int]], expected: list[tuple[str, float]]) -> None:
    """Times are those of the press that began it."""
    found = [(event.action, event.at_s) for event in pressed(lines, *sent) if isinstance(event, Press)]
    assert found == [(action, pytest.approx(at_s)) for action, at_s in expected]


def test_held_tells_down_and_up() -> None:
    """A button that acts as long as it is held says which of the two it was, so a lost message cannot invert it."""
    found = pressed('on = "held"', (1, DOWN), (2, UP))
    assert [event.held for event in found if isinstance(event, Press)] == [True, False]


def test_note_on_without_velocity_is_off() -> None:
    """MIDI 1.0: note on with velocity 0 is note off; the next one is a new press."""
    found = pressed("", (1, 100), (2, 0), (3, 1), place="note = 60")
    assert len(found) == 2


def test_program_as_a_button() -> None:
    """A bound program does its action and recalls nothing; programs count from 0 as sent, displays often from 1."""
    steer = read_map(
        'schema = 2\nname = "t"\n[[button]]\nprogram = 4\naction = "save"\n[recall]\nprogram_change = true',
        where="t.toml",
    )
    at = At(Voicing(name="Quay"))
    (event,) = steer.route(ProgramChange(1, 4), at, 1.0)
    assert isinstance(event, Press)
    (other,) = steer.route(ProgramChange(1, 5), at, 1.0)
    assert not isinstance(other, Press)
