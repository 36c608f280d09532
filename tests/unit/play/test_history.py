"""Undo and redo, working copies, the saved one: whatever is done can be undone, and nothing is lost on the way."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import voicer
from voicer.circuit.level import level_db
from voicer.compare.pair import load_programme
from voicer.control.events import Beat, Event, Move, Press, Recall
from voicer.dsp.rendering import render
from voicer.measure.meters import loudness_lufs
from voicer.play.actions import ACTIONS
from voicer.play.history import STEPS
from voicer.play.session import Session
from voicer.voicing import parameters


class Clock:
    """Time that passes when told."""

    def __init__(self) -> None:
        self.at_s = 100.0

    def __call__(self) -> float:
        return self.at_s


@pytest.fixture
def session() -> Session:
    made = Session("harbour-dusk", voicer.load("harbour-dusk"))
    made.now_s = Clock()
    return made


def later(session: Session, seconds: float) -> None:
    session.now_s.at_s += seconds  # type: ignore[attr-defined]


def test_moves_of_one_control_within_a_second_are_one_step(session: Session) -> None:
    """A sweep of fifty moves is undone at once; a move two seconds later is another step."""
    for step in range(50):
        session.handle([Move("output.blend", step / 100)])
        later(session, 0.05)
    later(session, 2.0)
    session.handle([Move("output.blend", 0.9)])
    assert session.history.depth == 2
    assert session.undo() == "undone: output.blend"
    assert session.voicing.output.blend == 0.49
    session.undo()
    assert session.voicing == voicer.load("harbour-dusk")
    assert session.undo() == "nothing to undo"
    session.redo()
    session.redo()
    assert session.voicing.output.blend == 0.9
    assert session.redo() == "nothing to do again"


def test_two_hands_make_one_step(session: Session) -> None:
    """Two knobs turned at once come back together."""
    for step in range(20):
        session.handle([Move("output.blend" if step % 2 else "repeats.feedback", step / 100)])
        later(session, 0.05)
    assert session.history.depth == 1


def test_a_new_move_drops_what_was_undone(session: Session) -> None:
    """Redo goes only where undo came from."""
    session.handle([Move("output.blend", 0.9)])
    session.undo()
    session.handle([Move("output.blend", 0.1)])
    assert session.redo() == "nothing to do again"


def test_the_history_is_bounded(session: Session) -> None:
    """Two hundred steps and more; the oldest go."""
    for step in range(STEPS + 50):
        session.handle([Move("output.blend", (step % 90) / 100)])
        later(session, 5.0)
    assert session.history.depth == STEPS >= 200


def test_undo_of_a_recall_brings_back_the_unsaved(session: Session) -> None:
    """A recall over unsaved moves is no loss."""
    session.handle([Move("output.blend", 0.9), Recall(1)])
    assert session.name == "quay-slap"
    assert session.undo() == "undone: voicing 'quay-slap'"
    assert (session.name, session.voicing.output.blend, session.changed) == ("harbour-dusk", 0.9, True)


def test_a_knob_lets_go_after_undo(session: Session) -> None:
    """What undo moved belongs to no control."""
    session.handle([Move("output.blend", 0.9, "controller 104")])
    assert session.mover_of("output.blend") == "controller 104"
    session.undo()
    assert session.mover_of("output.blend") == "undo"


def test_two_working_copies(session: Session) -> None:
    """B begins as A; each keeps its own changes; undo goes through the swaps."""
    assert session.copies.switch(session).startswith("copy B, the same")
    session.handle([Move("output.blend", 0.9)])
    assert session.copies.switch(session) == "copy A"
    assert session.voicing.output.blend == 0.4
    session.handle([Press("other-copy")])
    assert session.voicing.output.blend == 0.9
    for _ in range(4):
        session.undo()
    assert (session.copies.label, session.copies.other, session.voicing) == ("A", None, voicer.load("harbour-dusk"))


def test_the_saved_one_and_yours_again(session: Session) -> None:
    """Hearing the saved voicing loses nothing, refuses a save, and a move returns to the player's own first."""
    session.handle([Move("output.blend", 0.9)])
    assert session.copies.hear_saved(session) == "the saved 'harbour-dusk'"
    assert session.voicing.output.blend == 0.4
    (refused,) = session.handle([Press("save")])
    assert refused.bad
    assert session.changed
    session.handle([Move("repeats.feedback", 0.2)])
    assert (session.voicing.output.blend, session.voicing.repeats.feedback) == (0.9, 0.2)


