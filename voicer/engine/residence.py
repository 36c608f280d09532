"""Keeping the engine's memory resident: what sound has touched once must not be fetched from a disk while it plays.

Pages are locked as they are touched, after the kernels are loaded and warm: libraries map far more than they use, and
locking all of it made an engine of 840 MB.
"""

from __future__ import annotations

import ctypes
import os
from pathlib import Path

_CURRENT, _FUTURE, _ON_FAULT = 1, 2, 4
"""Of Linux's ``mlockall`` (``linux/mman.h``), the same on x86 and ARM; ``_ON_FAULT`` since Linux 4.4."""

MEGABYTE = 1 << 20


def stay_in_memory() -> str:
    """Give back what is free, and lock every page that is in use now or later. Thread: control (engine), warm.

    Returns
    -------
    str
        Empty when it is locked, else one line of why not and what is lost.
    """
    lost = "after a pause or when memory is short, the first notes may break up"
    try:
        library = ctypes.CDLL(None, use_errno=True)
        if hasattr(library, "malloc_trim"):
            library.malloc_trim(0)
        lock = library.mlockall
    except (OSError, TypeError, AttributeError):
        return f"this system cannot lock the engine's memory: {lost}"
    if lock(_CURRENT | _FUTURE | _ON_FAULT) == 0:
        return ""
    reason = os.strerror(ctypes.get_errno()).lower()
    return f"the engine's memory is not locked ({reason}): {lost}; raise the memlock limit for your user"


def resident_mb(pid: int | None = None) -> float | None:
    """A process's share of resident memory in MB (Pss), JACK's mappings left out; None where Linux's /proc is missing.

    Thread: control.
    """
    try:
        text = Path(f"/proc/{pid or 'self'}/smaps").read_text()
    except OSError:
        return None
    total, counts = 0, True
    for line in text.splitlines():
        first, *rest = line.split()
        if not first.endswith(":"):  # a mapping begins: addresses, rights, offset, device, inode, path
            counts = "jack" not in " ".join(rest[4:])
        elif first == "Pss:" and counts:
            total += int(rest[0])
    return total * 1024 / MEGABYTE
