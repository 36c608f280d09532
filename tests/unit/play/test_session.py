"""What a knob, a button and a program change do."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import voicer
from voicer import library
from voicer.board import PartChoice, design_board
from voicer.board.spread import Tolerances
from voicer.control.events import Move, Press, Recall
from voicer.dsp.coefficients import named
from voicer.engine.stepped import SteppedEngine
from voicer.engine.units import DEFAULT_RACK
from voicer.errors import VoicerError
from voicer.play.session import Session


class Ear:
    """Takes what a session sends, as an engine would."""

    rack = ("echo", "gate")
    sample_rate_hz = 48_000.0
    faults: tuple[int, ...] = (0, 0)

    def __init__(self) -> None:
        self.heard: list[np.ndarray] = []
        self.ceilings: list[np.ndarray] = []
        self.back: list[str] = []
        self.put_back = self.back.append

    def report(self) -> Ear:
        return self

    def send(self, numbers: dict[str, np.ndarray]) -> int:
        self.heard.append(numbers["echo"])
        self.ceilings.append(numbers["ceiling"])
        return len(self.heard)


def shipped_names() -> list[str]:
    return [entry.name for entry in library.listing() if entry.shipped]


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
    assert named(ear.heard[0])["dry"] == pytest.approx(0.6)
    assert session.changed


def test_a_move_that_does_not_fit_changes_nothing(session: Session, ear: Ear) -> None:
    """The refusal is told in the voicing's own words; what plays goes on."""
    before = session.voicing
    told = session.handle([Move("delay.time_ms", 5.0)])
    assert told[0].bad
    assert told[0].line.startswith("delay.time_ms must be within shortest_ms..longest_ms = 25..480 ms (got 5)")
    assert (session.voicing, ear.heard) == (before, [])


def test_no_circuit_no_change(session: Session, ear: Ear) -> None:
    """A voicing that cannot be built is refused before anything is sent."""
    before = session.circuit
    with pytest.raises(VoicerError):
        session.set({"filters.reconstruction.cutoff_hz": 200.0, "filters.anti_alias.order": 6,
                     "line.stages": 512, "line.devices": 1, "delay.shortest_ms": 2.0})  # fmt: skip
    assert session.circuit is before
    assert ear.heard == []


def test_events_are_done_in_the_order_they_came(session: Session) -> None:
    """Moves, a save between them and a recall after them: what is saved is what stood when save was pressed."""
    session.handle([Move("repeats.feedback", 0.1), Press("save"), Move("repeats.feedback", 0.9), Recall(1)])
    assert voicer.load("harbour-dusk").repeats.feedback == 0.1
    assert session.name == "quay-slap"


def test_moves_that_do_not_fit_together_are_tried_alone(session: Session) -> None:
    """A time out of range does not hold back the feedback turned in the same moment."""
    (said,) = session.handle([Move("delay.time_ms", 5.0), Move("repeats.feedback", 0.7)])
    assert said.bad
    assert session.voicing.repeats.feedback == 0.7


def test_moves_wait_until_they_are_settled(session: Session, ear: Ear) -> None:
    """Knobs turned many times between two designs cost one design, and the last value of each counts."""
    for j in range(100):
        session.take([Move("repeats.feedback", j / 100), Move("output.blend", 1 - j / 100)])
    assert ear.heard == []
    assert session.unsettled
    session.settle()
    assert len(ear.heard) == 1
    assert not session.unsettled
    assert (session.voicing.repeats.feedback, session.voicing.output.blend) == (0.99, pytest.approx(0.01))


def test_tap_tempo_stays_in_step_with_the_taps(session: Session) -> None:
    """Taps 250 ms apart set 250 ms; 1200 ms is out of reach, a quarter of it is in step: it plays, and is told."""
    session.set({"delay.longest_ms": 480.0})
    assert lines(session, Press("tap-tempo", 10.0), Press("tap-tempo", 10.25)) == ["tap again", "tapped 250 ms"]
    told = lines(session, Press("tap-tempo", 20.0), Press("tap-tempo", 21.2))[-1]
    assert told == (
        "tapped 1200 ms; 1200 ms is beyond this voicing's 480 ms: quarter notes become sixteenth notes at 300 ms"
    )
    assert session.voicing.delay.time_ms == pytest.approx(300)


