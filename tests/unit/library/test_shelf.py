"""Voicings found by name, listed, loaded and saved; the user's own before the shipped ones."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from hypothesis import HealthCheck, given, settings

from tests.fuzz.strategies import voicings
from voicer.errors import FileError
from voicer.files.resources import presets
from voicer.library import entry, list_names, listing, load, save, save_file, slug
from voicer.voicing import Voicing

if TYPE_CHECKING:
    from pathlib import Path

SHIPPED = [
    "harbour-dusk",
    "quay-slap",
    "lamp-lane",
    "long-breakwater",
    "slow-tide",
    "gull-vibrato",
    "net-loft",
    "old-dredger",
    "storm-bell",
]
GRAINY, RUNAWAY, SINGLE = "old-dredger", "storm-bell", "gull-vibrato"


# --- the shipped ones ---------------------------------------------------------------------------------


def test_all_shipped_voicings_are_listed_in_the_order_of_their_slots() -> None:
    """Nine, each sound, each under the slug of its title."""
    entries = listing()
    assert [shown.name for shown in entries] == SHIPPED
    assert [shown.slot for shown in entries] == list(range(9))
    assert [(shown.error, shown.shipped, shown.shadows_shipped) for shown in entries] == [(None, True, False)] * 9
    assert [slug(shown.title) for shown in entries] == SHIPPED


@pytest.mark.parametrize("name", SHIPPED)
def test_a_shipped_voicing_says_every_value_and_comments_it(name: str) -> None:
    """The file holds each parameter of a voicing, so a changed default cannot change its sound."""
    text = (presets() / f"{name}.toml").read_text("utf-8")
    voicing = load(name)
    assert text.startswith("# ")
    assert text.count("  # ") >= 10
    keys = {line.split(" = ")[0] for line in text.splitlines() if " = " in line}
    expected = {"schema", "name", "notes"} | {
        key for part in voicing.model_dump().values() if isinstance(part, dict) for key in part
    }
    assert keys == expected
    assert 20 <= len(voicing.notes) <= 200


@pytest.mark.parametrize("name", SHIPPED)
def test_a_shipped_voicing_keeps_its_filters_below_half_the_clock(name: str) -> None:
    """At its set time both cutoffs lie at 1/4..1/2 of the clock. Of those that fold on purpose, and say so, one has
    both above half the clock and two the anti-alias filter; the room is below, as its low filters blur the clicks.
    """
    voicing = load(name)
    clock_hz = voicing.line.stages * voicing.line.devices / 2 / voicing.delay.time_ms * 1e3
    ratios = [
        cutoff / clock_hz
        for cutoff in (voicing.filters.anti_alias.cutoff_hz, voicing.filters.reconstruction.cutoff_hz)
    ]
    if name == GRAINY:
        assert min(ratios) > 0.5
        assert "fold" in voicing.notes
    elif name in ("long-breakwater", "storm-bell"):
        assert 0.5 < ratios[0] < 0.6
        assert 0.25 < ratios[1] < 0.5
        assert "fold" in voicing.notes or "grit" in voicing.notes
    else:
        assert min(ratios) > (0.05 if name == "net-loft" else 0.25)
        assert max(ratios) < 0.5


@pytest.mark.parametrize("name", SHIPPED)
def test_only_the_runaway_passes_the_edge_and_it_warns(name: str) -> None:
    """A loop gain above 1 is shipped once, with the warning in its notes and at the top of its file."""
    feedback = load(name).repeats.feedback
    text = (presets() / f"{name}.toml").read_text("utf-8")
    assert (feedback > 1.05) == (name == RUNAWAY)
    assert (feedback > 1.0) == ("Start with the monitor low" in text.splitlines()[0])
    assert (feedback > 1.0) == ("start with the monitor low" in load(name).notes)


@pytest.mark.parametrize("name", SHIPPED)
def test_the_pitch_of_a_shipped_voicing_bends_by_no_more_than_it_should(name: str) -> None:
    """Pitch bends by the slope of the delay: below 1 % for repeats, up to 2 % for vibrato.

    The slope of a triangle is 4 x rate x delay x depth, that of a sine 2 pi x rate x delay x depth.
    """
    voicing = load(name)
    slope = {"triangle": 4.0, "sine": 6.2832}[voicing.modulation.shape]
    bend = slope * voicing.modulation.rate_hz * voicing.delay.time_ms / 1e3 * voicing.clock_deviation
    assert bend < (0.02 if name == SINGLE else 0.01)


# --- loading ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["harbour-dusk", "Harbour Dusk", "HARBOUR-DUSK", "harbour dusk"])
def test_a_name_or_a_title_loads_in_either_case(name: str) -> None:
    """What a person types for a name is taken generously."""
    assert load(name).name == "Harbour Dusk"


def test_an_absent_name_is_refused_with_the_nearest() -> None:
    """The nearest right name is offered."""
    with pytest.raises(FileError) as caught:
        load("harbor-dusk")
    expected = (
        "the voicing must be a known name or a path (got 'harbor-dusk'); did you mean 'harbour-dusk'?"
    )
    assert str(caught.value) == expected


@pytest.mark.parametrize("path", ["absent.toml", "folder/absent", "./harbour-dusk"])
def test_what_looks_like_a_path_is_one(path: str) -> None:
    """A separator or the ending makes it a path, and no name is tried for it."""
    with pytest.raises(FileError) as caught:
        load(path)
    assert str(caught.value) == f"{path}: no such file; check the path"


def test_a_path_loads_and_its_complaints_name_it(tmp_path: Path) -> None:
    """A file anywhere is loaded by its path, given as text or as Path; complaints give it with the line."""
    file = tmp_path / "a.toml"
    file.write_text('schema = 2\nname = "a"\n')
    assert load(file) == load(str(file)) == Voicing(name="a")
    file.write_text('schema = 2\nname = "a"\noutput.blend = 2\n')
    with pytest.raises(FileError) as caught:
        load(file)
    assert str(caught.value) == f"{file}:3: output.blend must be in 0..1 (got 2)"


# --- saving -------------------------------------------------------------------------------------------


@settings(
    max_examples=60,
    derandomize=True,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(voicing=voicings())
def test_what_is_saved_loads_exactly(voicing: Voicing) -> None:
    """By the path a save returns and by the title, in a folder that fills with others; floats to the last bit."""
    assert load(save(voicing)) == voicing
    assert load(slug(voicing.name)) == voicing


def test_a_save_under_another_name_keeps_the_title() -> None:
    """The name is what it is called up by; what is loaded is what was saved."""
    voicing = load("harbour-dusk")
    path = save(voicing, "My Voicing")
    assert path.name == "my-voicing.toml"
    assert load("my-voicing") == voicing
    assert (entry("my-voicing").title, entry("my-voicing").shadows_shipped) == ("Harbour Dusk", False)
    assert entry("Harbour Dusk").shipped is True


def test_a_save_over_a_shipped_name_is_played_instead_and_says_so(home: Path) -> None:
    """The shipped file stays; the user's own takes its place in the list, is marked and is the only one of that name."""
    own = load("quay-slap").changed({"delay.time_ms": 80})
    path = save(own)
    assert path == home / "voicings" / "quay-slap.toml"
    assert load("quay-slap") == own
    shown = [item for item in listing() if item.name == "quay-slap"]
    assert [(item.shipped, item.shadows_shipped, item.slot) for item in shown] == [(False, True, 1)]
    assert [item.name for item in listing()] == list_names() == SHIPPED
    path.unlink()
    assert load("quay-slap").delay.time_ms == 90.0


