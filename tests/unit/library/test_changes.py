"""Nothing the player saved is lost: revisions, files changed by somebody else, other names, the bin."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from voicer.errors import FileError
from voicer.library import known_text, list_names, load, save, save_known, save_new
from voicer.library.changes import delete, duplicate, numbered_title, rename, restore
from voicer.library.deleted import MOST_DELETED, bring_back, list_deleted
from voicer.library.revisions import MOST_REVISIONS, find, keep, list_revisions
from voicer.voicing import Voicing

NOON = datetime(2031, 5, 1, 12, tzinfo=UTC)


def mine(blend: float = 0.5) -> Voicing:
    return Voicing(name="Mine").changed({"output.blend": blend})


def test_each_save_keeps_the_text_before_it(home: Path) -> None:
    """The latest is number 1; a revision is loaded by its number like any voicing."""
    texts = []
    for hour, blend in enumerate((0.1, 0.2, 0.3)):
        texts.append(f"blend {blend}")
        keep("mine", texts[-1], NOON + timedelta(hours=hour))
    assert [revision.text() for revision in list_revisions("mine")] == texts[::-1]
    with pytest.raises(FileError, match="has no revision 9; there are 3"):
        find("mine", 9)


def test_a_revision_is_called_up_by_its_number(home: Path) -> None:
    """Like any voicing."""
    save(mine(0.1))
    time.sleep(1.1)
    save(mine(0.2))
    assert load("mine@1").output.blend == 0.1
    assert load("mine").output.blend == 0.2


def test_ten_saves_in_a_second_are_one_revision(home: Path) -> None:
    """What stood before the burst is kept, not what stood for a tenth of a second."""
    for tenth in range(10):
        keep("mine", f"text {tenth}", NOON + timedelta(seconds=0.1 * tenth))
    assert [revision.text() for revision in list_revisions("mine")] == ["text 0"]
    keep("mine", "text 10", NOON + timedelta(seconds=5))
    assert len(list_revisions("mine")) == 2


def test_revisions_are_bounded(home: Path) -> None:
    """Two hundred of a voicing; the oldest go."""
    for minute in range(MOST_REVISIONS + 20):
        keep("mine", f"text {minute}", NOON + timedelta(minutes=minute))
    found = list_revisions("mine")
    assert (len(found), found[0].text()) == (MOST_REVISIONS, f"text {MOST_REVISIONS + 19}")


def test_restore_makes_the_present_a_revision(home: Path) -> None:
    """Nothing is lost by going back."""
    save(mine(0.1))
    time.sleep(1.1)
    save(mine(0.2))
    restore("mine", 1)
    assert load("mine").output.blend == 0.1
    assert load("mine@1").output.blend == 0.2


def test_a_file_changed_meanwhile_is_left_alone(home: Path) -> None:
    """The player's goes beside it under a numbered name; the next save goes there."""
    path = save(mine(0.1))
    known = known_text("mine")
    path.write_text(path.read_text().replace("0.1", "0.7"))
    saved = save_known(mine(0.2), "mine", known)
    assert (saved.name, saved.beside) == ("mine-2", True)
    assert (load("mine").output.blend, load("mine-2").output.blend) == (0.7, 0.2)
    again = save_known(mine(0.3), saved.name, saved.text)
    assert (again.name, again.beside) == ("mine-2", False)


@pytest.mark.parametrize("how", ["made", "gone"])
def test_a_file_that_came_or_went_meanwhile(home: Path, how: str) -> None:
    """One that somebody made is left; one that somebody deleted is not brought back under the old name in silence."""
    if how == "made":
        known = known_text("harbour-dusk")
        save(Voicing(name="Harbour Dusk", notes="theirs"), "harbour-dusk")
        saved = save_known(mine(0.2), "harbour-dusk", known)
        assert load("harbour-dusk").notes == "theirs"
    else:
        path = save(mine(0.1))
        known = known_text("mine")
        path.unlink()
        saved = save_known(mine(0.2), "mine", known)
    assert saved.beside
    assert load(saved.name).output.blend == 0.2


