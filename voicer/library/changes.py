"""Changes to the user's voicings that must not lose anything: saves in order, copies, other names, deletions."""

from __future__ import annotations

import re
from dataclasses import dataclass
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING

from voicer.errors import FileError, one_line
from voicer.files.file_lock import locked
from voicer.files.text_file import load_text, write_atomically
from voicer.library import deleted, home, revisions, shelf
from voicer.library.form import parse, to_text
from voicer.library.names import checked_name, slug

if TYPE_CHECKING:
    from voicer.voicing import Voicing

_NUMBER = re.compile(r" [0-9]{1,4}$")


@dataclass(frozen=True)
class Saved:
    """What a save did."""

    name: str
    """What the voicing is called up by now."""
    text: str
    """The file's text, to be known at the next save."""
    beside: bool
    """Whether it went into a file of its own, because the one meant had been changed by somebody else."""


def known_text(name: str) -> str | None:
    """Text of the file that a save under this name or path replaces; None where there is none that can be read."""
    try:
        if shelf.is_path(name):
            return load_text(name)
        own = shelf.entry(name)
        return None if own.shipped else load_text(str(own.path))
    except FileError:
        return None


def save_known(voicing: Voicing, name: str, known: str | None) -> Saved:
    """Save over a file only if its text is still the one that was loaded or saved last.

    Parameters
    ----------
    voicing : Voicing
    name : str
        Name in the library or path.
    known : str or None
        From `known_text` or an earlier `Saved`; None where there was no file of the user's.

    Returns
    -------
    Saved
        A file that was changed or made meanwhile is left as it is; the voicing then goes beside it under the next
        numbered name.
    """
    if shelf.is_path(name):
        return _save_path(voicing, name, known)
    folder = home.made(home.voicings_folder())
    with locked(folder / slug(name)):
        if known_text(name) == known:
            saved = shelf.save(voicing, name)
            return Saved(saved.stem, load_text(saved), beside=False)
        return _save_new(voicing, name)


def save_new(voicing: Voicing, name: str) -> tuple[Saved, Voicing]:
    """Save under the next numbered name: ``harbour-dusk 2`` with the title ``Harbour Dusk 2``."""
    title = numbered_title(voicing.name if slug(voicing.name) else name)
    voicing = voicing.changed({"name": title})
    path = shelf.save(voicing, title, replace=False)
    return Saved(path.stem, load_text(path), beside=False), voicing


def numbered_title(title: str) -> str:
    """The title with the lowest number from 2 that no voicing has."""
    base = _NUMBER.sub("", title)[:70]
    taken = {slug(one) for one in shelf.list_names()}
    return next(f"{base} {number}" for number in count(2) if slug(f"{base} {number}") not in taken)


def duplicate(name: str, new: str) -> Path:
    """Save a voicing's text, comments and all, under another name; `FileError` where that is taken."""
    shelf.check_save(new, replace=False)
    found = shelf.entry(name)
    text = found.path.read_text("utf-8")
    voicing = parse(text, str(found.path)).changed({"name": new})
    path = shelf.save(voicing, new, replace=False)
    write_atomically(path, to_text(voicing, text))
    return path


def rename(name: str, new: str) -> Path:
    """Give a voicing of the user's another name and title; its revisions go with it."""
    old = _own_path(name)
    if slug(checked_name(new)) == slug(old.stem):
        raise FileError(f"'{one_line(new)}' is its name already", remedy="choose another")
    earlier = revisions.revisions_folder(old.stem)
    path = duplicate(name, new)
    if earlier.is_dir() and not revisions.revisions_folder(path.stem).exists():
        earlier.rename(revisions.revisions_folder(path.stem))
    old.unlink()
    return path


def delete(name: str) -> deleted.Deleted:
    """Move a voicing of the user's to the bin."""
    return deleted.throw_away(_own_path(name))


def restore(name: str, number: int) -> Path:
    """Make a revision the voicing's text again; the present text becomes a revision."""
    found = revisions.find(shelf.entry(name).name, number)
    text = found.text()
    parse(text, str(found.path))
    path = home.made(home.voicings_folder()) / f"{shelf.entry(name).name}.toml"
    if path.exists():
        revisions.keep(path.stem, load_text(path), always=True)
    write_atomically(path, text)
    return path


def _own_path(name: str) -> Path:
    found = shelf.entry(name)
    if found.shipped:
        raise FileError(f"'{found.name}' is shipped and is never changed", remedy="duplicate it and change the copy")
    return Path(str(found.path))


def _save_new(voicing: Voicing, name: str) -> Saved:
    path = shelf.save(voicing, numbered_title(name.replace("-", " ")), replace=False)
    return Saved(path.stem, load_text(path), beside=True)


def _save_path(voicing: Voicing, name: str, known: str | None) -> Saved:
    path = Path(name)
    with locked(path):
        if known_text(name) == known:
            shelf.save_file(path, voicing)
            return Saved(name, load_text(path), beside=False)
        for number in count(2):
            other = path.with_name(f"{path.stem} {number}.toml")
            if not other.exists():
                shelf.save_file(other, voicing)
                return Saved(str(other), load_text(other), beside=True)
    raise AssertionError("unreachable")
