"""Text files read and written whole: a save is the old file or the new one, whatever happens in between."""

from __future__ import annotations

import os
import re
import secrets
import stat
import time
from contextlib import suppress
from pathlib import Path
from typing import NoReturn

from voicer.errors import FileError, one_line

LARGEST_BYTES = 1_000_000
"""A text file above this is refused: no voicing or controller map comes near it."""

STALE_AFTER_S = 60.0
"""A temporary file older than this was left by a killed save, whoever wrote it."""

_TEMPORARY = re.compile(r"\.saving-(\d+)-[0-9a-f]+\.tmp")


def load_text(path: str | os.PathLike[str]) -> str:
    """Text of a UTF-8 file; `FileError` if it is absent, a folder, unreadable, too long or not text."""
    where = os.fspath(path)
    try:
        data = _bytes_of_a_file(where)
        return data.decode("utf-8-sig")
    except FileError:
        raise
    except FileNotFoundError as error:
        raise FileError("no such file", where=where, remedy="check the path") from error
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        what = f"the file must be UTF-8 text (got byte 0x{data[error.start]:02x})"
        raise FileError(what, where=f"{where}:{line}", remedy="save it as UTF-8") from error
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise FileError(f"the file must be readable ({reason})", where=one_line(where),
                        remedy="check the path and its permissions") from error


def _bytes_of_a_file(where: str) -> bytes:
    mode = os.stat(where).st_mode
    if not stat.S_ISREG(mode):
        kind = "a folder" if stat.S_ISDIR(mode) else "a device or pipe"
        raise FileError(f"the path must be a file (it is {kind})", where=where, remedy="give a file")
    with open(where, "rb") as file:
        data = file.read(LARGEST_BYTES + 1)
    if len(data) > LARGEST_BYTES:
        raise FileError(f"the file must be at most {LARGEST_BYTES // 1000} kB (it is longer)", where=where,
                        remedy="give a text file of voicer")
    return data


def write_atomically(path: str | os.PathLike[str], text: str) -> None:
    """Write a file so that a kill or a power cut leaves the old text or the new one, whole.

    The text goes into a temporary file beside the target, onto the disk, and then takes the target's name.
    Temporaries left by killed saves are removed on the way. A symbolic link is followed and kept.

    Raises
    ------
    FileError
        When the folder is absent or not writable or the disk is full; the old file is untouched.
    """
    try:
        target = Path(os.path.realpath(path))
        data = text.encode()
        _remove_stale_temporaries(target.parent)
        temporary = target.parent / f".saving-{os.getpid()}-{secrets.token_hex(6)}.tmp"
        try:
            _write_to_disk(temporary, data, target)
            os.replace(temporary, target)
        except BaseException:
            with suppress(OSError):
                temporary.unlink(missing_ok=True)
            raise
        _flush_folder(target.parent)
    except (OSError, ValueError) as error:
        _not_written(path, error)


def _not_written(path: str | os.PathLike[str], error: Exception) -> NoReturn:
    reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
    raise FileError(
        f"the file must be writable ({reason}); nothing was changed",
        where=one_line(os.fspath(path)),
        remedy="free some space or give another folder",
    ) from error


def _write_to_disk(temporary: Path, data: bytes, target: Path) -> None:
    handle = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o666)
    with open(handle, "wb") as file:
        if target.exists():
            os.chmod(temporary, stat.S_IMODE(target.stat().st_mode))
        file.write(data)
        file.flush()
        os.fsync(file.fileno())


def _flush_folder(folder: Path) -> None:
    """Put the new name on the disk; file systems and systems that cannot do it for a folder are let be."""
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _remove_stale_temporaries(folder: Path) -> None:
    for name in os.listdir(folder):
        found = _TEMPORARY.fullmatch(name)
        if found:
            with suppress(OSError):
                left = folder / name
                if _is_gone(int(found[1])) or time.time() - left.stat().st_mtime > STALE_AFTER_S:
                    left.unlink()


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
