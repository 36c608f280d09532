"""What a knob, a button and a program change do."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import voicer
from voicer import library
from voicer.board import PartChoice, design_board
from voicer.control.maps import Move, Press, Recall
from voicer.dsp.coefficients import named
from voicer.engine.stepped import SteppedEngine
from voicer.engine.units import DEFAULT_RACK
from voicer.play.session import Session


class Ear:
    """Takes what a session sends, as an engine would."""

    rack = ("echo", "ceiling")
    sample_rate_hz = 48_000.0

    def __init__(self) -> None:
        self.heard: list[np.ndarray] = []

    def send(self, unit: str, numbers: np.ndarray) -> None:
        assert unit == "echo"
        self.heard.append(numbers)


@pytest.fixture
def ear() -> Ear:
    return Ear()


@pytest.fixture
def session(ear: Ear) -> Session:
    made = Session("harbour-dusk", voicer.load("harbour-dusk"))
    made.play_through(ear)
    return made


def lines(session: Session, *events: object) -> list[str]:
    return [said.line for said in session.handle(list(events))]


def test_moves_of_one_look_are_heard_together(session: Session, ear: Ear) -> None:
    """Two knobs turned between two looks make one set of numbers, and one changed voicing."""
    assert lines(session, Move("delay.time_ms", 200.0), Move("output.blend", 0.7)) == []
    assert len(ear.heard) == 1
    assert (session.voicing.delay.time_ms, session.voicing.output.blend) == (200.0, 0.7)
    assert named(ear.heard[0])["wet"] == pytest.approx(0.7)
    assert session.changed


def test_a_move_that_does_not_fit_changes_nothing(session: Session, ear: Ear) -> None:
    """The refusal is told in the voicing's own words; what plays goes on."""
    before = session.voicing
    told = session.handle([Move("delay.time_ms", 5.0)])
    assert told[0].bad
    assert told[0].line.startswith("delay.time_ms must be within shortest_ms..longest_ms = 25..550 ms (got 5)")
    assert (session.voicing, ear.heard) == (before, [])


def test_no_circuit_no_change(session: Session, ear: Ear) -> None:
    """A voicing that cannot be built is refused before anything is sent."""
    before = session.circuit
    told = session.handle([Move("filters.reconstruction.cutoff_hz", 200.0), Move("filters.anti_alias.order", 6),
                           Move("line.stages", 512), Move("line.devices", 1), Move("delay.shortest_ms", 2.0)])  # fmt: skip
    assert told[0].bad
    assert session.circuit is before
    assert ear.heard == []


def test_tap_tempo_keeps_to_the_span(session: Session) -> None:
    """Taps 250 ms apart set 250 ms; taps 2 s apart the longest the time control has."""
    assert lines(session, Press("tap-tempo", 10.0), Press("tap-tempo", 10.25)) == ["tap again", "tapped 250 ms"]
    assert lines(session, Press("tap-tempo", 20.0), Press("tap-tempo", 22.0)) == ["tap again", "tapped 550 ms"]
    assert session.voicing.delay.time_ms == 550


def test_modulation_goes_round_and_its_rate_fits(session: Session) -> None:
    """Slow, fast, off and round again; the rate is moved into each range's span."""
    seen = []
    for _ in range(3):
        told = lines(session, Press("modulation-range"))
        seen.append((told[0], session.voicing.modulation.rate_hz))
    assert seen == [("modulation fast", 2.0), ("modulation off", 2.0), ("modulation slow", 2.0)]


def test_a_rate_of_the_fast_range_slows_down_in_the_slow_one(session: Session) -> None:
    """8 Hz is of the fast range; going round to the slow one it becomes its fastest, 3 Hz, and stays it."""
    session.set({"modulation.range": "fast", "modulation.rate_hz": 8.0})
    assert lines(session, Press("modulation-range"), Press("modulation-range")) == ["modulation off", "modulation slow"]
    assert (session.voicing.modulation.range, session.voicing.modulation.rate_hz) == ("slow", 3.0)


def test_next_after_a_file_is_the_first_of_the_library(tmp_path: Path) -> None:
    """A voicing from a path has no place among the names; the next one is the first of them."""
    path = tmp_path / "x.toml"
    path.write_text('schema = 2\nname = "Pier Nine"\n')
    session = Session(str(path), voicer.load(path))
    assert lines(session, Press("next-voicing")) == [f"voicing '{library.names()[0]}'"]


