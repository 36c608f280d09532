"""Recall slots: program numbers of a controller and the voicings they call up."""

from __future__ import annotations

import subprocess
import sys
from typing import TYPE_CHECKING

import pytest

from voicer.errors import FileError
from voicer.library import assign, listing, load, read_slots, recall, save
from voicer.voicing import Voicing

if TYPE_CHECKING:
    from pathlib import Path


def test_the_shipped_voicings_stand_in_the_first_slots() -> None:
    """Program 0 is the house sound; each of the first nine calls up the shipped voicing listed there."""
    assert list(read_slots()) == list(range(9))
    assert [recall(slot) for slot in read_slots()] == [load(shown.name) for shown in listing()]


def test_an_empty_slot_is_refused_with_those_that_are_not() -> None:
    """A program number without a voicing changes nothing and says what there is."""
    with pytest.raises(FileError) as caught:
        recall(17)
    assert str(caught.value) == (
        "program 18 recalls no voicing (slot 17: slots count from 0, displays count from 1); "
        "programs that do are 1, 2, 3, 4, 5, 6, 7, 8, 9"
    )


@pytest.mark.parametrize("slot", [-1, 16_384, True])
def test_a_number_that_is_no_slot_is_refused(slot: int) -> None:
    """Slots are whole and in 0..16383, to read and to assign."""
    expected = f"slot must be a whole number in 0..16383 (got {slot!r}); use a program number"
    with pytest.raises(FileError) as recalled:
        recall(slot)
    with pytest.raises(FileError) as assigned:
        assign(slot, "harbour-dusk")
    assert (str(recalled.value), str(assigned.value)) == (expected, expected)


def test_an_assigned_slot_calls_up_that_voicing_and_the_others_stay(home: Path) -> None:
    """The user's slots go before the shipped ones, one by one; a title is stored as the name."""
    save(Voicing(name="My Own"))
    assign(127, "My Own")
    assign(0, "storm-bell")
    assert recall(127) == Voicing(name="My Own")
    assert recall(0) == load("storm-bell")
    assert recall(1) == load("quay-slap")
    expected = (
        "# Program number of the controller = voicing it calls up; an empty name empties it.\n"
        '[slots]\n127 = "my-own"\n0 = "storm-bell"\n'
    )
    assert (home / "slots.toml").read_text() == expected


def test_a_slot_can_be_emptied_even_of_a_shipped_voicing() -> None:
    """None in a slot empties it, and the listing shows no number for that voicing."""
    assign(0, None)
    assert 0 not in read_slots()
    assert listing()[0].slot is None


def test_the_users_comments_and_spelling_of_numbers_stay(home: Path) -> None:
    """A changed slot changes one name in the file, nothing else."""
    home.mkdir()
    own = home / "slots.toml"
    own.write_text('# stage left\n[slots]\n007 = "net-loft"   # encore\n8 = ""\n')
    assign(7, "slow-tide")
    assert own.read_text() == '# stage left\n[slots]\n007 = "slow-tide"  # encore\n8 = ""\n'
    assert recall(7) == load("slow-tide")


def test_an_unknown_voicing_is_not_assigned(home: Path) -> None:
    """A slot may not name what is not there; nothing is written."""
    with pytest.raises(FileError, match="did you mean 'net-loft'"):
        assign(3, "net-lofd")
    assert not home.exists()


def test_a_slot_whose_voicing_has_gone_is_refused() -> None:
    """The name that is not there any more is given."""
    path = save(Voicing(name="My Own"))
    assign(5, "my-own")
    path.unlink()
    with pytest.raises(FileError, match=r"^program 6 \(slot 5\) must name a voicing \(got 'my-own'\); "):
        recall(5)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ('[slots]\n16384 = "a"', "2: slot must be a whole number in 0..16383 (got '16384'); use a program number"),
        ('[slots]\none = "a"', "2: slot must be a whole number in 0..16383 (got 'one'); use a program number"),
        ("[slots]\n1 = 2", "2: slots.1 must be text (got 2)"),
        ('1 = "a"', "1: unknown key '1'; use one of slots"),
        ("slots = 3", "1: slots must be a table (got 3); write it as [slots]"),
    ],
)
def test_a_wrong_slots_file_is_refused_with_its_line(home: Path, text: str, message: str) -> None:
    """To read and to assign; an assignment leaves the file as it is."""
    home.mkdir()
    own = home / "slots.toml"
    own.write_text(text)
    with pytest.raises(FileError) as recalled:
        recall(0)
    with pytest.raises(FileError) as assigned:
        assign(0, "net-loft")
    assert (str(recalled.value), str(assigned.value)) == (f"{own}:{message}", f"{own}:{message}")
    assert own.read_text() == text


ASSIGN = "import sys; from voicer.library import assign\nfor slot in range(int(sys.argv[1]), 120, 4): assign(slot, 'storm-bell')"


def test_slots_assigned_by_several_processes_at_once_are_all_kept(home: Path) -> None:
    """Each reads what the others wrote before it writes; no lock file stays."""
    running = [subprocess.Popen([sys.executable, "-c", ASSIGN, str(first)]) for first in range(40, 44)]
    assert [process.wait(60) for process in running] == [0] * 4
    assert sorted(slot for slot, name in read_slots().items() if name == "storm-bell") == [8, *range(40, 120)]
    assert [path.name for path in home.iterdir()] == ["slots.toml"]


def test_a_slot_of_another_bank(home: Path) -> None:
    """Bank times 128 plus program; an empty one is named by bank and program as displays count them."""
    assign(300, "net-loft")
    assert recall(300).name == "Net Loft"
    with pytest.raises(FileError, match=r"^bank 3 program 46 recalls no voicing \(slot 301: "):
        recall(301)
