"""Voicings that were deleted, until they are called back or pushed out by later ones."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from voicer.errors import FileError, did_you_mean, one_line
from voicer.files.file_lock import locked
from voicer.files.safe_write import write_bytes
from voicer.files.text_file import load_text
from voicer.library import home
from voicer.library.names import slug

MOST_DELETED = 100
"""Kept; the oldest go first."""

_STAMP = "%Y%m%dT%H%M%S.%f"


@dataclass(frozen=True)
class Deleted:
    """One deleted voicing."""

    name: str
    deleted: datetime
    path: Path


def bin_folder() -> Path:
    """Folder of the deleted voicings; it need not exist."""
    return home.home_folder() / "bin"


def list_deleted() -> list[Deleted]:
    """The deleted voicings, the latest first."""
    found = []
    with suppress(OSError):
        for path in bin_folder().iterdir():
            name, _, stamp = path.stem.rpartition("@")
            with suppress(ValueError):
                found.append(Deleted(name, datetime.strptime(stamp, _STAMP).replace(tzinfo=UTC), path))
    return sorted(found, key=lambda one: one.deleted, reverse=True)


def throw_away(path: Path) -> Deleted:
    """Move a voicing's file into the bin: written there first, then removed here."""
    now = datetime.now(UTC)
    folder = home.made(bin_folder())
    with locked(folder / "bin"):
        aside = folder / f"{path.stem}@{now.strftime(_STAMP)}.toml"
        write_bytes(aside, load_text(path).encode())
        try:
            path.unlink()
        except OSError as error:
            aside.unlink(missing_ok=True)
            raise FileError(f"the file cannot be deleted ({error.strerror})", where=str(path),
                            remedy="check its permissions") from error
        for old in list_deleted()[MOST_DELETED:]:
            old.path.unlink(missing_ok=True)
    return Deleted(path.stem, now, aside)


def bring_back(name: str) -> Path:
    """Put the voicing of that name that was deleted last where it was; `FileError` where that name is taken."""
    folder = home.made(bin_folder())
    with locked(folder / "bin"):
        there = list_deleted()
        found = next((one for one in there if slug(one.name) == slug(name)), None)
        if found is None:
            remedy = did_you_mean(name, [one.name for one in there]) if there else "it is empty"
            raise FileError(f"the bin holds no voicing '{one_line(name)}'", remedy=remedy)
        target = home.made(home.voicings_folder()) / f"{found.name}.toml"
        if target.exists():
            raise FileError(f"a voicing of that name is there again ({target})", remedy="rename it first")
        write_bytes(target, load_text(found.path).encode())
        found.path.unlink(missing_ok=True)
    return target
