"""A folder of files written together: all of them or none."""

from __future__ import annotations

import filecmp
import shutil
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from voicer.errors import FileError
from voicer.files.safe_write import (
    already_exists,
    checked_target,
    flush_folder,
    put_in_place,
    remove_leftovers,
    second_name,
    temporary_name,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from voicer.files.safe_write import FilePath


def write_whole(
    folder: Path, write: Callable[[Path], list[str]], *, overwrite: bool = False, inputs: Iterable[FilePath] = (),
    expected: Iterable[str] = (),
) -> list[Path]:  # fmt: skip
    """Let ``write`` fill an empty folder beside the old files, then move what it names into place.

    Parameters
    ----------
    folder : Path
        Created if need be. Other files in it stay as they are.
    write : callable
        Given the folder to write into; returns the names of the files, such as ``A.wav`` or ``sheet/bom.csv``.
    overwrite : bool
        Whether existing files may be replaced. One that already holds the same bytes is left alone in any case.
    inputs : paths
        Files being read; none of them is ever replaced.
    expected : names
        Files known beforehand; they are checked before ``write`` does its work, as all are checked after it.

    Returns
    -------
    list of Path
        What was written.

    Raises
    ------
    FileError
        When the folder cannot be created or written, or a file is in the way (`safe_write`); the folder then holds
        what it held before. A kill between two moves, a matter of microseconds, may leave some files new and some old.
    """
    asked = _Asked(folder, overwrite, tuple(inputs))
    created = _create(folder)
    inside = folder / temporary_name("writing")
    try:
        for name in expected:
            asked.target(name)
        remove_leftovers(folder)
        inside.mkdir()
        names = write(inside)
        _move(inside, asked, [one for one in names if not _holds_the_same(inside / one, folder / one)], created)
    except BaseException as error:
        shutil.rmtree(inside, ignore_errors=True)
        _remove_empty(created)
        if isinstance(error, OSError) and not isinstance(error, FileError):
            raise _not_written(folder, error) from error
        raise
    shutil.rmtree(inside, ignore_errors=True)
    flush_folder(folder)
    return [folder / name for name in names]


@dataclass(frozen=True)
class _Asked:
    folder: Path
    overwrite: bool
    inputs: tuple[FilePath, ...]

    def target(self, name: str) -> Path:
        return checked_target(self.folder / name, overwrite=self.overwrite, inputs=self.inputs)


def _create(folder: Path) -> list[Path]:
    """Create the folder; the ones that had to be created, innermost first."""
    missing = [one for one in (folder, *folder.parents) if not one.exists()]
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except (OSError, ValueError) as error:
        _remove_empty(missing)
        raise _not_written(folder, error) from error
    return missing


def _remove_empty(folders: list[Path]) -> None:
    """Remove the folders, innermost first, that hold nothing; what others put into them meanwhile stays."""
    for folder in folders:
        with suppress(OSError):
            folder.rmdir()


def _move(inside: Path, asked: _Asked, names: list[str], created: list[Path]) -> None:
    """Move files into place; when one move fails, what was there before is put back.

    Folders made for them are put before those in ``created``.
    """
    for name in names:
        created[:0] = _create((asked.folder / name).parent)
    targets = {name: asked.target(name) for name in names}
    undo: list[Callable[[], None]] = []
    try:
        for number, (name, target) in enumerate(targets.items()):
            if target.exists():
                shutil.copymode(target, inside / name)
                backup = inside / f".old-{number}"
                second_name(target, backup)
                undo.append(partial(_bring, backup, target, overwrite=True))
                _bring(inside / name, target, overwrite=asked.overwrite)
            else:
                _bring(inside / name, target, overwrite=False)
                undo.append(target.unlink)
    except BaseException as error:
        for step in reversed(undo):
            with suppress(OSError):
                step()
        if isinstance(error, FileExistsError) and not isinstance(error, FileError):
            raise already_exists(str(target)) from error
        raise


def _bring(file: Path, target: Path, *, overwrite: bool) -> None:
    """Give a file its name, also on another disk, as behind a link."""
    near = file
    if file.stat().st_dev != target.parent.stat().st_dev:
        near = target.parent / f"{temporary_name('saving')}.tmp"
    try:
        if near is not file:
            shutil.copy2(file, near)
        put_in_place(near, target, overwrite=overwrite)
    finally:
        if near is not file:
            near.unlink(missing_ok=True)


def _holds_the_same(new: Path, old: Path) -> bool:
    return old.is_file() and filecmp.cmp(new, old, shallow=False)


def _not_written(folder: Path, error: OSError | ValueError) -> FileError:
    reason = getattr(error, "strerror", None) or str(error)
    return FileError(f"the folder cannot be written ({reason}); nothing was changed", where=str(folder),
                     remedy="choose another folder with --out")
