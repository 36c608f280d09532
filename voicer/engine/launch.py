"""Engine processes: starting them, talking to them a line at a time, noticing their end. Imports nothing heavy.

An engine runs ``python -P -m voicer.engine.process``, without the modules of the working folder, in a session of its
own, so that Ctrl-C does not reach it. Its standard input carries `process`'s commands, its standard output tells
events, one JSON object a line. It holds the shared memory behind `Engines.link` and `Engines.loop` by inherited
descriptors.
"""

from __future__ import annotations

import json
import os
import queue
import subprocess
import sys
import threading
from contextlib import suppress
from typing import Any, Protocol

from voicer.engine.memory import create_memory, inheritance, ticket

Event = dict[str, Any]
"""What an engine told, with its number under ``engine``; ``ended`` with its exit code comes last."""


ONE_THREAD = {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "MKL_NUM_THREADS": "1", "NUMBA_NUM_THREADS": "1"}
"""Environment of an engine: libraries that would start a thread for each core, with memory for each."""


class Engines(Protocol):
    """A place where engine processes are kept: this process, or the parent that outlives it."""

    link: int
    """Ticket of the link's memory."""
    loop: int
    """Ticket of the recording's memory."""
    ring: int
    """Ticket of the memory that keeps what was just played."""
    events: queue.SimpleQueue[Event]

    @property
    def is_gone(self) -> bool:
        """Whether the process that keeps the engines has ended, so that none can be started any more."""

    def start(self, number: int) -> None:
        """Start an engine under a number of the caller's choice."""

    def tell(self, number: int, line: str) -> None:
        """Send it a command; one that is gone is no error, its end is told as an event."""

    def kill(self, number: int) -> None:
        """End it at once, however it hangs."""


class EngineProcess:
    """One engine process and the thread that collects what it tells."""

    def __init__(self, number: int, tickets: tuple[int, ...], events: queue.SimpleQueue[Event]) -> None:
        self.number, self._events = number, events
        self._process = subprocess.Popen(
            [sys.executable, "-P", "-m", "voicer.engine.process"],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, start_new_session=True,
            env={**os.environ, **ONE_THREAD}, **inheritance(*tickets),
        )  # fmt: skip
        self.pid = self._process.pid
        threading.Thread(target=self._listen, daemon=True, name=f"engine-{number}").start()

    def tell(self, line: str) -> None:
        """Send a command."""
        assert self._process.stdin is not None  # noqa: S101
        with suppress(OSError, ValueError):
            self._process.stdin.write(line + "\n")
            self._process.stdin.flush()

    def kill(self) -> None:
        """End it at once."""
        self._process.kill()

    def _listen(self) -> None:
        assert self._process.stdout is not None  # noqa: S101
        for line in self._process.stdout:
            with suppress(ValueError):
                self._events.put({**json.loads(line), "engine": self.number})
        code = self._process.wait()
        self._process.stdout.close()
        with suppress(OSError):
            self._process.stdin.close()  # type: ignore[union-attr]
        self._events.put({"event": "ended", "engine": self.number, "code": code})


def show_name(name: str) -> None:
    """Tell host, playing engine and spare apart in the system's process list, where that is possible."""
    with suppress(OSError), open("/proc/self/comm", "w") as file:
        file.write(name)


class OwnEngines:
    """Engines as children of this process."""

    def __init__(self, events: queue.SimpleQueue[Any] | None = None) -> None:
        self._memory = (create_memory("voicer-link", 0), create_memory("voicer-loop", 0),
                        create_memory("voicer-ring", 0))  # fmt: skip
        self.link, self.loop, self.ring = (ticket(descriptor) for descriptor in self._memory)
        self.events: queue.SimpleQueue[Any] = events if events is not None else queue.SimpleQueue()
        self.processes: dict[int, EngineProcess] = {}

    @property
    def is_gone(self) -> bool:
        """See `Engines`; never while it can be asked."""
        return False

    def start(self, number: int) -> None:
        """See `Engines`."""
        self.processes[number] = EngineProcess(number, (self.link, self.loop, self.ring), self.events)

    def tell(self, number: int, line: str) -> None:
        """See `Engines`."""
        if number in self.processes:
            self.processes[number].tell(line)

    def kill(self, number: int) -> None:
        """See `Engines`."""
        if number in self.processes:
            self.processes[number].kill()
