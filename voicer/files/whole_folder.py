"""A folder of files written together: all of them or none."""

from __future__ import annotations

import os
import secrets
import shutil
from collections.abc import Callable
from pathlib import Path

from voicer.errors import FileError


def write_whole(folder: Path, write: Callable[[Path], list[str]]) -> list[Path]:
    """Let ``write`` fill an empty folder beside the old files; then move what it names into place.

    Parameters
    ----------
    folder : Path
        Made if need be. Older files of the same names are replaced only when all new ones are complete; others stay.
    write : callable
        Given the folder to write into; gives the names of the files.

    Returns
    -------
    list of Path
        What was written.

    Raises
    ------
    FileError
        When the folder cannot be made or written; it then holds what it held before.
    """
    new = next((part for part in [*reversed(folder.parents), folder] if not part.exists()), None)
    inside = folder / f".writing-{secrets.token_hex(4)}"
    try:
        inside.mkdir(parents=True)
        names = write(inside)
        if taken := [name for name in names if (folder / name).is_dir()]:
            raise FileError(f"{taken[0]} must be a file (it is a folder)", where=str(folder), remedy="choose another")
        for name in names:
            os.replace(inside / name, folder / name)
    except BaseException as error:
        shutil.rmtree(new or inside, ignore_errors=True)
        if isinstance(error, OSError) and not isinstance(error, FileError):
            raise _not_written(folder, error) from error
        raise
    shutil.rmtree(inside, ignore_errors=True)
    return [folder / name for name in names]


def _not_written(folder: Path, error: OSError) -> FileError:
    reason = error.strerror or str(error)
    return FileError(
        f"the folder must be writable ({reason})", where=str(folder), remedy="give a folder of your own with --out"
    )
