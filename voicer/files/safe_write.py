"""Where output may be written, and how it gets there: whole or not at all, and never over anything unasked.

One rule for every command that writes:

- a file that exists is replaced only with ``--overwrite``; one that already holds the same bytes is left alone;
- an output is never one of the inputs, under any name or link, not even with ``--overwrite``;
- a link to a file is followed and kept; a folder, device, pipe or socket is refused, and so is a read-only file.

A file is first written under a temporary name beside its target and onto the disk. Temporaries of killed runs are
removed by the next run in the same folder, once their process is gone.
"""

from __future__ import annotations

import errno
import os
import re
import secrets
import shutil
import stat
import time
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from voicer.errors import FileError

if TYPE_CHECKING:
    from collections.abc import Iterable

    FilePath = str | os.PathLike[str]

STALE_AFTER_S = {".tmp": 60.0, "": 86_400.0}
"""Age at which a temporary file, or a folder being filled, is an orphan whatever the number of its process says."""

_TEMPORARY = re.compile(r"\.(?:saving|writing)-(?:(\d+)-)?[0-9a-f]+(\.tmp|)")


def checked_target(path: FilePath, *, overwrite: bool = False, inputs: Iterable[FilePath] = ()) -> Path:
    """The file that output to ``path`` goes to, links followed; call it before long work.

    Parameters
    ----------
    path : path
        As the user gave it.
    overwrite : bool
        Whether an existing file may be replaced.
    inputs : paths
        Files being read; none of them may be the target.

    Raises
    ------
    FileError
        When the rule of this module forbids it, or the folder is missing or not writable.
    """
    where = os.fspath(path)
    try:
        target = Path(os.path.realpath(where))
        _check_folder(target.parent, where)
        if not os.path.lexists(target):
            target.stat()  # raises; a name that no file can have raises another error than one that is free
        info = target.stat()
    except FileNotFoundError:
        return target
    except FileError:
        raise
    except (OSError, ValueError) as error:
        raise not_written(where, error) from error
    if not stat.S_ISREG(info.st_mode):
        raise FileError(f"the output must be a regular file (got {kind_of(info.st_mode)})", where=where,
                        remedy="choose another name")
    for one in inputs:
        if is_same_file(one, target):
            raise FileError(f"the output must not be the input (got '{os.fspath(one)}' for both)", where=where,
                            remedy="choose another name")
    if not overwrite:
        raise already_exists(where)
    if not info.st_mode & 0o222 or not os.access(target, os.W_OK):
        raise FileError("the file must be writable to be replaced (it is read-only)", where=where,
                        remedy="make it writable or choose another name")
    return target


def write_bytes(
    path: FilePath, data: bytes | memoryview, *, overwrite: bool = False, inputs: Iterable[FilePath] = ()
) -> None:
    """Write a file so that a kill or a power cut leaves the old content or the new, whole.

    Raises
    ------
    FileError
        As `checked_target`, and when the disk does not take it; an existing file is then untouched.
    """
    target = checked_target(path, overwrite=overwrite, inputs=inputs)
    try:
        remove_leftovers(target.parent)
        temporary = target.parent / f"{temporary_name('saving')}.tmp"
        try:
            _write_to_disk(temporary, data, target)
            put_in_place(temporary, target, overwrite=overwrite)
        finally:
            with suppress(OSError):
                temporary.unlink(missing_ok=True)
        flush_folder(target.parent)
    except FileExistsError as error:
        raise already_exists(os.fspath(path)) from error
    except OSError as error:
        raise not_written(path, error) from error


def put_in_place(staged: Path, target: Path, *, overwrite: bool) -> None:
    """Give a finished file its name; without ``overwrite``, `FileExistsError` if the name was taken meanwhile.

    A file system without hard links cannot refuse at the very instant: there the name is only looked at just before.
    """
    if overwrite:
        os.replace(staged, target)
        return
    try:
        os.link(staged, target)
    except FileExistsError:
        raise
    except (OSError, NotImplementedError, AttributeError):
        if os.path.lexists(target):
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(target)) from None
        os.replace(staged, target)


def second_name(file: Path, name: Path) -> None:
    """Give a file another name that is free, or `FileExistsError`; a copy where the disk has no hard links."""
    try:
        os.link(file, name)
    except FileExistsError:
        raise
    except (OSError, NotImplementedError, AttributeError):
        with open(name, "xb"):  # takes the name, or raises
            pass
        try:
            shutil.copy2(file, name)
        except OSError:
            name.unlink(missing_ok=True)
            raise


def already_exists(where: str) -> FileError:
    """The refusal to replace a file unasked."""
    return FileError("the file already exists", where=where,
                     remedy="add --overwrite to replace it, or choose another name")


def not_written(path: FilePath, error: Exception) -> FileError:
    """The one line for what the system says against a write."""
    reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
    return FileError(f"the file cannot be written ({reason}); nothing was changed", where=os.fspath(path),
                     remedy="free some space or choose another folder")


def kind_of(mode: int) -> str:
    """What a path that is no regular file leads to, in words."""
    kinds = ((stat.S_ISDIR, "a folder"), (stat.S_ISFIFO, "a pipe"), (stat.S_ISSOCK, "a socket"))
    return next((words for is_one, words in kinds if is_one(mode)), "a device")


def is_same_file(one: FilePath, other: FilePath) -> bool:
    """Whether both lead to one file, by whatever names and links."""
    try:
        return os.path.samefile(one, other)
    except (OSError, ValueError):
        return False


def temporary_name(kind: str) -> str:
    """A name nobody else has, which `remove_leftovers` knows again."""
    return f".{kind}-{os.getpid()}-{secrets.token_hex(6)}"


def remove_leftovers(folder: Path) -> None:
    """Remove temporaries of killed runs; those of a running process stay."""
    for name in os.listdir(folder):
        found = _TEMPORARY.fullmatch(name)
        if not found:
            continue
        left = folder / name
        with suppress(OSError):
            old = time.time() - left.lstat().st_mtime > STALE_AFTER_S[found[2]]
            if old or (found[1] and _is_gone(int(found[1]))):
                shutil.rmtree(left) if found[2] == "" else left.unlink()


def flush_folder(folder: Path) -> None:
    """Put new names onto the disk; where a system cannot, a power cut may take back the last of them."""
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _check_folder(folder: Path, where: str) -> None:
    given = Path(where).parent
    shown = given if os.path.realpath(given) == str(folder) else folder
    if not folder.exists():
        raise FileError(f"the folder '{shown}' does not exist", where=where, remedy="create it first")
    if not folder.is_dir():
        raise FileError(f"'{shown}' must be a folder (it is a file)", where=where, remedy="choose another")
    if not os.access(folder, os.W_OK):
        raise FileError(f"the folder '{shown}' is not writable", where=where, remedy="choose another")


def _write_to_disk(temporary: Path, data: bytes | memoryview, target: Path) -> None:
    handle = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o666)
    with open(handle, "wb") as file:
        if target.exists():
            os.chmod(temporary, stat.S_IMODE(target.stat().st_mode))
        file.write(data)
        file.flush()
        os.fsync(file.fileno())


def _is_gone(process_id: int) -> bool:
    """Whether no process has that number; only asked where asking does no harm (on Windows it would kill)."""
    if os.name != "posix":
        return False
    try:
        os.kill(process_id, 0)
    except ProcessLookupError:
        return True
    except (OSError, OverflowError):
        return False
    return False