def test_a_held_button_hears_the_saved_one_as_long_as_it_is_down(session: Session) -> None:
    """A lost message cannot turn it round."""
    session.handle([Move("output.blend", 0.9)])
    for held, blend in ((True, 0.4), (True, 0.4), (False, 0.9), (False, 0.9)):
        session.handle([Press("hear-saved", held=held)])
        assert session.voicing.output.blend == blend


def test_levels_are_matched_and_told(session: Session) -> None:
    """The louder copy is turned down by the difference, never up; the numbers sent say so."""
    session.handle([Press("other-copy"), Move("output.level_db", 5.0)])
    told = session.copies.switch_matching(session)
    assert told == (
        "comparing at equal loudness: this one is 5.0 dB louder than the other and is turned down by that"
    )
    assert session.sound.trim_db == pytest.approx(-5.0)
    assert session.copies.switch(session) == "copy A, matched"
    assert session.sound.trim_db == 0.0
    session.copies.switch_matching(session)
    session.copies.switch(session)
    assert session.sound.trim_db == 0.0


@pytest.mark.parametrize("name", ["quay-slap", "long-breakwater", "gull-vibrato"])
def test_the_level_from_the_circuit_against_loudness(name: str) -> None:
    """Reference: ITU-R BS.1770-4 loudness of the riff rendered through both; the estimate is within 1.6 dB of it."""
    programme = load_programme(None, tail_s=1.0)
    heard, computed = [], []
    for one in ("harbour-dusk", name):
        circuit = Session(one, voicer.load(one)).circuit
        heard.append(loudness_lufs(render(programme.samples, programme.sample_rate_hz, circuit, ceiling_db=0.0),
                                   programme.sample_rate_hz))  # fmt: skip
        computed.append(level_db(circuit))
    assert computed[1] - computed[0] == pytest.approx(heard[1] - heard[0], abs=1.6)


MOVABLE = [known for known in parameters().values() if known.kind != "text"]


@st.composite
def events(draw: st.DrawFn) -> Event:
    """Anything that hands and clocks do, within the parameters' ranges; saves and files are left out."""
    kind = draw(st.integers(0, 9))
    if kind < 6:
        known = draw(st.sampled_from(MOVABLE))
        value: Any
        if known.choices:
            value = draw(st.sampled_from(known.choices))
        elif known.kind == "whole":
            value = draw(st.integers(int(known.low), int(known.high)))
        else:
            value = draw(st.floats(known.low, known.high))
        return Move(known.key, value, draw(st.sampled_from(["", "knob", "keyboard"])))
    if kind == 6 and draw(st.booleans()):
        return Move("morph.position", draw(st.floats(0, 1)), "pedal")
    if kind == 6:
        return Recall(draw(st.integers(0, 12)))
    if kind == 7:
        return Beat(draw(st.floats(250, 1000)), "drums")
    action = draw(st.sampled_from(sorted(set(ACTIONS) - {"save", "save-new", "put-back", "record", "keep"})))
    return Press(action, draw(st.floats(0, 100)), held=draw(st.sampled_from([None, True, False])))


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(st.tuples(events(), st.sampled_from([0.0, 0.3, 5.0])), max_size=25))
def test_undo_to_the_start_gives_the_start(done: list[tuple[Event, float]]) -> None:
    """After any sequence: nothing raises, every parameter is in its range, undo gives the start and redo the end."""
    session = Session("harbour-dusk", voicer.load("harbour-dusk"))
    session.now_s = Clock()
    start = session.mark()
    for event, pause_s in done:
        session.handle([event])
        later(session, pause_s)
        for known in MOVABLE:
            value = session.voicing.get(known.key)
            assert value in known.choices if known.choices else known.low <= value <= known.high
    session.copies.end_hearing(session)
    end, depth = session.mark(), session.history.depth
    for _ in range(depth):
        session.undo()
    assert session.mark() == start
    for _ in range(depth):
        session.redo()
    assert session.mark() == end