def test_a_tap_that_no_doubling_brings_into_the_span_changes_nothing(session: Session, ear: Ear) -> None:
    """Between 300 and 400 ms there is no half and no double of 580 ms: told, and the time stays."""
    session.set({"delay.time_ms": 350.0, "delay.shortest_ms": 300.0, "delay.longest_ms": 400.0})
    sent = len(ear.heard)
    told = lines(session, Press("tap-tempo", 10.0), Press("tap-tempo", 10.58))[-1]
    assert told.startswith("tapped 580 ms; 580 ms is beyond this voicing's 400 ms, and no half or double")
    assert session.voicing.delay.time_ms == 350.0
    assert len(ear.heard) == sent


def test_each_modulation_range_keeps_its_rate(session: Session) -> None:
    """Slow 0.6 Hz and fast 8 Hz as set by hand come back as often as the button goes round."""
    session.set({"modulation.range": "fast", "modulation.rate_hz": 8.0})
    session.handle([Press("modulation-range"), Press("modulation-range")])
    session.set({"modulation.rate_hz": 0.6})
    seen = []
    for _ in range(6):
        session.handle([Press("modulation-range")])
        seen.append((session.voicing.modulation.range, session.voicing.modulation.rate_hz))
    assert seen[0] == ("fast", 8.0)
    assert [one for one in seen if one[0] == "fast"] == 2 * [("fast", 8.0)]
    assert [one for one in seen if one[0] == "slow"] == 2 * [("slow", 0.6)]


def test_a_range_chosen_by_a_knob_brings_its_rate(session: Session) -> None:
    """A control mapped to the range works at any rate: 0.6 Hz is none of the fast range, so its slowest is played."""
    session.set({"modulation.range": "slow", "modulation.rate_hz": 0.6})
    assert lines(session, Move("modulation.range", "fast")) == []
    assert session.voicing.modulation.rate_hz == 2.0
    assert lines(session, Move("modulation.range", "slow")) == []
    assert session.voicing.modulation.rate_hz == 0.6


def test_a_rate_set_while_the_modulation_is_off_is_played(session: Session) -> None:
    """Turned to 1.5 Hz with the modulation off, the slow range starts with 1.5 Hz and not with its old rate."""
    while session.voicing.modulation.range != "off":
        session.handle([Press("modulation-range")])
    session.set({"modulation.rate_hz": 1.5})
    assert lines(session, Press("modulation-range")) == ["modulation slow, 1.50 Hz"]


def test_next_after_a_file_is_the_first_of_the_library(tmp_path: Path) -> None:
    """A voicing from a path has no place among the names; the next one is the first of them."""
    path = tmp_path / "x.toml"
    path.write_text('schema = 2\nname = "Pier Nine"\n')
    session = Session(str(path), voicer.load(path))
    assert lines(session, Press("next-voicing")) == [f"voicing '{library.list_names()[0]}'"]


def test_next_and_previous_skip_what_is_broken_and_go_round(session: Session, voicer_home: Path) -> None:
    """Through all that can be played, and back to the first."""
    (voicer_home / "voicings").mkdir(parents=True)
    (voicer_home / "voicings" / "broken.toml").write_text("schema = 2\nname = 3\n")
    names = shipped_names()
    seen = [lines(session, Press("next-voicing"))[0] for _ in names]
    assert seen[:-1] == [f"voicing '{name}'" for name in names[1:]]
    assert seen[-1].startswith(f"voicing '{names[0]}'; skipped 'broken': ")
    assert lines(session, Press("previous-voicing"))[0].startswith(f"voicing '{names[-1]}'; skipped 'broken'")


def test_saving_moves_nothing_in_the_order_of_next_and_previous(session: Session) -> None:
    """A shipped voicing saved as the player's own keeps its place between its neighbours."""
    before = [lines(session, Press("next-voicing"))[0] for _ in shipped_names()]
    session.handle([Press("next-voicing"), Press("save")])
    session.handle([Press("previous-voicing")])
    assert [lines(session, Press("next-voicing"))[0] for _ in before] == before
    assert session.name == "harbour-dusk"


def test_next_passes_over_a_voicing_that_cannot_be_built(session: Session, voicer_home: Path) -> None:
    """Its filters leave the line no time: it is named, and the button does not get stuck before it."""
    stuck = voicer.load("quay-slap").changed(
        {"name": "Stuck", "line.stages": 512, "delay.shortest_ms": 2.0, "filters.reconstruction.cutoff_hz": 200.0}
    )
    library.save(stuck)
    told = [lines(session, Press("next-voicing"))[0] for _ in shipped_names()]
    assert told[-1].startswith("voicing 'harbour-dusk'; skipped 'stuck': ")
    assert lines(session, Press("previous-voicing"))[0].startswith("voicing 'storm-bell'; skipped 'stuck'")


