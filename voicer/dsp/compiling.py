"""Whether kernels are being compiled: a cached kernel loads in a moment, a compilation takes seconds."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from numba.core import event


class _Listener(event.Listener):
    def __init__(self, tell: Callable[[], None]) -> None:
        self._tell: Callable[[], None] | None = tell

    def on_start(self, _event: Any) -> None:
        if self._tell is not None:
            tell, self._tell = self._tell, None
            tell()

    def on_end(self, _event: Any) -> None:
        """Nothing to do."""


def tell_compiling(tell: Callable[[], None]) -> None:
    """Call ``tell`` once, when the first kernel is compiled; never when all are in the cache. Thread: control."""
    event.register("numba:compile", _Listener(tell))  # type: ignore[no-untyped-call]