def test_a_save_keeps_the_comments_of_the_file_it_goes_over() -> None:
    """A person's own words in the file outlive every save."""
    path = save(Voicing(name="Mine"))
    path.write_text("# for Sunday\n" + path.read_text())
    save(Voicing(name="Mine", notes="later"))
    assert path.read_text().startswith("# for Sunday\n")
    assert load("mine").notes == "later"


def test_a_save_goes_into_the_file_that_has_the_name_however_it_is_spelt(home: Path) -> None:
    """A file put there by hand as ``My Own.toml`` is the one that a save of that name changes."""
    file = home / "voicings" / "My Own.toml"
    file.parent.mkdir(parents=True)
    file.write_text('schema = 2\nname = "My Own"\n')
    assert save(Voicing(name="My Own", notes="new")) == file
    assert [path.name for path in file.parent.iterdir()] == ["My Own.toml"]


def test_a_save_may_be_told_not_to_replace() -> None:
    """Then a name of the user's own that is taken is refused, and the file stays."""
    path = save(Voicing(name="Mine", notes="first"))
    with pytest.raises(FileError) as caught:
        save(Voicing(name="Mine", notes="second"), replace=False)
    expected = (
        f"you already have a voicing of that name ({path}); choose another name, or add --overwrite to replace it"
    )
    assert str(caught.value) == expected
    assert load("mine").notes == "first"