def test_a_recall_while_bypassed_says_so(session: Session) -> None:
    """Nothing of the new voicing is heard before the echo is on again; the player is told."""
    session.handle([Press("bypass-tail")])
    assert lines(session, Recall(2)) == ["voicing 'lamp-lane'; echo still bypassed"]


def test_a_recall_plays_the_voicing_of_the_slot(session: Session, ear: Ear) -> None:
    """Slot 2 is Lamp Lane; an empty slot is told and changes nothing."""
    assert lines(session, Recall(2)) == ["voicing 'lamp-lane'"]
    assert session.voicing == voicer.load("lamp-lane")
    assert lines(session, Recall(99))[0].startswith("program 100 recalls no voicing (slot 99: ")
    assert session.name == "lamp-lane"


def test_a_slot_may_hold_a_title(session: Session, voicer_home: Path) -> None:
    """A player who wrote a title into the slots' file by hand keeps their place among next and previous."""
    voicer_home.mkdir(parents=True)
    (voicer_home / "slots.toml").write_text('[slots]\n5 = "Lamp Lane"\n')
    assert lines(session, Recall(5)) == ["voicing 'lamp-lane'"]
    assert lines(session, Press("previous-voicing")) == ["voicing 'quay-slap'"]


def test_save_says_when_it_replaces_a_shipped_voicing(session: Session) -> None:
    """The file is the voicing, under the name it was called up by; shadowing a shipped voicing is never silent."""
    session.set({"repeats.feedback": 0.8})
    told = lines(session, Press("save"))
    assert told == ["saved as 'harbour-dusk' (played instead of the shipped one, which stays)"]
    assert voicer.load("harbour-dusk") == session.voicing
    assert not session.changed


