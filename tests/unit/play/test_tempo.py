"""The delay time and the tempo: note values, what does not fit, who leads, and the songs of a setlist."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

import voicer
from voicer.control.events import Beat, Move, Press, Transport
from voicer.errors import FileError
from voicer.library import read_slots
from voicer.library.setlists import faults, load_setlist
from voicer.play.session import Session
from voicer.play.tempo import fit, told_wholes
from voicer.voicing import DIVISIONS


@pytest.fixture
def session() -> Session:
    return Session("harbour-dusk", voicer.load("harbour-dusk"))


def slot_of(name: str) -> int:
    return next(slot for slot, held in read_slots().items() if held == name)


def lines(session: Session, *events: object) -> list[str]:
    return [said.line for said in session.handle(list(events))]  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("name", "at_120_ms"),
    [("1/1", 2000), ("1/2", 1000), ("1/4", 500), ("1/4 dotted", 750), ("1/4 triplet", 1000 / 3), ("1/8", 250),
     ("1/8 dotted", 375), ("1/8 triplet", 500 / 3), ("1/16", 125), ("1/32", 62.5), ("1/32 triplet", 125 / 3)],
)  # fmt: skip
def test_note_values(name: str, at_120_ms: float) -> None:
    """At 120 beats a minute a quarter lasts 500 ms; a dot adds half, three of a triplet fill the time of two."""
    assert fit(500.0, DIVISIONS[name], 1.0, 10_000.0).time_ms == pytest.approx(at_120_ms)


def test_too_long_is_halved_with_a_word() -> None:
    """Never in silence, and the note value that is played is named."""
    fitted = fit(600.0, Fraction(1, 2), 25.0, 480.0)
    assert (fitted.time_ms, fitted.wholes) == (300.0, Fraction(1, 8))
    assert fitted.line == "1200 ms is beyond this voicing's 480 ms: half notes become eighth notes at 300 ms"


@given(st.floats(150, 3000), st.sampled_from(sorted(DIVISIONS)), st.floats(1, 500), st.floats(1.01, 40))
def test_what_fits_is_an_octave_of_what_was_wanted(quarter_ms: float, name: str, low_ms: float, span: float) -> None:
    """The time lies within the span, is a power of two of the wanted one, and a change is always told."""
    fitted = fit(quarter_ms, DIVISIONS[name], low_ms, low_ms * span)
    wanted_ms = 4 * quarter_ms * float(DIVISIONS[name])
    if fitted.time_ms is None:
        assert span < 2
        assert "time unchanged" in fitted.line
        return
    assert low_ms <= fitted.time_ms <= low_ms * span
    assert fitted.time_ms == pytest.approx(wanted_ms * float(fitted.wholes / DIVISIONS[name]))
    assert bool(fitted.line) == (fitted.wholes != DIVISIONS[name])


def test_every_note_value_has_words() -> None:
    """None is told as a bare fraction."""
    assert told_wholes(Fraction(3, 16)) == "dotted eighth notes"
    assert told_wholes(Fraction(1, 12)) == "eighth notes in triplets"
    assert not any("notes of" in told_wholes(wholes) for wholes in DIVISIONS.values())


def test_a_fraction_in_a_file_is_that_note_value(session: Session) -> None:
    """3/16 is a dotted eighth."""
    assert session.voicing.changed({"delay.division": "3/16"}).delay.division == "1/8 dotted"


def test_the_voicing_has_the_note_value_the_session_the_tempo(session: Session) -> None:
    """Taps are quarter notes; the repeats come in the voicing's own value."""
    session.set({"delay.division": "1/8 dotted"})
    lines(session, Press("tap-tempo", 1.0), Press("tap-tempo", 1.5))
    assert session.voicing.delay.time_ms == 375.0
    assert lines(session, Press("next-division")) == ["note value 1/8"]
    assert session.voicing.delay.time_ms == 250.0