def test_a_broken_file_is_kept_aside_by_a_save_over_it(home: Path) -> None:
    """What a person wrote is not lost because it has a mistake in it."""
    path = save(Voicing(name="Mine"))
    path.write_text("# long thoughts\nschema = ")
    save(Voicing(name="Mine", notes="new"))
    assert load("mine").notes == "new"
    assert (path.parent / "mine.toml.broken").read_text() == "# long thoughts\nschema = "
    assert list_names()[-1] == "mine"
    assert home / "voicings" == path.parent


def test_each_broken_file_is_kept_aside(home: Path) -> None:
    """A second and third one go beside the first."""
    path = save(Voicing(name="Mine"))
    for words in ("first", "second", "third"):
        path.write_text(words)
        save(Voicing(name="Mine"))
    kept = {one.name: one.read_text() for one in path.parent.iterdir() if one != path}
    assert kept == {"mine.toml.broken": "first", "mine.toml.broken-2": "second", "mine.toml.broken-3": "third"}


@pytest.mark.parametrize("name", ["kill-me", "Kill-Me"])
def test_the_file_spelt_exactly_so_is_saved_and_loaded(home: Path, name: str) -> None:
    """Where two files differ in case only, each can be saved and loaded by its own name."""
    folder = home / "voicings"
    folder.mkdir(parents=True)
    for one in ("kill-me", "Kill-Me"):
        (folder / f"{one}.toml").write_text('schema = 4\nname = "Kill Me"\n')
    path = save(Voicing(name="Kill Me", notes="new"), name)
    assert path.name == f"{name}.toml"
    assert load(name).notes == "new"
    assert sorted(load(one).notes for one in ("kill-me", "Kill-Me")) == ["", "new"]


@pytest.mark.parametrize("device", ["/dev/zero", "/dev/null"])
def test_a_save_over_a_link_to_a_device_is_refused(home: Path, device: str) -> None:
    """Nothing is read from it, written to it or put in its place."""
    link = home / "voicings" / "mine.toml"
    link.parent.mkdir(parents=True)
    link.symlink_to(device)
    with pytest.raises(FileError, match=r"must be a regular file \(got a device\)"):
        save(Voicing(name="Mine"))
    with pytest.raises(FileError, match=r"must be a regular file \(got a device\)"):
        save_file(link, Voicing(name="Mine"))
    assert [path.name for path in link.parent.iterdir()] == ["mine.toml"]


def test_a_read_only_voicing_is_not_replaced(home: Path) -> None:
    """One line says so, and it stays."""
    path = save(Voicing(name="Mine", notes="keep"))
    path.chmod(0o444)
    with pytest.raises(FileError, match="it is read-only"):
        save(Voicing(name="Mine"))
    assert load("mine").notes == "keep"


def test_a_home_that_cannot_be_made_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """One line, with the variable that names another place."""
    (tmp_path / "file").write_text("")
    monkeypatch.setenv("VOICER_HOME", str(tmp_path / "file"))
    with pytest.raises(FileError) as caught:
        save(Voicing(name="Mine"))
    assert str(caught.value) == (
        f"{tmp_path / 'file' / 'voicings'}: the folder cannot be read (Not a directory); "
        f"set VOICER_HOME to another folder"
    )


