"""Earlier texts of the user's voicings, kept when a save replaces them: beside the library, not in it.

One folder a voicing, ``revisions/NAME``, one file a revision, named by the time (UTC) at which it was replaced. A
revision is called ``NAME@1`` (the latest), ``NAME@2`` … wherever a voicing is asked for.
"""

from __future__ import annotations

import re
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from voicer.errors import FileError
from voicer.files.file_lock import locked
from voicer.files.safe_write import write_bytes
from voicer.files.text_file import load_text
from voicer.library import home
from voicer.library.names import slug

MOST_REVISIONS = 200
"""Kept of one voicing; the oldest go first."""

MOST_BYTES = 4_000_000
"""Kept of one voicing in all."""

BURST = timedelta(seconds=1)
"""Saves that follow each other within this time keep one revision, the text before the first of them."""

_STAMP = "%Y%m%dT%H%M%S.%f"
_NUMBERED = re.compile(r"(?P<name>.+)@(?P<number>[0-9]{1,3})")


@dataclass(frozen=True)
class Revision:
    """One earlier text."""

    number: int
    """1 for the latest."""
    replaced: datetime
    """When a save replaced it."""
    path: Path

    def text(self) -> str:
        """The text."""
        return load_text(self.path)


def revisions_folder(name: str) -> Path:
    """Folder of a voicing's revisions; it need not exist."""
    return home.home_folder() / "revisions" / slug(name)


def list_revisions(name: str) -> list[Revision]:
    """The revisions of a voicing of the user's, the latest first."""
    found = [(when, path) for path in _files(revisions_folder(name)) if (when := _time_of(path)) is not None]
    found.sort(reverse=True)
    return [Revision(number, when, path) for number, (when, path) in enumerate(found, 1)]


def keep(name: str, text: str, now: datetime | None = None, *, always: bool = False) -> None:
    """Keep the text that a save is about to replace; `FileError` when the disk does not take it.

    Of saves in a burst the text before the first is kept, unless ``always``. A text that is the latest revision
    already is not kept twice.
    """
    now = datetime.now(UTC) if now is None else now
    folder = home.made(revisions_folder(name))
    with locked(folder / "revisions"):
        known = list_revisions(name)
        is_burst = bool(known) and abs(now - known[0].replaced) < BURST and not always
        if is_burst or (known and known[0].text() == text):
            return
        path = folder / f"{now.strftime(_STAMP)}.toml"
        write_bytes(path, text.encode())
        _prune(name)


def numbered(wanted: str) -> tuple[str, int] | None:
    """Name and number of ``NAME@3``; None for anything else."""
    match = _NUMBERED.fullmatch(wanted)
    return (match["name"], int(match["number"])) if match else None


def find(name: str, number: int) -> Revision:
    """A revision by its number; `FileError` if there is none."""
    known = list_revisions(name)
    if not 1 <= number <= len(known):
        remedy = f"there are {len(known)}: voicer voicings --history {name}" if known else "it has never been replaced"
        raise FileError(f"'{name}' has no revision {number}", remedy=remedy)
    return known[number - 1]


def _prune(name: str) -> None:
    size = 0
    for revision in list_revisions(name):
        with suppress(OSError):
            size += revision.path.stat().st_size
            if revision.number > MOST_REVISIONS or size > MOST_BYTES:
                revision.path.unlink()


def _files(folder: Path) -> list[Path]:
    with suppress(OSError):
        return [path for path in folder.iterdir() if path.suffix == ".toml" and not path.name.startswith(".")]
    return []


def _time_of(path: Path) -> datetime | None:
    with suppress(ValueError):
        return datetime.strptime(path.stem, _STAMP).replace(tzinfo=UTC)
    return None
