"""Soft take-over: a control that stands elsewhere waits, says how far, and lets go when something else moves."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

import voicer
from tests.hands import At
from voicer.control.map_files import load_map
from voicer.control.maps import ControllerMap, read_map
from voicer.control.messages import ControlChange
from voicer.control.takeover import TakeOver
from voicer.engine.units import ECHO
from voicer.play.session import Session
from voicer.voicing import Voicing

VOICING = Voicing(name="Quay").changed({"output.blend": 0.504})


def blend(lines: str = "") -> ControllerMap:
    return read_map(
        f'schema = 2\nname = "t"\n[[control]]\ncontroller = 20\nparameter = "output.blend"\n{lines}', where="t.toml"
    )


def swept(steer: ControllerMap, at: At, *values: int, source: int = 0) -> list[float]:
    found = []
    for value in values:
        at.take(steer.route(ControlChange(1, 20, value), at, plug=source))
        found.append(at.value_of("output.blend"))
    return found


def test_catch_waits_until_the_value_is_passed() -> None:
    """From below: nothing moves up to the value, and from there on the knob leads."""
    steer, at = blend(), At(VOICING)
    assert swept(steer, at, 10, 40, 62) == [0.504] * 3
    assert [one.way for one in steer.waiting(at)] == ["turn up 2"]
    assert swept(steer, at, 66, 70) == pytest.approx([66 / 127, 70 / 127], abs=1e-5)
    assert list(steer.waiting(at)) == []


def test_a_knob_never_moved_waits() -> None:
    """Its place is not known, so its first message moves nothing, wherever it is."""
    for value in (0, 30, 100, 127):
        assert swept(blend(), At(VOICING), value) == [0.504]


@pytest.mark.parametrize("mover", ["recall", "tap", "keyboard", "controller 21", "undo"])
def test_what_else_moves_it_lets_go(mover: str) -> None:
    """Caught, then moved by something else: the knob waits again and says which way."""
    steer, at = blend(), At(VOICING)
    swept(steer, at, 60, 70, 80)
    at.voicing, at.movers["output.blend"] = at.voicing.changed({"output.blend": 0.2}), mover
    assert swept(steer, at, 81, 79) == [0.2, 0.2]
    assert [one.way for one in steer.waiting(at)] == ["turn down 54"]
    assert swept(steer, at, 20)[0] == pytest.approx(20 / 127, abs=1e-5)


def test_jump_goes_at_once() -> None:
    """As a pedal does."""
    assert swept(blend('take_over = "jump"'), At(VOICING), 127) == [1.0]


@given(st.floats(0.02, 0.98), st.lists(st.integers(0, 127), min_size=2, max_size=60))
def test_scale_never_jumps_and_reaches_both_ends(value: float, way: list[int]) -> None:
    """Each step is in proportion to the way left; at the end of its travel the parameter is at its end."""
    steer, at = blend('take_over = "scale"'), At(VOICING.changed({"output.blend": round(value, 4)}))
    found = swept(steer, at, *way)
    assert abs(found[0] - value) <= 0.5 / 127 + 1e-4  # within half a step it has met the value
    for (before, now), (place, next_place) in zip(pairwise(found), pairwise(way), strict=True):
        left = (127 - place) if next_place > place else place
        share = abs(next_place - place) / left if left else 0.0
        room = (1 - before) if next_place > place else before
        assert abs(now - before) <= share * room + 1e-3
    if way[-1] != way[0]:
        assert swept(steer, at, 0, 127, 0)[1:] == pytest.approx([1.0, 0.0], abs=1e-4)


def test_plugged_in_again_it_waits() -> None:
    """An input that comes back has another number; where its knobs stand is not known any more."""
    steer, at = blend(), At(VOICING)
    swept(steer, at, 60, 70, source=1)
    assert swept(steer, at, 20, 10, source=2)[-1] == pytest.approx(70 / 127, abs=1e-5)


def test_dead_ends_reach_the_ends() -> None:
    """A worn pot that gives 4..120 still reaches both ends of the parameter."""
    steer, at = blend("dead_ends = [0.04, 0.06]"), At(VOICING)
    swept(steer, at, 0, 127)
    assert [swept(steer, at, 120)[0], swept(steer, at, 4)[0]] == [1.0, 0.0]


def test_a_switch_has_a_stretch_to_itself() -> None:
    """A choice is met anywhere in its share of the travel."""
    hand = TakeOver("catch")
    assert hand.move(0.9, (0.5, 1.0), mine=False) == 0.9


class Numbers:
    """An engine that keeps the numbers it is sent."""

    rack = (ECHO,)
    sample_rate_hz = 48_000.0

    def __init__(self) -> None:
        self.sent: list[Any] = []

    def send(self, numbers: dict[str, Any]) -> int:
        self.sent.append({unit: values.copy() for unit, values in numbers.items()})
        return len(self.sent)


def controls_of_default() -> list[str]:
    return [one.parameter for one in load_map("default").file.control if not one.parameter.startswith(("morph", "tempo"))]


@pytest.mark.parametrize("key", controls_of_default())
@pytest.mark.parametrize("stands", [0, 127])
def test_after_a_recall_nothing_jumps(key: str, stands: int) -> None:
    """For each absolute control of the shipped map, from either end: the numbers of the sound, and with them the loop
    gain, stay as they are until the knob passes the value; no later step is larger than the knob's own.
    """
    steer = load_map("default")
    session = Session("harbour-dusk", voicer.load("harbour-dusk").changed({"modulation.range": "slow"}))
    engine = Numbers()
    session.play_through(engine)  # type: ignore[arg-type]
    control = next(one for one in steer.file.control if one.parameter == key)
    way = range(128) if stands == 0 else range(127, -1, -1)
    assert control.controller is not None

    def turn(value: int) -> None:
        session.handle(steer.route(ControlChange(1, control.controller or 0, value), session))

    turn(127 - stands)
    turn(stands)
    session.recall(3)
    gain = session.circuit.loop_gain(session.circuit.clock_hz)
    before, recalled, sent = session.value_of(key), session.value_of(key), len(engine.sent)
    for value in way:
        turn(value)
        now = session.value_of(key)
        if now != before and before == recalled:
            curve_step = abs(now - recalled)
            assert curve_step <= 0.06 * (abs(recalled) + abs(now)) + 0.25
        if now == recalled:
            assert len(engine.sent) == sent or (engine.sent[-1][ECHO] == engine.sent[sent - 1][ECHO]).all()
            assert session.circuit.loop_gain(session.circuit.clock_hz) == gain
        before = now
    assert before != recalled