def test_next_and_previous_skip_what_is_broken_and_go_round(session: Session, voicer_home: Path) -> None:
    """Through all that can be played, and back to the first."""
    (voicer_home / "voicings").mkdir(parents=True)
    (voicer_home / "voicings" / "broken.toml").write_text("schema = 2\nname = 3\n")
    names = [entry.name for entry in library.listing() if entry.error is None]
    assert "broken" not in names
    seen = [lines(session, Press("next-voicing"))[0] for _ in names]
    assert seen == [f"voicing '{name}'" for name in [*names[1:], names[0]]]
    assert lines(session, Press("previous-voicing")) == [f"voicing '{names[-1]}'"]


def test_a_recall_plays_the_voicing_of_the_slot(session: Session, ear: Ear) -> None:
    """Slot 2 is Lamp Lane; an empty slot is told and changes nothing."""
    assert lines(session, Recall(2)) == ["voicing 'lamp-lane'"]
    assert session.voicing == voicer.load("lamp-lane")
    assert lines(session, Recall(99))[0].startswith("slot 99 holds no voicing")
    assert session.name == "lamp-lane"


def test_save_tells_when_it_stands_before_a_shipped_one(session: Session) -> None:
    """The file is the voicing, under the name it was called up by; shadowing a shipped voicing is never silent."""
    session.set({"repeats.feedback": 0.8})
    told = lines(session, Press("save"))
    assert told == ["saved as 'harbour-dusk' (your own now stands before the shipped one)"]
    assert voicer.load("harbour-dusk") == session.voicing
    assert not session.changed


