"""Learning: every kind of control is recognised from what it sends, and what is learnt is in the file at once."""

from __future__ import annotations

from pathlib import Path

import pytest

from voicer.control.controller import Came
from voicer.control.learning import Found, Recogniser, Request
from voicer.control.map_edit import bind, file_for, undo
from voicer.control.map_files import MapWatch, load_map, load_maps, maps_folder
from voicer.control.messages import ControlChange, Message, Note, PitchBend, ProgramChange, decode
from voicer.errors import FileError, VoicingError
from voicer.play.binding import Binder


def cc(number: int, *values: int) -> list[Message]:
    return [ControlChange(1, number, value) for value in values]


def nrpn(*values: tuple[int, int]) -> list[Message]:
    found: list[Message] = []
    for coarse, fine in values:
        found += [*cc(99, 2), *cc(98, 44), *cc(6, coarse), *cc(38, fine)]
    return found


def pair(*values: tuple[int, int]) -> list[Message]:
    return [one for coarse, fine in values for one in (*cc(7, coarse), *cc(39, fine))]


def recognised(messages: list[Message], gap_s: float = 0.02, wants_button: bool = False) -> Found | Request | None:
    one = Recogniser(wants_button)
    for k, message in enumerate(messages):
        one.take(message, 1.0 + k * gap_s)
    return one.found(1.0 + len(messages) * gap_s + 3.0)


@pytest.mark.parametrize(
    ("messages", "expected"),
    [
        (cc(20, 3, 9, 14, 30, 55, 80, 70, 40), Found("knob", ("cc", 20))),
        (cc(20, 1, 2, 3, 4, 5, 6, 7), Found("knob", ("cc", 20))),
        (cc(20, 60, 61, 62, 63, 64, 65, 66), Found("knob", ("cc", 20))),
        (cc(11, 127, 120, 90, 40, 0), Found("knob", ("cc", 11))),
        (pair((3, 5), (3, 90), (4, 12), (5, 100)), Found("knob", ("cc", 7), 14)),
        (nrpn((3, 5), (4, 7), (9, 11)), Found("knob", ("nrpn", 300), 14)),
        ([*cc(99, 2), *cc(98, 44), *cc(6, 4), *cc(6, 9)], Found("knob", ("nrpn", 300), 7)),
        ([PitchBend(1, 9000), PitchBend(1, 12000)], Found("knob", ("bend", 0), 14)),
        (cc(20, 1, 1, 1, 2, 1, 127, 127, 127), Found("encoder", ("cc", 20), encoding="twos-complement")),
        (cc(20, 65, 65, 66, 65, 63, 63, 62, 63), Found("encoder", ("cc", 20), encoding="binary-offset")),
        (cc(20, 1, 1, 1, 2, 65, 65, 65, 66), Found("encoder", ("cc", 20), encoding="sign-magnitude")),
        ([*cc(20, 1, 1, 1, 2), *cc(21, 1, 1, 1)], Found("encoder", ("cc", 20), encoding="next-address")),
        (cc(20, 127, 0), Found("button", ("cc", 20))),
        (cc(20, 127, 127), Found("button", ("cc", 20))),
        ([Note(1, 60, 100), Note(1, 60, 0)], Found("button", ("note", 60))),
        ([ProgramChange(1, 4)], Found("button", ("program", 4))),
        (cc(20, 127), Request("press it once more")),
        (cc(20, 1, 1, 1, 1), Request("turn it the other way too")),
        (cc(20, 65, 65, 65, 65), Request("turn it the other way too")),
    ],
)
def test_kinds(messages: list[Message], expected: Found | Request) -> None:
    """Seven bits, pairs, NRPN, the four encodings, buttons; and a request where two kinds fit."""
    assert recognised(messages) == expected


def test_a_switch_that_stays_on() -> None:
    """Full at one press and zero at the next, seconds later."""
    assert recognised(cc(20, 127, 0), gap_s=2.5) == Found("button", ("cc", 20), latching=True)


def test_nothing_is_said_too_soon() -> None:
    """A knob's first messages could be anything."""
    one = Recogniser()
    for k, message in enumerate(cc(20, 5, 6, 7)):
        one.take(message, 1.0 + 0.02 * k)
    assert one.found(1.1) is None


PORT = "Quay Desk MIDI 1"


def heard(binder: Binder, messages: list[Message], port: str = PORT) -> None:
    for k, message in enumerate(messages):
        binder.hear(Came(b"", message, 1.0 + 0.02 * k, port))


