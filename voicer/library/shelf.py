"""Voicings on disk, by name: list, load and save them; the user's own take precedence over the shipped ones."""

from __future__ import annotations

import os
from dataclasses import dataclass
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING

from voicer.errors import FileError, did_you_mean, one_line
from voicer.files.resources import presets
from voicer.files.safe_write import checked_target, not_written, second_name, write_bytes
from voicer.files.text_file import load_text, write_atomically
from voicer.files.toml_plain import read_plain
from voicer.library import home, revisions
from voicer.library.form import parse, to_text
from voicer.library.names import checked_name, slug, slug_to_save_under
from voicer.library.slots import read_slots, shipped_slots

if TYPE_CHECKING:
    from importlib.resources.abc import Traversable

    from voicer.voicing import Voicing


_LONGEST_GUESS = 60
"""Characters of a wrong name that are compared with the right ones."""


@dataclass(frozen=True)
class Entry:
    """One voicing of the library, as lists show it."""

    name: str
    """What `load` and the commands take."""
    title: str
    """Name inside the file; that of the file when it is broken."""
    notes: str
    path: Traversable
    shipped: bool
    slot: int | None
    """Lowest program number that calls it up."""
    error: str | None
    """The one line of what is wrong with a broken file, else None."""
    shadows_shipped: bool
    """Whether it is the user's and is played instead of a shipped voicing of the same name."""


@dataclass(frozen=True)
class _Source:
    name: str
    path: Traversable
    shipped: bool

    @property
    def where(self) -> str:
        return f"presets/{self.path.name}" if self.shipped else str(self.path)

    def text(self) -> str:
        return self.path.read_text("utf-8") if self.shipped else load_text(str(self.path))

    def read(self) -> Voicing:
        return parse(self.text(), self.where)

    def told(self) -> tuple[str, str]:
        """Title and notes; the user's files are checked for it, the shipped ones are as the tests left them."""
        if self.shipped:
            plain = read_plain(self.text(), where=self.where)
            return str(plain["name"]), str(plain["notes"])
        voicing = self.read()
        return voicing.name, voicing.notes


def load(name_or_path: str | os.PathLike[str]) -> Voicing:
    """Load a voicing by name, title or path.

    Parameters
    ----------
    name_or_path : str or path
        A name (``harbour-dusk``) or title (``Harbour Dusk``), in either case of letters, is looked for
        among the user's own voicings and then among the shipped ones. ``harbour-dusk@2`` is its second latest
        revision. What holds a path separator or ends in ``.toml`` is a path.

    Raises
    ------
    FileError
        When there is no such voicing (the nearest name is offered) or its file is wrong.
    """
    name = os.fspath(name_or_path)
    if is_path(name_or_path):
        return parse(load_text(name), name)
    if (revision := _revision(name)) is not None:
        return parse(revision.text(), f"{name} ({revision.path})")
    return _find(name).read()


def _revision(name: str) -> revisions.Revision | None:
    """The revision that ``NAME@2`` stands for; None for a name without a number."""
    wanted = revisions.numbered(name)
    return revisions.find(_find(wanted[0]).name, wanted[1]) if wanted else None


def listing() -> list[Entry]:
    """All voicings, in the order that next and previous step through them.

    The shipped ones come first, in the order of their slots, then the user's own by name. A voicing of the user's
    that is played instead of a shipped one takes its place in the list, so that saving moves no other. A broken file
    is listed with its error and hides no other.
    """
    assigned, shipped = _assigned(), {source.name for source in _shipped()}
    return [_entry(source, assigned, shipped) for source in _listed()]


def entry(name: str) -> Entry:
    """The entry of one voicing, by name or title; a revision's is that of its voicing."""
    wanted = revisions.numbered(name)
    return _entry(_find(wanted[0] if wanted else name), _assigned(), {source.name for source in _shipped()})


def save(voicing: Voicing, name: str | None = None, *, replace: bool = True) -> Path:
    """Save into the user's folder, whole or not at all; comments of an existing file are kept.

    Parameters
    ----------
    voicing : Voicing
        What the file will read back as, exactly; its title is not changed by ``name``.
    name : str, optional
        What the voicing is to be called up by; by default its title. Of several files that this name fits, the one
        that is spelt exactly so is replaced.
    replace : bool
        Whether a voicing of the user's with that name may be replaced. A shipped one never is: the
        user's is then played instead of it, and `entry` and `listing` say so (``shadows_shipped``).

    Returns
    -------
    Path
        The file. An existing one that could not be read is kept beside it with ``.broken`` added to its name.

    Raises
    ------
    FileError
        For a name no file may have, one that is taken, or a disk that does not take it.
    """
    path, exists = _place(voicing.name if name is None else checked_name(name))
    if exists and not replace:
        raise _taken(path)
    if exists:
        _replace(path, voicing)
    else:
        home.made(path.parent)
        write_bytes(path, to_text(voicing).encode(), overwrite=replace)
    return path


def check_save(name: str, *, replace: bool) -> None:
    """Raise the `FileError` that `save` would raise for this name; call it before long work."""
    path, exists = _place(checked_name(name))
    if exists and not replace:
        raise _taken(path)


