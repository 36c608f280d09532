"""What `voicer voicings` does with its options: revisions, other names, copies, the bin."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from voicer import library
from voicer.cli.common import print_columns, print_json, say
from voicer.errors import FileError, one_line
from voicer.library import changes, deleted, revisions
from voicer.library.form import parse
from voicer.voicing import parameters


def list_history(name: str, as_json: bool) -> None:
    """The revisions of a voicing, the latest first, each with what the save after it changed."""
    entry = library.entry(name)
    found, after = revisions.list_revisions(entry.name), library.load(name)
    rows, data = [("revision", "replaced (UTC)", "changed by that save")], []
    for revision in found:
        before = parse(revision.text(), str(revision.path))
        changed = [key for key in parameters() if before.get(key) != after.get(key)]
        after = before
        when = f"{revision.replaced:%Y-%m-%d %H:%M:%S}"
        rows.append((f"{entry.name}@{revision.number}", when, ", ".join(changed) or "comments only"))
        data.append({"name": f"{entry.name}@{revision.number}", "replaced": revision.replaced.isoformat(),
                     "changed": changed})  # fmt: skip
    if as_json:
        print_json(data)
    elif found:
        print_columns(rows)
    else:
        say(f"'{entry.name}' has no revisions: no save has replaced it")


def restore(wanted: str, _as_json: bool) -> None:
    """Make a revision the voicing's text again."""
    numbered = revisions.numbered(wanted)
    if numbered is None:
        raise FileError(f"restore takes NAME@N (got '{one_line(wanted)}')", remedy="see voicer voicings --history NAME")
    path = changes.restore(*numbered)
    say(f"{path}: is revision {numbered[1]} again; the text it had is a revision now")


def rename(names: tuple[str, str], _as_json: bool) -> None:
    """Give a voicing another name."""
    say(f"{changes.rename(*names)}: renamed")


def duplicate(names: tuple[str, str], _as_json: bool) -> None:
    """Save a copy under another name."""
    say(f"{changes.duplicate(*names)}: a copy of '{names[0]}'")


def delete(name: str, _as_json: bool) -> None:
    """Move a voicing to the bin."""
    gone = changes.delete(name)
    say(f"'{gone.name}' is in the bin; voicer voicings --bring-back {gone.name} takes it out again")


def list_bin(_asked: bool, as_json: bool) -> None:
    """What is in the bin."""
    found = deleted.list_deleted()
    if as_json:
        print_json([{"name": one.name, "deleted": one.deleted.isoformat()} for one in found])
    elif found:
        print_columns([("name", "deleted (UTC)"), *((one.name, f"{one.deleted:%Y-%m-%d %H:%M:%S}") for one in found)])
    else:
        say("the bin is empty")


def bring_back(name: str, _as_json: bool) -> None:
    """Take a voicing out of the bin."""
    say(f"{deleted.bring_back(name)}: is back")


CHANGES: dict[str, Callable[[Any, bool], None]] = {
    change.__name__: change for change in (list_history, restore, rename, duplicate, delete, list_bin, bring_back)
}
"""What is done for each option: it takes what was given and whether JSON is wanted."""