# --- listing ------------------------------------------------------------------------------------------


def test_the_users_own_are_listed_behind_the_shipped_by_name() -> None:
    """Saving a new one or one in place of a shipped one moves no other."""
    for name in ("Slow Tide", "Zinc", "Anchor"):
        save(Voicing(name=name))
    assert list_names() == [*SHIPPED, "anchor", "zinc"]
    assert [item.shipped for item in listing()][:9] == [name != "slow-tide" for name in SHIPPED]


def test_a_broken_file_is_listed_with_its_error_and_hides_no_other(home: Path) -> None:
    """Whatever is wrong with one file, all the others are still there."""
    save(Voicing(name="Sound", notes="fine"))
    (home / "voicings" / "wrong.toml").write_text("schema = 2\n")
    (home / "voicings" / "latin.toml").write_bytes(b"\xe9")
    (home / "voicings" / "folder.toml").mkdir()
    (home / "voicings" / ".hidden.toml").write_text("")
    (home / "slots.toml").write_text("= broken")
    own = {shown.name: shown.error for shown in listing() if not shown.shipped}
    folder = home / "voicings"
    expected = {
        "folder": f"{folder / 'folder.toml'}: the input must be a regular file (got a folder); name a file",
        "latin": f"{folder / 'latin.toml'}:1: the file must be UTF-8 text (got byte 0xe9); save it as UTF-8",
        "sound": None,
        "wrong": f"{folder / 'wrong.toml'}:1: name is missing; add a line 'name = …'",
    }
    assert own == expected
    assert [shown.name for shown in listing() if shown.shipped] == SHIPPED


def test_a_title_that_two_of_the_users_files_have_is_refused() -> None:
    """Which one is meant cannot be guessed; their names are given."""
    save(Voicing(name="Far Bell"), "one")
    assert load("far bell").name == "Far Bell"
    save(Voicing(name="Far Bell"), "two")
    with pytest.raises(FileError, match=r"got 'far bell', the title of one, two\); use the name instead$"):
        load("far bell")


# --- names --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("title", "name"),
    [
        ("Harbour Dusk", "harbour-dusk"),
        ("  Quay -- Slap! ", "quay-slap"),
        ("Été à Brest", "ete-a-brest"),
        ("Straße 9", "strasse-9"),
        ("Волна", "волна"),
        ("a/b\\c..d", "a-b-c-d"),
        ("...", ""),
    ],
)
def test_a_title_becomes_a_plain_file_name(title: str, name: str) -> None:
    """Small letters and digits of any script, without accents, joined by single hyphens."""
    assert slug(title) == name


@pytest.mark.parametrize(
    ("name", "rule"),
    [
        ("../up", "be a plain name, without '/', '\\', a leading dot or '.toml' (got '../up')"),
        ("a\\b", "be a plain name, without '/', '\\', a leading dot or '.toml' (got 'a\\b')"),
        (".hidden", "be a plain name, without '/', '\\', a leading dot or '.toml' (got '.hidden')"),
        ("a.toml", "be a plain name, without '/', '\\', a leading dot or '.toml' (got 'a.toml')"),
        ("", "have 1..60 characters (got '')"),
        ("a" * 61, f"have 1..60 characters (got '{'a' * 60}…')"),
        ("!!!", "contain a letter or digit (got '!!!')"),
        ("CON", "not be a name the system reserves (got 'CON')"),
        ("slots", "not be a name the system reserves (got 'slots')"),
    ],
)
def test_a_name_that_no_file_may_have_is_refused(home: Path, name: str, rule: str) -> None:
    """One line with the rule, and nothing is written."""
    with pytest.raises(FileError) as caught:
        save(Voicing(name="Mine"), name)
    assert str(caught.value) == f"the voicing's name must {rule}; choose another name"
    assert not home.exists()