def test_a_clock_leads(session: Session) -> None:
    """Its tempo is followed; taps and knobs cannot set another; when it is lost the tempo stays."""
    assert lines(session, Beat(400.0, "drums")) == ["following the clock at 150.0 beats a minute"]
    assert session.voicing.delay.time_ms == 400.0
    assert lines(session, Beat(390.0, "drums")) == []
    assert session.voicing.delay.time_ms == 390.0
    (refused,) = session.handle([Move("tempo.bpm", 90.0)])
    assert refused.bad
    assert "clock leads" in lines(session, Press("tap-tempo", 1.0), Press("tap-tempo", 1.5))[-1]
    assert lines(session, Transport("lost", "drums")) == [
        "the clock of 'drums' is lost; the tempo stays at 153.8 beats a minute"
    ]
    assert session.voicing.delay.time_ms == 390.0
    assert lines(session, Move("tempo.bpm", 200.0)) == []
    assert session.voicing.delay.time_ms == 300.0


def test_a_recall_under_a_clock_keeps_to_it(session: Session) -> None:
    """The new voicing plays its note value at the clock's tempo; without a clock, the time it was saved with."""
    lines(session, Beat(400.0, "drums"))
    told = session.recall(slot_of("slow-tide"))  # dotted eighths, 45..290 ms
    assert session.voicing.delay.time_ms == pytest.approx(150.0)
    assert "300 ms is beyond this voicing's 290 ms" in told
    quiet = Session("harbour-dusk", voicer.load("harbour-dusk"))
    lines(quiet, Press("tap-tempo", 1.0), Press("tap-tempo", 1.4))
    quiet.recall(1)
    assert quiet.voicing.delay.time_ms == voicer.load("quay-slap").delay.time_ms


SETLIST = """\
schema = 1
name = "Harbour night"
[[song]]
title = "Low water"
voicing = "harbour-dusk"
tempo_bpm = 160
[[song]]
voicing = "sunk-without-trace"
[[song]]
voicing = "lamp-lane"
"""


def test_next_and_previous_walk_the_setlist(session: Session, tmp_path: Path) -> None:
    """Each song has its tempo; one whose voicing is gone leaves the old one playing and says why; ends are told."""
    (tmp_path / "night.toml").write_text(SETLIST)
    session.setlist = load_setlist(str(tmp_path / "night.toml"))
    assert lines(session, Press("next-voicing")) == [
        "song 1 of 3: Low water, 160 beats a minute; voicing 'harbour-dusk'"
    ]
    assert session.voicing.delay.time_ms == 375.0
    (gone,) = session.handle([Press("next-voicing")])
    assert gone.bad
    assert "sunk-without-trace" in gone.line
    assert session.name == "harbour-dusk"
    assert lines(session, Press("next-voicing")) == ["song 3 of 3: lamp-lane; voicing 'lamp-lane'"]
    assert lines(session, Press("next-voicing")) == ["end of the setlist 'Harbour night'"]
    assert lines(session, Press("previous-voicing"), Press("previous-voicing"))[-1].startswith("song 1 of 3")
    assert list(faults(session.setlist)) == [1]


@pytest.mark.parametrize(
    ("change", "line"),
    [
        (("tempo_bpm = 160", "tempo_bpm = 500"), "6: song[0].tempo_bpm must be less than or equal to 400 (got 500)"),
        (('voicing = "lamp-lane"', "voice = 1"), "10: unknown key 'song[2].voice'; did you mean 'voicing'?"),
        (('"Harbour night"', '"\\u001b[31m"'), "2: name must not contain control characters"),
    ],
)
def test_a_wrong_setlist(change: tuple[str, str], line: str, tmp_path: Path) -> None:
    """File, line, key, rule and value."""
    path = tmp_path / "night.toml"
    path.write_text(SETLIST.replace(*change))
    with pytest.raises(FileError) as caught:
        load_setlist(str(path))
    assert str(caught.value).startswith(f"{path}:{line}")
