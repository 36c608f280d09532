"""The view as text: what it says, in any terminal."""

from __future__ import annotations

import io
import time
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from rich.console import Console

import voicer
from voicer.engine.link import Report
from voicer.engine.stepped import SteppedEngine
from voicer.engine.units import DEFAULT_RACK
from voicer.play.big_letters import large_rows, small_rows
from voicer.play.knobs import list_knobs
from voicer.play.session import Said, Session
from voicer.play.snapshot import HOLD_S, STILL_S, Lookout, Shown, loop_gain
from voicer.play.view import View, draw, line

HOSTILE = "\x1b]0;x\x07[/red]\x9b31m\u202e\nend"


@pytest.fixture(scope="module")
def shown() -> Shown:
    """A snapshot of a session that plays through the stepped engine."""
    session = Session("harbour-dusk", voicer.load("harbour-dusk"))
    engine = SteppedEngine(DEFAULT_RACK)
    engine.start(lambda rate_hz: session.numbers_for(engine, rate_hz))
    found = Lookout(session, _Player(engine)).look(["Keys"], "cc 102 = 87", [Said("tapped 250 ms")], "delay.time_ms")  # type: ignore[arg-type]
    engine.stop()
    return found


class _Player:
    """What `Lookout` asks of a supervisor, answered by the stepped engine."""

    system = "jack"

    def __init__(self, engine: SteppedEngine) -> None:
        self.rack = engine.rack
        self.sample_rate_hz, self.frames = engine.sample_rate_hz, engine.frames
        self.report, self.block_times_us = engine.report, engine._link.recent_block_times_us


def text(shown: Shown, width: int = 80, height: int = 24, **how: Any) -> str:
    return "\n".join(row.plain for row in draw(shown, width, height, **how))


def with_report(shown: Shown, **values: Any) -> Shown:
    return replace(shown, report=replace(shown.report, **values))


SIZES = [(80, 24), (60, 20), (60, 24), (120, 40), (40, 12), (20, 5), (1, 1)]


@pytest.mark.parametrize(("width", "height"), SIZES)
@pytest.mark.parametrize("plain", [False, True])
@pytest.mark.parametrize("name", ["harbour-dusk", "long-breakwater", "storm-bell"])
def test_it_fits_every_terminal(shown: Shown, width: int, height: int, plain: bool, name: str) -> None:
    """No line is wider and no view higher than the terminal, in the worst state too."""
    worst = with_report(
        replace(
            shown, voicing=voicer.load(name), name="/a/long/path/" * 9 + "x.toml", changed=True, bypass="tail",
            ceiling_db=-12.4, parts="E24 parts, unit 31, low_cut.load_ohm swapped", failing=True,
            trouble="no block played for 3 s", inputs=("Keys " * 30,), remarks=("a remark " * 20,),
            said=(Said("a line " * 40, bad=True), Said("b"), Said("c")),
        ),
        late=3, errors=7,
    )  # fmt: skip
    rows = draw(worst, width, height, plain=plain)
    assert len(rows) <= height
    assert max(row.cell_len for row in rows) <= width


@pytest.mark.parametrize(("width", "height"), [(80, 24), (60, 20)])
def test_what_matters_is_large(shown: Shown, width: int, height: int) -> None:
    """Voicing, delay time, loop gain, blend, bypass and ceiling are drawn at least three rows high."""
    seen = text(replace(shown, bypass="tail", ceiling_db=-4.2), width, height).splitlines()
    digits = large_rows if height >= 24 else small_rows
    for drawn in (small_rows("Harbour Dusk"), digits("380"), digits("0.50"), digits("40"), small_rows("BYPASSED")):
        assert drawn
        first = next(at for at, row in enumerate(seen) if drawn[0].rstrip() in row)
        assert all(part.rstrip() in row for part, row in zip(drawn, seen[first:], strict=False))
    assert any((small_rows("CEILING -4") or [""])[0].rstrip() in row or "CEILING -4 dB" in row for row in seen)


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        ({"muted": True, "bypass": "cut"}, "MUTED"),
        ({"bypass": "cut"}, "BYPASSED"),
        ({"failing": True}, "NO SOUND"),
        ({"trouble": "no block played for 2 s"}, "NO SOUND"),
        ({}, "ECHO ON"),
    ],
)
def test_state(shown: Shown, change: dict[str, Any], expected: str) -> None:
    """One state in large letters, the gravest; without block characters in plain ones."""
    assert (small_rows(expected) or [""])[0].rstrip() in text(replace(shown, **change))
    assert f" {expected} " in text(replace(shown, **change), plain=True)


