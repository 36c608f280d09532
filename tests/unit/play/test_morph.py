"""From one voicing to another: both ends exact, every position playable, never more loop gain than the ends have."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import voicer
from voicer.board import PartChoice
from voicer.control.events import Move, Press
from voicer.play.morph import Morph, _feedback
from voicer.play.session import Session
from voicer.voicing import Voicing, parameters

EXACT = PartChoice()
NAMES = ["harbour-dusk", "quay-slap", "lamp-lane", "long-breakwater", "slow-tide", "storm-bell", "old-dredger"]


def gain(voicing: Voicing) -> float:
    circuit = EXACT.circuit(voicing)
    return max(circuit.loop_gain(circuit.clock_hz), circuit.loop_gain_in_silence(circuit.clock_hz))


def sound(voicing: Voicing) -> dict[str, object]:
    return {key: voicing.get(key) for key in parameters() if key not in ("name", "notes")}


@settings(max_examples=60, deadline=None)
@given(st.sampled_from(NAMES), st.sampled_from(NAMES), st.lists(st.floats(0, 1), min_size=1, max_size=6))
def test_every_position_is_a_voicing_no_louder_than_its_ends(a: str, b: str, way: list[float]) -> None:
    """At any position, come from anywhere."""
    start, end = voicer.load(a), voicer.load(b)
    morph = Morph(start, end, b)
    most = max(gain(start), gain(end))
    for position in way:
        morph = morph.moved(position)
        assert gain(morph.voicing(EXACT)) <= most * (1 + 1e-9)
    assert sound(morph.moved(0.0).voicing(EXACT)) == sound(start)
    assert sound(morph.moved(1.0).voicing(EXACT)) == sound(end)


def test_curves() -> None:
    """Half way: times and frequencies at their geometric mean, levels and blends at the middle."""
    start = voicer.load("harbour-dusk")
    end = start.changed({"filters.anti_alias.cutoff_hz": 12_400.0, "output.blend": 0.8, "delay.time_ms": 95.0})
    half = Morph(start, end, "end").moved(0.5).voicing(EXACT)
    assert half.filters.anti_alias.cutoff_hz == pytest.approx((3100 * 12_400) ** 0.5, rel=1e-4)
    assert half.delay.time_ms == pytest.approx((380 * 95) ** 0.5, rel=1e-4)
    assert half.output.blend == pytest.approx(0.6)


@pytest.mark.parametrize(("a", "b", "half"), [(0.0, 0.99, 0.9), (0.5, 0.98, 0.9), (1.1, 1.4, 1.2), (0.5, 1.5, 1.0)])
def test_feedback_by_its_distance_to_the_edge(a: float, b: float, half: float) -> None:
    """From a tenth to a hundredth of it by way of their geometric mean; evenly where the edge is crossed."""
    assert _feedback(a, b, 0.5) == pytest.approx(half)
    assert _feedback(b, a, 0.5) == pytest.approx(half)


def test_the_middle_does_not_chatter() -> None:
    """A hand held at the middle switches once; it has to go back beyond it to switch back."""
    morph = Morph(voicer.load("harbour-dusk"), voicer.load("quay-slap"), "quay-slap")
    switched = []
    for position in (0.49, 0.51, 0.53, 0.49, 0.51, 0.485, 0.47, 0.51):
        morph = morph.moved(position)
        switched.append(morph.is_beyond)
    assert switched == [False, False, True, True, True, True, False, False]


def test_a_pedal_moves_the_session() -> None:
    """From the actions to the sound, and back by undo; a knob moved on the way keeps its place at both ends."""
    session = Session("harbour-dusk", voicer.load("harbour-dusk"))
    session.now_s = iter(range(1000, 9000, 10)).__next__  # type: ignore[assignment]
    (refused,) = session.handle([Move("morph.position", 0.5, "pedal")])
    assert refused.bad
    session.handle([Press("morph-from-here"), Press("morph-to-next")])
    assert session.morph
    assert session.morph.end_name == "quay-slap"
    session.handle([Move("morph.position", 1.0, "pedal")])
    assert sound(session.voicing) == sound(voicer.load("quay-slap"))
    assert session.mover_of("delay.time_ms") == "pedal"
    assert session.value_of("morph.position") == 1.0
    session.handle([Move("output.blend", 0.77, "knob"), Move("morph.position", 0.0, "pedal")])
    assert session.voicing.output.blend == 0.77
    while "nothing" not in session.undo():
        pass
    assert session.voicing == voicer.load("harbour-dusk")
    assert session.morph is None