@pytest.mark.parametrize("place", ["x.toml", "./x.toml", "{folder}/x.toml"])
def test_a_voicing_from_a_file_is_saved_to_that_file(
    place: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Opened by path, saved to that path with its comments; a voicing of equal title in the library is untouched."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "x.toml").write_text('schema = 4\n# from the loft\nname = "Pier Nine"\n')
    mine = library.save(voicer.load("lamp-lane").changed({"name": "Pier Nine"}))
    before = mine.read_bytes()
    path = place.format(folder=tmp_path)
    session = Session(path, voicer.load(path))
    session.set({"repeats.feedback": 0.25})
    assert lines(session, Press("save")) == [f"saved to {path}"]
    assert not session.changed
    assert mine.read_bytes() == before
    assert voicer.load(path) == session.voicing
    assert "# from the loft" in (tmp_path / "x.toml").read_text()


@pytest.mark.parametrize(("action", "wet"), [("bypass", 0.0), ("bypass-tail", 0.8)])
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


# Ending a runaway


RUNAWAY = {"flaws.noise": 0, "flaws.clock_bleed": 0, "repeats.feedback": 1.4, "modulation.range": "off"}


@pytest.mark.parametrize("escape", [Press("panic"), Recall(1), Recall(8)])
def test_a_runaway_ends(escape: Press | Recall) -> None:
    """A loop at 1.4 sings by itself; panic, a recall of another voicing and one of the same voicing each end it."""
    session = Session("quay-slap", voicer.load("quay-slap").changed(RUNAWAY))
    library.save(session.voicing.changed({"name": "Quay Slap"}))
    library.assign(8, "quay-slap")
    engine = SteppedEngine(DEFAULT_RACK, 48_000, 64)
    engine.start(lambda rate_hz: session.numbers_for(engine, rate_hz))
    session.play_through(engine)
    pluck = np.zeros(96_000)
    pluck[:480] = 0.3 * np.sin(2 * np.pi * 1000 / 48_000 * np.arange(480))
    loud = engine.play(pluck)[-4800:]
    session.handle([escape])
    after = engine.play(np.zeros(24_000))[4800:]
    engine.stop()
    assert np.abs(loud).max() > 0.05
    assert np.abs(after).max() < 1e-3


def test_panic_is_silence_until_it_is_pressed_again(session: Session, ear: Ear) -> None:
    """Muted through moves, bypass and recalls, which say so; the second press brings the sound back."""
    assert lines(session, Press("panic"))[0].startswith("MUTED")
    session.handle([Move("output.blend", 0.7), Press("bypass")])
    assert lines(session, Recall(2)) == ["voicing 'lamp-lane'; echo still bypassed; still muted"]
    assert all(named(numbers)["muted"] == 1 for numbers in ear.heard)
    assert lines(session, Press("panic")) == ["unmuted"]
    assert named(ear.heard[-1])["muted"] == 0
    assert all(step < 0 for *_, step in ear.ceilings[:-1])
    assert ear.ceilings[-1][2] > 0


def test_panic_silences_what_comes_after_the_echo_too() -> None:
    """With the echo left out as failed, the input that goes past it is silent too, as would be any other unit."""
    session = Session("quay-slap", voicer.load("quay-slap"))
    engine = SteppedEngine(DEFAULT_RACK, 48_000, 64)
    engine.start(lambda rate_hz: session.numbers_for(engine, rate_hz))
    session.play_through(engine)
    spoiled = session.numbers_for(engine, 48_000)["echo"]
    named(spoiled)["dry"] = np.nan
    engine.send({"echo": spoiled})
    sound = 0.1 * np.sin(2 * np.pi * 1000 / 48_000 * np.arange(4800))
    past = engine.play(sound)
    assert engine.report().faults[0]
    assert np.abs(past[-480:]).max() > 0.09
    session.panic()
    assert not engine.play(sound)[480:].any()
    session.panic()
    assert np.abs(engine.play(sound)[480:]).max() > 0.09
    engine.stop()


def test_failed_units_are_put_back(session: Session, ear: Ear) -> None:
    """Those that the engine bypassed, and no others; with none, that is told."""
    assert lines(session, Press("put-back")) == ["no unit has failed"]
    ear.faults = (0, 1)
    assert lines(session, Press("put-back")) == ["putting back gate"]
    assert ear.back == ["gate"]


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


CHOSEN = PartChoice("E12", capacitors="E6", swaps={"low_cut.load_ohm": 120e3}, tolerances=Tolerances(resistor=0.01))


def test_the_button_keeps_what_the_player_chose(ear: Ear) -> None:
    """Series, capacitors, tolerances and swaps are the player's all the way round."""
    session = Session("harbour-dusk", voicer.load("harbour-dusk"), parts=CHOSEN)
    session.play_through(ear)
    session.handle([Press("parts"), Press("parts")])
    assert not session.parts.asks_for_parts
    session.handle([Press("parts")])
    assert session.parts == CHOSEN
    session.handle([Press("parts")])
    assert session.parts == replace(CHOSEN, unit=2)


def test_a_recall_says_which_swaps_it_drops(ear: Ear) -> None:
    """Swapped parts belong to their board: another voicing is heard without them, its series as chosen."""
    session = Session("harbour-dusk", voicer.load("harbour-dusk"), parts=CHOSEN)
    told = lines(session, Recall(1))
    assert told == ["voicing 'quay-slap'; swap of low_cut.load_ohm dropped, it was for 'harbour-dusk'"]
    assert session.parts == replace(CHOSEN, swaps={})


# State


def test_another_session_continues_from_the_state(ear: Ear) -> None:
    """Through JSON and back everything is heard and shown as before: voicing, file, parts, bypass, levels, rates."""
    first = Session("harbour-dusk", voicer.load("harbour-dusk"), parts=CHOSEN, ceiling_db=-6.0)
    first.calibrate(7.5)
    first.handle([Press("modulation-range"), Move("repeats.feedback", 0.8), Press("bypass-tail"), Press("parts")])
    first.play_through(ear)
    first.set({"output.blend": 0.6})
    second = Session("lamp-lane", voicer.load("lamp-lane"))
    second.play_through(ear)
    second.restore(json.loads(json.dumps(first.state())))
    assert np.array_equal(ear.heard[-1], ear.heard[-2])
    assert second.state() == first.state()
    assert second.changed
    assert lines(second, Press("parts")) == lines(first, Press("parts"))
    assert lines(second, Press("modulation-range"), Press("modulation-range")) == lines(
        first, Press("modulation-range"), Press("modulation-range")
    )


@pytest.mark.parametrize(
    "spoilt", [{"bypass": "perhaps"}, {"parts": {"swaps": 3}}, {"full_scale_v": -1.0}, {"voicing": {}}, {"heard": 1}, {"saved": {}}]
)
def test_a_spoilt_state_changes_nothing(session: Session, ear: Ear, spoilt: dict[str, object]) -> None:
    """One line is raised and the session plays on as it was."""
    before = session.state()
    state = session.state()
    with pytest.raises(VoicerError):
        session.restore(state | spoilt if "saved" in spoilt else state | {"sound": state["sound"] | spoilt})
    assert session.state() == before
    assert ear.heard == []


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
