"""Memory shared by file descriptor: it has no name that others could open, and is gone when its last holder is.

On Linux it is a `memfd_create` file. Elsewhere it is a private temporary file (mode 0600) whose name is removed before
anything is written; what is lost there: its pages belong to a disk, and writing them back may take the system's time.
Windows cannot remove the name of an open file: there the system removes it with the last handle. The Windows branch
has not been run on a Windows machine.

A descriptor is handed to a child process with ``subprocess.Popen(..., **inheritance(ticket, ...))``; the child gets
the same number as its ticket and opens it with `opened`.
"""

from __future__ import annotations

import mmap
import os
import tempfile
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:  # numpy is imported when samples pass: the parent of a session needs descriptors only
    import numpy as np
    from numpy.typing import NDArray

_ON_WINDOWS = os.name == "nt"


def create_memory(name: str, size: int) -> int:
    """Descriptor of fresh, zeroed memory of ``size`` bytes; ``name`` is only seen in the system's process listings."""
    descriptor = _unnamed(name)
    reserve_memory(descriptor, size)
    return descriptor


def ticket(descriptor: int) -> int:
    """The number by which a child process reaches this memory: the descriptor, on Windows its handle."""
    if _ON_WINDOWS:
        import msvcrt

        os.set_inheritable(descriptor, True)
        return msvcrt.get_osfhandle(descriptor)  # type: ignore[attr-defined,no-any-return]
    return descriptor


def opened(number: int) -> int:
    """Descriptor of the memory behind a ticket, in the process that was given it."""
    if _ON_WINDOWS:
        import msvcrt

        return msvcrt.open_osfhandle(number, os.O_RDWR)  # type: ignore[attr-defined,no-any-return]
    return number


def inheritance(*tickets: int) -> dict[str, Any]:
    """Keyword arguments for `subprocess.Popen` that let the child have these tickets."""
    return {"close_fds": False} if _ON_WINDOWS else {"pass_fds": tickets}


def write_samples(descriptor: int, samples: NDArray[np.float32]) -> None:
    """Replace what the memory holds with float32 samples; `OSError` when there is no room. Thread: control."""
    os.ftruncate(descriptor, 0)
    reserve_memory(descriptor, 4 * samples.size)
    if samples.size:
        with mmap.mmap(descriptor, 4 * samples.size) as memory:
            memory[:] = samples.astype("float32").tobytes()


def read_samples(descriptor: int) -> NDArray[np.float32]:
    """A copy of the samples the memory holds [shape=(frames,)]. Thread: control."""
    import numpy as np

    size = os.fstat(descriptor).st_size
    if not size:
        return np.zeros(0, np.float32)
    with mmap.mmap(descriptor, size, access=mmap.ACCESS_READ) as memory:
        return np.frombuffer(memory[:], np.float32)


def reserve_memory(descriptor: int, size: int) -> None:
    """Make room now: memory that turns out not to be there on first touch would end the process."""
    os.ftruncate(descriptor, size)
    if size and hasattr(os, "posix_fallocate"):
        os.posix_fallocate(descriptor, 0, size)


def _unnamed(name: str) -> int:
    if hasattr(os, "memfd_create"):
        try:
            return os.memfd_create(name)
        except OSError:  # a kernel or a sandbox without it
            pass
    if _ON_WINDOWS:
        handle, path = tempfile.mkstemp(prefix="voicer-")
        os.close(handle)
        return os.open(path, os.O_RDWR | os.O_TEMPORARY | os.O_BINARY)  # type: ignore[attr-defined]
    handle, path = tempfile.mkstemp(prefix="voicer-")
    os.unlink(path)
    return handle
