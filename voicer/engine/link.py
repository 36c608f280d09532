"""What host and engine tell each other: the orders of a new engine, and the link, a memory-mapped file, no locks.

Host to engine: the units' numbers, behind a sequence counter that is odd while they are written (one writer, one
reader; the reader tries again next block). Engine to host: counters, meters, block times and a scope that the
engine writes and never waits for (one writer, any readers).

The order of these writes is kept by the processor on x86 and, elsewhere, by the interpreter's own locking in
between; each side touches the counter in a separate interpreter instruction.
"""

from __future__ import annotations

import json
import mmap
import os
import tempfile
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

MOST_NUMBERS = 16_384
MOST_UNITS = 16
BLOCK_TIMES = 1 << 16
"""Block times kept: 87 s at 64 frames and 48 kHz."""

SCOPE_FRAMES = 1 << 15

_HEAD = np.dtype(
    [
        ("sequence", "i8"),  # of the numbers; odd while they are being written
        ("blocks", "i8"),  # played so far
        ("late", "i8"),  # blocks that took longer than they last
        ("gaps", "i8"),  # blocks that were asked for over 2.5 block lengths after the one before, by whosever fault
        ("realtime", "i8"),  # priority of the audio thread, 0 without
        ("overruns", "i8"),  # told by PortAudio
        ("errors", "i8"),  # blocks that failed in the engine itself and were silent
        ("xruns", "i8"),  # told by the JACK server, whoever caused them
        ("scope", "i8"),  # frames written to the scope
        ("faults", "i8", (MOST_UNITS,)),  # per unit: 0 plays, else `FAULTS`
        ("in_peak", "f8"),
        ("out_peak", "f8"),
    ]
)
_NUMBERS_AT = 1024
_TIMES_AT = _NUMBERS_AT + 8 * MOST_NUMBERS
_SCOPE_AT = _TIMES_AT + 4 * BLOCK_TIMES
_SIZE = _SCOPE_AT + 2 * 4 * SCOPE_FRAMES


FAULTS = {
    1: "raised an error",
    2: "put out what is not a number",
    3: "took longer than the block lasts, 16 blocks in a row",
}
"""Why a unit was bypassed, by the number the engine reports."""


@dataclass(frozen=True)
class Orders:
    """What the host asks of a new engine."""

    link: str
    """Path of the link's file."""
    system: str
    """``jack`` or ``portaudio``."""
    rack: tuple[str, ...]
    places: dict[str, tuple[int, int]]
    device: str | None = None
    sample_rate_hz: float = 48_000.0
    """For PortAudio; JACK has its own."""
    frames: int = 64
    """For PortAudio; JACK has its own."""
    loop: str | None = None
    """Path of a float32 file to play in place of the live input; it is there once the numbers are."""

    def to_line(self) -> str:
        """One line of JSON."""
        return json.dumps(asdict(self))

    @classmethod
    def from_line(cls, line: str) -> Orders:
        """The orders of one line of JSON."""
        data = json.loads(line)
        data["rack"] = tuple(data["rack"])
        data["places"] = {name: tuple(place) for name, place in data["places"].items()}
        return cls(**data)


@dataclass(frozen=True)
class Report:
    """What the engine has told so far."""

    blocks: int
    late: int
    gaps: int
    realtime: int
    overruns: int
    errors: int
    xruns: int
    faults: tuple[int, ...]
    in_peak: float
    out_peak: float


class Link:
    """The mapped file and its arrays. `create` in the host, `attach` in the engine.

    Attributes
    ----------
    head : record with the fields of ``_HEAD``
    numbers : float64 [shape=(MOST_NUMBERS,)]
    block_times_us : float32 [shape=(BLOCK_TIMES,)]
        Ring; block b is at ``b % BLOCK_TIMES``.
    scope : float32 [shape=(2, SCOPE_FRAMES)]
        Ring of input and output samples.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        with path.open("r+b") as file:
            self._map = mmap.mmap(file.fileno(), _SIZE)
        self.head = np.frombuffer(self._map, _HEAD, 1)
        self.numbers = np.frombuffer(self._map, np.float64, MOST_NUMBERS, _NUMBERS_AT)
        self.block_times_us = np.frombuffer(self._map, np.float32, BLOCK_TIMES, _TIMES_AT)
        self.scope = np.frombuffer(self._map, np.float32, 2 * SCOPE_FRAMES, _SCOPE_AT).reshape(2, -1)
        self._seen = 0

    @classmethod
    def create(cls) -> Link:
        """A fresh link, in shared memory where the system has such a folder. Thread: control."""
        shared = Path("/dev/shm")  # noqa: S108  (a private file made by mkstemp)
        folder = shared if os.access(shared, os.W_OK) else None
        handle, name = tempfile.mkstemp(prefix="voicer-", suffix=".link", dir=folder)
        os.truncate(handle, _SIZE)
        os.close(handle)
        return cls(Path(name))

    @classmethod
    def attach(cls, path: str) -> Link:
        """The link made by the host. Thread: control."""
        return cls(Path(path))

    def write(self, place: int, numbers: NDArray[np.float64]) -> None:
        """Put a unit's numbers at their place; the engine sees all of them or none. Thread: control (host)."""
        self.head["sequence"] += 1
        self.numbers[place : place + numbers.size] = numbers
        self.head["sequence"] += 1

    def read_new(self, into: NDArray[np.float64]) -> bool:
        """Copy numbers that are new and whole, else leave ``into`` as it is. Thread: audio (engine)."""
        sequence = int(self.head["sequence"][0])
        if sequence == self._seen or sequence & 1:
            return False
        into[:] = self.numbers[: into.size]
        if int(self.head["sequence"][0]) != sequence:
            return False
        self._seen = sequence
        return True

    def report(self) -> Report:
        """Counters and meters now. Any thread."""
        head = self.head[0]
        return Report(
            int(head["blocks"]),
            int(head["late"]),
            int(head["gaps"]),
            int(head["realtime"]),
            int(head["overruns"]),
            int(head["errors"]),
            int(head["xruns"]),
            tuple(int(fault) for fault in head["faults"]),
            float(head["in_peak"]),
            float(head["out_peak"]),
        )

    def recent_block_times_us(self, count: int = BLOCK_TIMES) -> NDArray[np.float32]:
        """Times of the last blocks, oldest first, µs. Any thread."""
        blocks = int(self.head["blocks"][0])
        count = min(count, blocks, BLOCK_TIMES)
        return self.block_times_us[np.arange(blocks - count, blocks) % BLOCK_TIMES].copy()

    def clear_report(self) -> None:
        """Forget what an engine that is gone had told. Thread: control (host), no engine running."""
        self.head["blocks"] = self.head["late"] = self.head["gaps"] = self.head["realtime"] = 0
        self.head["overruns"] = self.head["errors"] = self.head["xruns"] = 0
        self.head["faults"] = 0
        self.head["in_peak"] = self.head["out_peak"] = 0.0

    def close(self, *, remove: bool = False) -> None:
        """Let go of the memory; ``remove`` deletes the file (host)."""
        del self.head, self.numbers, self.block_times_us, self.scope
        self._map.close()
        if remove:
            self.path.unlink(missing_ok=True)


def numbers_layout(names: tuple[str, ...], numbers: dict[str, NDArray[Any]]) -> dict[str, tuple[int, int]]:
    """(place, length) of each unit's numbers, one after the other."""
    places, next_place = {}, 0
    for name in names:
        places[name] = (next_place, numbers[name].size)
        next_place += numbers[name].size
    return places