@pytest.mark.parametrize("place", ["x.toml", "./x.toml", "{folder}/x.toml"])
def test_a_voicing_from_a_file_is_saved_under_its_title(
    place: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A path, with or without a folder, is no name: the copy in the library is called after its title."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "x.toml").write_text('schema = 2\nname = "Pier Nine"\n')
    path = place.format(folder=tmp_path)
    session = Session(path, voicer.load(path))
    assert lines(session, Press("save")) == ["saved as 'pier-nine'"]
    assert voicer.load("pier-nine") == session.voicing


@pytest.mark.parametrize(("action", "wet"), [("bypass", 0.0), ("bypass-tail", 0.45)])
def test_bypass(session: Session, ear: Ear, action: str, wet: float) -> None:
    """Off at once, or off with the repeats left to ring; the dry signal at full level; then on again."""
    assert lines(session, Press(action)) == ["echo bypassed"]
    off = named(ear.heard[-1])
    assert (off["send"], off["dry"], off["wet"]) == (0.0, 1.0, pytest.approx(wet))
    assert lines(session, Press(action)) == ["echo on"]
    assert named(ear.heard[-1])["send"] == 1.0


@pytest.mark.parametrize(("action", "rings"), [("bypass", False), ("bypass-tail", True)])
def test_repeats_after_bypass(action: str, rings: bool) -> None:
    """A burst is in the line when the echo is bypassed: its repeats ring out with the tail and are cut without it;
    what is played afterwards passes dry and gives no new repeat.
    """
    quiet = {"flaws.noise": 0, "flaws.clock_bleed": 0, "repeats.feedback": 0.6, "modulation.range": "off"}
    session = Session("quay-slap", voicer.load("quay-slap").changed(quiet))
    engine = SteppedEngine(DEFAULT_RACK, 48_000, 64)
    engine.start(lambda rate_hz: session.numbers_for(engine, rate_hz))
    session.play_through(engine)
    period = round(48 * session.voicing.delay.time_ms)
    burst = np.zeros(period)
    burst[:480] = 0.3 * np.sin(2 * np.pi * 1000 / 48_000 * np.arange(480))
    engine.play(burst)
    session.handle([Press(action, 0.0)])
    repeats = engine.play(np.zeros(2 * period))
    engine.play(np.zeros(40 * period))
    again = engine.play(np.concatenate((burst, np.zeros(2 * period))))
    engine.stop()
    peaks = [float(np.abs(part[480:]).max()) for part in np.split(repeats, 2)]
    assert [peak > 0.02 for peak in peaks] == [rings, rings]
    assert rings or max(peaks) < 1e-4
    assert again[:480] == pytest.approx(burst[:480], abs=1e-3)
    assert np.abs(again[period:]).max() < 1e-3


# Parts


def test_one_button_goes_through_exact_bought_and_unit(session: Session, ear: Ear) -> None:
    """Exact, snapped, unit 1, exact, snapped, unit 2 …: each is sent, the voicing is not changed by it."""
    told = [lines(session, Press("parts", 0.0))[0] for _ in range(6)]
    assert told == [
        "hearing E24 parts", "hearing E24 parts, unit 1", "hearing exact values",
        "hearing E24 parts", "hearing E24 parts, unit 2", "hearing exact values",
    ]  # fmt: skip
    assert len(ear.heard) == 6
    assert np.array_equal(ear.heard[2], ear.heard[5])
    assert not np.array_equal(ear.heard[1], ear.heard[4])
    assert not session.changed


def test_knobs_turn_the_parts_that_are_heard(session: Session, ear: Ear) -> None:
    """With bought parts chosen a turned cutoff is that of bought parts; nothing else of the engine's world changes."""
    session.handle([Press("parts", 0.0)])
    assert lines(session, Move("filters.anti_alias.cutoff_hz", 2500.0)) == []
    expected = voicer.design(session.voicing, "E24")
    assert session.circuit.anti_alias == expected.anti_alias
    assert session.circuit.anti_alias != voicer.design(session.voicing).anti_alias


def test_parts_that_cannot_be_found_change_nothing(ear: Ear) -> None:
    """A time control too narrow for any pot is told; exact values play on."""
    narrow = voicer.load("quay-slap").changed({"delay.shortest_ms": 89.9, "delay.longest_ms": 90.1})
    session = Session("quay-slap", narrow)
    session.play_through(ear)
    (said,) = session.handle([Press("parts", 0.0)])
    assert said.bad
    assert "must be" in said.line
    assert session.parts.says == "exact values"
    assert ear.heard == []


def test_swapped_parts_stay_with_their_board(ear: Ear) -> None:
    """Another voicing called up is heard without them, its series as chosen, and says so."""
    parts = PartChoice("E24", swaps={"low_cut.load_ohm": 33e3})
    session = Session("harbour-dusk", voicer.load("harbour-dusk"), parts=parts)
    assert session.step(1).endswith("swap of low_cut.load_ohm dropped")
    assert session.parts == PartChoice("E24")


def test_a_swap_whose_part_goes_is_named() -> None:
    """With the compander switched off its swapped resistor goes, with a word; the low cut's swap stays."""
    cell = next(p for p in design_board(voicer.load("harbour-dusk")).parts if p.block == "compander")
    parts = PartChoice("E24", swaps={cell.key: 1.1 * cell.value, "low_cut.load_ohm": 33e3})
    session = Session("harbour-dusk", voicer.load("harbour-dusk"), parts=parts)
    assert cell.key in session.set({"compander.enabled": False})
    assert session.parts == PartChoice("E24", swaps={"low_cut.load_ohm": 33e3})


def test_switching_parts_leaves_no_gap() -> None:
    """Played through the stepped engine with a steady tone: no stretch of 5 ms loses a third of its level, and no step
    between two samples is larger than the tone itself makes.
    """
    session = Session("gull-vibrato", voicer.load("gull-vibrato").changed({"modulation.range": "off"}))
    engine = SteppedEngine(DEFAULT_RACK, 48_000, 64)
    engine.start(lambda rate_hz: session.numbers_for(engine, rate_hz))
    session.play_through(engine)
    tone = 0.3 * np.sin(2 * np.pi * 440 / 48_000 * np.arange(5 * 64 * 190)).reshape(5, -1)
    heard = []
    for piece in tone:
        heard.append(engine.play(piece))
        session.handle([Press("parts", 0.0)])
    engine.stop()
    y = np.concatenate(heard)[9_600:]
    levels = np.sqrt((y[: y.size // 240 * 240].reshape(-1, 240) ** 2).mean(axis=1))
    assert levels.min() > 0.67 * np.median(levels)
    assert np.abs(np.diff(y)).max() < 1.3 * np.abs(np.diff(y[:2400])).max()