def test_failed_and_late_blocks_are_told(shown: Shown) -> None:
    """Failed blocks come first among the warnings, with how many of how many."""
    seen = text(with_report(shown, errors=1424, blocks=1424, late=3), 80, 40)
    assert "1424 of 1424 blocks FAILED and were silent" in seen
    assert seen.index("FAILED") < seen.index("late blocks so far: 3")
    assert "1424 of 1424 blocks FAILED" in text(with_report(shown, errors=1424, blocks=1424), 60, 20)


def test_a_bypassed_unit_is_named(shown: Shown) -> None:
    """With the key that puts it back."""
    assert "gate failed and is bypassed; u puts it back" in text(replace(shown, failed_units=("gate",)))


def test_the_peak_of_the_loop_gain_stands_beside_the_present_one(shown: Shown) -> None:
    """Storm Bell's feedback at 1.02: below 1 at its present time, above 1 at another; both are told."""
    circuit = voicer.design(voicer.load("storm-bell").changed({"repeats.feedback": 1.02}))
    loop = loop_gain(circuit)
    assert loop.peak == pytest.approx(1.02, abs=0.002)
    assert loop.now < loop.peak
    seen = text(replace(shown, loop=loop))
    assert f"peaks {loop.peak:.2f} at {loop.peak_ms:.0f} ms" in seen
    softly = text(replace(shown, loop=replace(loop, now=0.95, sings_softly=True)), 80, 40)
    assert "loop gain below 1, but it may still ring in silence" in softly


def test_strangers_text_is_shown_and_not_obeyed(shown: Shown) -> None:
    """Control characters and markup in names, ports and messages appear escaped or as they are, and style nothing."""
    hostile = replace(shown, name=HOSTILE, inputs=(HOSTILE,), last_move=HOSTILE, said=(Said(HOSTILE),))
    stream = io.StringIO()
    console = Console(file=stream, force_terminal=True, width=80, height=40, color_system=None)
    console.print(View(hostile))
    drawn = stream.getvalue()
    assert "[/red]" in drawn
    for char in "\x07\x9b\u202e":
        assert char not in drawn
    assert "\x1b]" not in drawn
    assert "\n" not in line(hostile)
    assert "\x1b" not in line(hostile)


def test_a_name_too_long_for_large_letters_is_shown_whole(shown: Shown) -> None:
    """60 letters, or letters that are not drawn: small, but none is missing."""
    for name in ("W" * 60, "Δ-ray harbour", "日本の港"):
        seen = text(replace(shown, voicing=shown.voicing.model_copy(update={"name": name})))
        assert name in seen or " ".join(name.upper()) in seen


def test_accents_are_left_out_of_large_letters() -> None:
    """É is drawn as E."""
    assert small_rows("Été") == small_rows("ETE")


def test_every_parameter_can_be_shown_as_the_knob_in_hand(shown: Shown) -> None:
    """Its key and value stand above the help line."""
    for key in list_knobs():
        assert key in text(replace(shown, knob=key))


def test_one_line_holds_the_same(shown: Shown) -> None:
    """For logs: name, time, clock, loop gain, levels and counters, and every state that matters."""
    told = line(with_report(replace(shown, muted=True, bypass="cut", ceiling_db=-4.0), errors=2, blocks=10))
    for part in ("harbour-dusk 380 ms", "clock", "loop 0.50", "MUTED", "bypassed", "ceiling -4 dB", "FAILED blocks 2"):
        assert part in told


def test_a_report_is_not_shared(shown: Shown) -> None:
    """The snapshot is frozen through and through: another thread may draw it at any time."""
    assert isinstance(shown.report, Report)
    hash(shown)


def test_silence_and_failed_blocks_are_noticed() -> None:
    """No block for half a second is shown as no sound with its length; a failed block is, for a second and a half."""
    session = Session("quay-slap", voicer.load("quay-slap"))
    engine = SteppedEngine(DEFAULT_RACK)
    engine.start(lambda rate_hz: session.numbers_for(engine, rate_hz))
    player = _Player(engine)
    lookout = Lookout(session, player)  # type: ignore[arg-type]

    def look() -> Shown:
        return lookout.look([], "", [], "")

    engine.play(np.zeros(640))
    assert not look().trouble
    time.sleep(STILL_S + 0.2)
    assert look().trouble.startswith("no block played for ")
    engine.play(np.zeros(640))
    assert not look().trouble
    report = player.report()
    player.report = lambda: replace(report, errors=1)
    assert look().failing
    player.report = lambda: replace(report, errors=1, blocks=report.blocks + 9)
    assert look().failing
    time.sleep(HOLD_S)
    assert not look().failing
    engine.stop()