def test_from_the_choice_to_the_file() -> None:
    """Chosen, moved, bound, in force; comments in the file stay; undone and done again."""
    watch, binder = MapWatch(), Binder(lambda: 5.0)
    binder.begin("repeats.feedback")
    heard(binder, cc(20, 1, 1, 1, 127, 127, 127, 127, 1))
    (told,) = binder.look()
    assert "controller 20" in told.line
    assert binder.pending is not None  # 20 does something else in the copy of the shipped map
    told = binder.replace()
    assert told.line.startswith(f"controller 20 of '{PORT}' is bound to repeats.feedback; save-new has lost it")
    assert watch.has_changed()
    path = file_for(PORT)
    assert path == maps_folder() / "quay-desk-midi-1.toml"
    assert "# " in path.read_text()
    maps, _ = load_maps()
    (mine,) = maps.serving(PORT)
    assert mine.bound_to(("cc", 20)) == "repeats.feedback"
    assert [one.file.name for one in maps.serving("another")] == ["Workshop bench"]
    assert not binder.undo().bad
    assert load_map(path).bound_to(("cc", 20)) == "save-new"
    assert not binder.undo().bad
    assert load_map(path).bound_to(("cc", 20)) == "repeats.feedback"


def test_several_in_a_row_and_an_older_file(tmp_path: Path) -> None:
    """A map of schema 1 for any port is changed in place, its comments and its bindings kept."""
    from voicer.library.home import home_folder

    home_folder().mkdir(parents=True, exist_ok=True)
    own = home_folder() / "controller.toml"
    own.write_text('# mine\nschema = 1\nname = "Old"\n[[control]]\ncontroller = 7 # the big one\nparameter = "output.blend"\n')
    binder = Binder(lambda: 5.0)
    for what, messages in (
        ("repeats.feedback", pair((3, 5), (3, 90), (4, 12), (5, 100))),
        ("tap-tempo", [Note(1, 60, 100), Note(1, 60, 0)]),
        ("delay.time_ms", nrpn((3, 5), (4, 7), (9, 11), (1, 1), (2, 2), (3, 3))),
    ):
        binder.begin(what)
        heard(binder, messages)
        (told,) = binder.look()
        if binder.pending:
            assert "controller 7 is already on output.blend, and repeats.feedback was to be bound to it" in told.line
            told = binder.replace()
        assert not told.bad, told.line
    text = own.read_text()
    assert text.startswith("# mine\n")
    one = load_map(own)
    assert one.file.schema_number == 2
    assert [one.bound_to(place) for place in (("cc", 7), ("note", 60), ("nrpn", 300))] == [
        "repeats.feedback", "tap-tempo", "delay.time_ms",
    ]  # fmt: skip


def test_what_does_not_fit_is_refused() -> None:
    """A knob does no action, a button moves no number; a text is moved by nothing; the file stays."""
    path = file_for(PORT)
    with pytest.raises(FileError, match="'tap-tempo' is done by a button"):
        bind(path, PORT, Found("knob", ("cc", 3)), "tap-tempo", True)
    with pytest.raises(FileError, match=r"repeats\.feedback is moved by a knob"):
        bind(path, PORT, Found("button", ("cc", 3)), "repeats.feedback", False)
    with pytest.raises(VoicingError, match="is a text"):
        Binder().begin("notes")
    with pytest.raises(VoicingError, match=r"did you mean 'repeats\.feedback'"):
        Binder().begin("repeats.feedbak")
    assert not path.exists()
    with pytest.raises(FileError, match="nothing was bound"):
        undo(path)


def test_other_ports_play_on_while_one_is_learnt() -> None:
    """Only what moves first is taken; clocks never."""
    binder = Binder(lambda: 1.0)
    assert not binder.hear(Came(b"", ControlChange(1, 20, 1), 1.0, PORT))
    binder.begin("output.blend")
    assert binder.hear(Came(b"", ControlChange(1, 20, 1), 1.0, PORT))
    assert not binder.hear(Came(b"", ControlChange(1, 20, 2), 1.0, "another"))
    assert not binder.hear(Came(b"\xf8", decode(b"\xf8"), 1.0, PORT))


def test_a_broken_map_hides_no_other() -> None:
    """It is named in a line and left as it is; the other maps work, and learning goes past it."""
    folder = maps_folder()
    folder.mkdir(parents=True)
    (folder / "broken.toml").write_text("schema = [")
    (folder / "good.toml").write_text(f'schema = 2\nname = "Good"\nport = "{PORT}"\n')
    maps, complaints = load_maps()
    assert len(complaints) == 1
    assert "broken.toml" in complaints[0]
    assert [one.file.name for one in maps.serving(PORT)] == ["Good"]
    bind(file_for(PORT), PORT, Found("knob", ("cc", 3)), "output.blend", False)
    assert load_map(folder / "good.toml").bound_to(("cc", 3)) == "output.blend"
    assert (folder / "broken.toml").read_text() == "schema = ["


@pytest.mark.parametrize("hostile", ["\x1b[2J", 'a"\nschema = 9', "../../x", "é" * 300, ""])
def test_a_hostile_port_name_makes_no_hostile_file(hostile: str) -> None:
    """A port's name is a stranger's text: it stays text in the file, and the file stays in its folder."""
    from voicer.errors import one_line

    port = one_line(hostile)  # as the inputs give it
    path = file_for(port)
    assert path.parent == maps_folder()
    try:
        bind(path, port, Found("knob", ("cc", 3)), "output.blend", False)
    except FileError:
        assert not path.exists()
        return
    assert load_map(path).file.port == port