def _place(name: str) -> tuple[Path, bool]:
    """The file a voicing of that name is saved to, and whether it exists."""
    wanted = slug_to_save_under(name)
    existing = [Path(str(own.path)) for own in _own() if slug(own.name) == wanted]
    if not existing:
        return home.voicings_folder() / f"{wanted}.toml", False
    return next((one for exact in (name, wanted) for one in existing if one.stem == exact), existing[0]), True


def _taken(path: Path) -> FileError:
    return FileError(f"you already have a voicing of that name ({path})",
                     remedy="choose another name, or add --overwrite to replace it")


def save_file(path: str | os.PathLike[str], voicing: Voicing) -> None:
    """Save over the file that a voicing was loaded from by its path, its comments kept; `FileError` if refused."""
    target = Path(path)
    if target.exists():
        _replace(target, voicing)
    else:
        write_atomically(target, to_text(voicing))


def list_names() -> list[str]:
    """Every name `load` takes, in the order of `listing`."""
    return [source.name for source in _listed()]


def _listed() -> list[_Source]:
    own, shipped = _own(), _shipped()
    found = [[mine for mine in own if slug(mine.name) == source.name] or [source] for source in shipped]
    taken = {source.name for source in shipped}
    return [source for sources in found for source in sources] + [one for one in own if slug(one.name) not in taken]


def _replace(path: Path, voicing: Voicing) -> None:
    """Save over a file, its comments kept; one that cannot be read as a voicing is kept beside it."""
    checked_target(path, overwrite=True)
    old = ""
    try:
        old = load_text(path)
        text, aside = to_text(voicing, old), None
    except FileError:
        text, aside = to_text(voicing), _keep_aside(Path(os.path.realpath(path)))
    if aside is None and text != old and path.parent == home.voicings_folder():
        try:
            revisions.keep(path.stem, old)
        except FileError as error:
            raise not_written(path, error.__cause__ if isinstance(error.__cause__, OSError) else error) from error
    try:
        write_atomically(path, text)
    except FileError:
        if aside is not None:
            aside.unlink(missing_ok=True)
        raise


def _keep_aside(broken: Path) -> Path:
    """Give a broken file a second name that no file has: ``.broken``, ``.broken-2`` and so on behind its own."""
    for number in count(1):
        aside = broken.with_name(f"{broken.name}.broken" + (f"-{number}" if number > 1 else ""))
        try:
            second_name(broken, aside)
        except FileExistsError:
            continue
        except OSError as error:
            what = f"a copy of the unreadable file cannot be kept ({error.strerror}); nothing was changed"
            raise FileError(what, where=str(broken), remedy="free some space or move the file away") from error
        return aside
    raise AssertionError("unreachable")


def is_path(name_or_path: str | os.PathLike[str]) -> bool:
    """Whether `load` takes it as a path and not as a name."""
    if not isinstance(name_or_path, str):
        return True
    separators = {"/", os.sep, os.altsep} - {None}
    return name_or_path.endswith(".toml") or any(mark in name_or_path for mark in separators if mark)


def _find(name: str) -> _Source:
    """Find by name, then by the title inside the user's files (a shipped file's name is its title's slug)."""
    own, shipped, wanted = _own(), _shipped(), slug(name)
    named = [source for source in own if source.name == name]
    named += [source for source in own + shipped if wanted and slug(source.name) == wanted]
    if named:
        return named[0]
    titled = [source for source in own if _title(source).casefold() == name.casefold()]
    if len(titled) > 1:
        both = ", ".join(source.name for source in titled)
        raise FileError(f"the title must belong to one voicing (got '{one_line(name)}', the title of {both})",
                        remedy="use the name instead")
    if not titled:
        raise FileError(f"the voicing must be a known name or a path (got '{one_line(name)}')",
                        remedy=did_you_mean(wanted[:_LONGEST_GUESS], list_names()))
    return titled[0]


def _title(source: _Source) -> str:
    try:
        return source.read().name
    except FileError:
        return source.name


def _own() -> list[_Source]:
    folder = home.voicings_folder()
    try:
        files = sorted(path for path in folder.iterdir() if path.suffix == ".toml")
    except FileNotFoundError:
        return []
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise FileError(f"the folder cannot be read ({reason})", where=str(folder),
                        remedy="set VOICER_HOME to another folder") from error
    return [_Source(path.stem, path, shipped=False) for path in files if not path.name.startswith(".")]


def _shipped() -> list[_Source]:
    """The shipped voicings in the order of their slots, then by name."""
    order = {name: place for place, name in enumerate(shipped_slots().values())}
    found = [
        _Source(path.name.removesuffix(".toml"), path, shipped=True)
        for path in presets().iterdir()
        if path.name.endswith(".toml") and path.name != "slots.toml"
    ]
    return sorted(found, key=lambda source: (order.get(source.name, len(order)), source.name))


def _entry(source: _Source, assigned: dict[int, str], shipped: set[str]) -> Entry:
    title, notes, error = source.name, "", None
    try:
        title, notes = source.told()
    except FileError as wrong:
        error = str(wrong)
    wanted = slug(source.name)
    slot = next((number for number, name in assigned.items() if slug(name) == wanted), None)
    shadows = not source.shipped and wanted in shipped
    return Entry(source.name, title, notes, source.path, source.shipped, slot, error, shadows)


def _assigned() -> dict[int, str]:
    """The slots; the shipped ones when the user's file is broken, which `recall` then says."""
    try:
        return read_slots()
    except FileError:
        return shipped_slots()