def test_the_same_of_a_path(home: Path, tmp_path: Path) -> None:
    """A voicing from a file of its own: beside it with a number."""
    path = tmp_path / "work.toml"
    path.write_text('schema = 4\nname = "Work"\n')
    known = known_text(str(path))
    path.write_text('schema = 4\nname = "Work"\nnotes = "theirs"\n')
    saved = save_known(mine(0.2), str(path), known)
    assert (saved.name, saved.beside) == (str(tmp_path / "work 2.toml"), True)
    assert load(path).notes == "theirs"


def test_numbered_names(home: Path) -> None:
    """The lowest free number from 2; the number of a numbered one is replaced, not added to."""
    saved, voicing = save_new(Voicing(name="Harbour Dusk"), "harbour-dusk")
    assert (saved.name, voicing.name) == ("harbour-dusk-2", "Harbour Dusk 2")
    saved, voicing = save_new(voicing, saved.name)
    assert (saved.name, voicing.name) == ("harbour-dusk-3", "Harbour Dusk 3")
    assert numbered_title("Storm Bell") == "Storm Bell 2"


def test_copies_and_other_names(home: Path) -> None:
    """Comments go along; a name that is taken is refused, a shipped voicing never renamed or deleted."""
    path = save(mine(0.1))
    path.write_text("# from the pier\n" + path.read_text())
    time.sleep(1.1)
    save(mine(0.2))
    duplicate("mine", "Yours")
    assert "# from the pier" in duplicate("mine", "Ours").read_text()
    rename("mine", "Theirs")
    assert "mine" not in list_names()
    assert load("theirs@1").output.blend == 0.1
    for change in (lambda: duplicate("yours", "Ours"), lambda: rename("yours", "Ours"),
                   lambda: rename("harbour-dusk", "Dusk"), lambda: delete("harbour-dusk")):  # fmt: skip
        with pytest.raises(FileError):
            change()
    assert {"yours", "ours", "theirs", "harbour-dusk"} <= set(list_names())


def test_the_bin(home: Path) -> None:
    """What is deleted comes back as it was; where its name is taken again it stays in the bin."""
    text = save(mine(0.1)).read_text()
    delete("mine")
    assert "mine" not in list_names()
    save(mine(0.9))
    with pytest.raises(FileError, match="a voicing of that name is there again"):
        bring_back("mine")
    delete("mine")
    assert bring_back("mine").read_text() != text  # the one deleted last
    rename("mine", "Other")
    assert bring_back("mine").read_text() == text
    assert list_deleted() == []
    with pytest.raises(FileError, match="the bin holds no voicing 'mine'"):
        bring_back("mine")


def test_the_bin_is_bounded(home: Path) -> None:
    """The oldest go first."""
    for number in range(MOST_DELETED + 3):
        save(Voicing(name=f"Wave {number}"))
        delete(f"wave-{number}")
    assert len(list_deleted()) == MOST_DELETED


BUSY = """
import itertools
from voicer.library import load, save, known_text, save_known
from voicer.library.changes import delete, duplicate, rename
from voicer.library.deleted import bring_back
from voicer.errors import VoicerError
for number in itertools.count():
    for action in (lambda: save_known(load("mine").changed({"notes": str(number)}), "mine", known_text("mine")),
                   lambda: duplicate("mine", "Copy"), lambda: rename("copy", "Named"), lambda: delete("named"),
                   lambda: bring_back("named"), lambda: delete("named")):
        try:
            action()
        except VoicerError:
            pass
"""


def test_killed_at_any_moment_nothing_is_lost(home: Path) -> None:
    """Two processes change the library at once and are killed, again and again: every file can still be read."""
    save(mine())
    source = random.Random(3)
    for _ in range(40 if os.environ.get("VOICER_CAMPAIGN") == "long" else 6):
        both = [subprocess.Popen([sys.executable, "-c", BUSY]) for _ in range(2)]
        time.sleep(source.uniform(0.6, 1.1))
        for one in both:
            one.send_signal(signal.SIGKILL)
            one.wait()
        for name in list_names():
            load(name)
        for revision in list_revisions("mine"):
            assert revision.text().startswith("schema")
        for gone in list_deleted():
            assert gone.path.read_text().startswith("schema")
    assert "mine" in list_names()
