"""A lock between processes, for files that are read, changed and written back.

With `fcntl` (Linux, macOS) or `msvcrt` (Windows). Where a system or a file system has neither, the work is done
unlocked: of two changes made at the same instant one may then be lost; each file is still whole.
"""

from __future__ import annotations

import errno
import os
import time
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING

from voicer.errors import FileError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

PATIENCE_S = 10.0
"""Another process that holds a lock longer than this is stuck."""

_POLL_S = 0.01
_HELD = {errno.EACCES, errno.EAGAIN, errno.EDEADLK}


@contextmanager
def locked(path: str | os.PathLike[str]) -> Iterator[None]:
    """Keep every other process out of ``with locked(path)`` for the same file; hold it from the read to the write.

    Locks a file ``.NAME.lock`` beside it, which is removed at the end; the file itself need not exist, its folder
    must. Not reentrant.

    Raises
    ------
    FileError
        When another process keeps the lock for more than 10 s.
    """
    target = Path(os.path.realpath(path))
    beside = target.with_name(f".{target.name[:200]}.lock")
    handle = _acquired(beside, os.fspath(path))
    try:
        yield
    finally:
        if handle is not None:
            with suppress(OSError):  # while it is still ours; on Windows an open file cannot go
                beside.unlink()
            os.close(handle)


def _acquired(beside: Path, where: str) -> int | None:
    """A handle that holds the lock; None where nothing can be locked."""
    take = _system_lock()
    until_s = time.monotonic() + PATIENCE_S
    while take is not None:
        try:
            handle = os.open(beside, os.O_RDWR | os.O_CREAT, 0o600)
        except OSError as error:
            if error.errno not in _HELD or time.monotonic() > until_s:
                return None  # a folder that cannot be written: the write itself will say so
            time.sleep(_POLL_S)
            continue
        try:
            take(handle)
            if _leads_to(beside, handle):
                return handle
        except OSError as error:
            if error.errno not in _HELD:
                os.close(handle)
                return None
        os.close(handle)
        if time.monotonic() > until_s:
            raise FileError("the file is in use by another voicer", where=where, remedy="close it and try again")
        time.sleep(_POLL_S)
    return None


def _system_lock() -> Callable[[int], None] | None:
    """Take the lock of an open file or raise `OSError` at once; None where the system has no such call."""
    try:
        import fcntl
    except ImportError:
        pass
    else:
        return lambda handle: fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    try:
        import msvcrt
    except ImportError:
        return None
    return lambda handle: msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined,unused-ignore]


def _leads_to(path: Path, handle: int) -> bool:
    """Whether the name still leads to the open file: the holder before may have removed it."""
    with suppress(OSError):
        return os.path.samestat(os.stat(path), os.fstat(handle))
    return False
