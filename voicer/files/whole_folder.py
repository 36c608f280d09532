"""A folder of files written together: all of them or none."""

from __future__ import annotations

import filecmp
import os
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


def check_free(
    folder: Path, names: Iterable[str], *, overwrite: bool = False, inputs: Iterable[FilePath] = ()
) -> None:
    """Raise the `FileError` that `write_whole` would raise for these names; call it before long work."""
    asked = _Asked(folder, overwrite, tuple(inputs))
    if folder.is_dir():
        for name in names:
            asked.target(name)


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
        what it held before. A kill between two renames may leave some files new and some old, each of them whole.
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

    Folders created for them are put before those in ``created``. All that takes time comes first, so that the moves
    are nothing but renames.
    """
    for name in names:
        created[:0] = _create((asked.folder / name).parent)
    moves: list[tuple[Path, Path, Path | None]] = []
    undo: list[Callable[[], object]] = []
    near: list[Path] = []
    try:
        for number, name in enumerate(names):
            target = asked.target(name)
            moves.append(_prepared(inside / name, target, inside / f".old-{number}", near))
        for file, target, backup in moves:
            put_in_place(file, target, overwrite=backup is not None)
            undo.append(target.unlink if backup is None else partial(os.replace, backup, target))
    except BaseException as error:
        for step in reversed(undo):
            with suppress(OSError):
                step()
        if isinstance(error, FileExistsError) and not isinstance(error, FileError):
            raise already_exists(str(target)) from error
        raise
    finally:
        for file in near:
            file.unlink(missing_ok=True)


def _prepared(file: Path, target: Path, backup: Path, near: list[Path]) -> tuple[Path, Path, Path | None]:
    """A file on the disk of its target, the target, and a second name of the old file, if there is one.

    On another disk, as behind a link, both are beside the target and added to ``near``.
    """
    if file.stat().st_dev != target.parent.stat().st_dev:
        file = Path(shutil.copy2(file, _beside(target, near)))
        backup = _beside(target, near)
    if not target.exists():
        return file, target, None
    shutil.copymode(target, file)
    second_name(target, backup)
    return file, target, backup


def _beside(target: Path, near: list[Path]) -> Path:
    near.append(target.parent / f"{temporary_name('saving')}.tmp")
    return near[-1]


def _holds_the_same(new: Path, old: Path) -> bool:
    return old.is_file() and filecmp.cmp(new, old, shallow=False)


def _not_written(folder: Path, error: OSError | ValueError) -> FileError:
    reason = getattr(error, "strerror", None) or str(error)
    return FileError(f"the folder cannot be written ({reason}); nothing was changed", where=str(folder),
                     remedy="choose another folder with --out")
