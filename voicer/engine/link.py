"""What host and engine tell each other: the orders of a new engine, and the link, memory shared without locks.

Host to engine: the units' numbers, as whole sets with a number and a checksum in three slots (`dsp.slots`): one
writer, one reader, and a set that is torn is never taken. Engine to host: counters, meters and block times that the
engine writes and never waits for (one writer, any readers); each is one word, and no two need agree.

The link is a file descriptor and has no name (`memory`). It lives as long as any process holds the descriptor, so a
host that was restarted takes up the link its predecessor wrote, numbers included:

    link = Link.create()                                   # in the parent, or in the host itself
    Popen(..., **inheritance(link.ticket))                 # the child is told the number link.ticket
    link = Link.attach(number)                             # in the child: the next host, or the engine
"""

from __future__ import annotations

import json
import mmap
import os
from collections.abc import Callable
from contextlib import suppress
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from voicer.dsp.slots import COUNTERS, SLOT_WORDS, SLOTS, newest_set, write_set
from voicer.engine.memory import create_memory, opened, reserve_memory, ticket

MOST_UNITS = COUNTERS
BLOCK_TIMES = 1 << 16
"""Block times kept: 87 s at 64 frames and 48 kHz."""

SCOPE_FRAMES = 1 << 15

_HEAD = np.dtype(
    [
        ("newest", "i8"),  # number of the set of numbers written last
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
_SLOTS_AT = 1024
_TIMES_AT = _SLOTS_AT + 8 * SLOTS * SLOT_WORDS
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

    link: int
    """Ticket of the link (`Link.ticket`)."""
    system: str
    """``jack`` or ``portaudio``."""
    rack: tuple[str, ...]
    places: dict[str, tuple[int, int]]
    left_out: tuple[str, ...] = ()
    """Units of the rack that are not loaded, since engines died in them."""
    device: str | None = None
    """PortAudio output device."""
    input_device: str | None = None
    """PortAudio input device."""
    sample_rate_hz: float = 48_000.0
    """With JACK, the server's."""
    frames: int = 64
    """With JACK, the server's period."""
    orphan_s: float = 0.0
    """How long to go on playing when every parent has gone."""
    loop: int | None = None
    """Ticket of the recording to loop in place of the live input; written before the engine is told to go."""

    def to_line(self) -> str:
        """One line of JSON."""
        return json.dumps(asdict(self))

    @classmethod
    def from_line(cls, line: str) -> Orders:
        """The orders of one line of JSON."""
        data = json.loads(line)
        data["rack"], data["left_out"] = tuple(data["rack"]), tuple(data["left_out"])
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
    """The shared memory and its arrays; owns the descriptor. `create` it once, `attach` in every other process.

    Attributes
    ----------
    head : record with the fields of ``_HEAD``
    slots : int64 [shape=(SLOTS, SLOT_WORDS)]
        See `dsp.slots`.
    block_times_us : float32 [shape=(BLOCK_TIMES,)]
        Ring; block b is at ``b % BLOCK_TIMES``.
    scope : float32 [shape=(2, SCOPE_FRAMES)]
        Ring of input and output samples.
    """

    def __init__(self, descriptor: int) -> None:
        self._descriptor = descriptor
        if os.fstat(descriptor).st_size < _SIZE:  # made by a parent that does not know how much a link takes
            reserve_memory(descriptor, _SIZE)
        self._map = mmap.mmap(descriptor, _SIZE)
        self.head = np.frombuffer(self._map, _HEAD, 1)
        self.slots = np.frombuffer(self._map, np.int64, SLOTS * SLOT_WORDS, _SLOTS_AT).reshape(SLOTS, SLOT_WORDS)
        self.block_times_us = np.frombuffer(self._map, np.float32, BLOCK_TIMES, _TIMES_AT)
        self.scope = np.frombuffer(self._map, np.float32, 2 * SCOPE_FRAMES, _SCOPE_AT).reshape(2, -1)
        self._number, self._put_back, self._numbers = newest_set(self.slots)
        self._take: Callable[..., bool] | None = None
        self._seen = np.zeros(1, np.int64)

    @classmethod
    def create(cls) -> Link:
        """A fresh link. Thread: control."""
        return cls(create_memory("voicer-link", _SIZE))

    @classmethod
    def attach(cls, number: int) -> Link:
        """The link behind a ticket that this process inherited. Thread: control.

        In a host it goes on where the last one stopped: numbers written before stay in force, and the next `write`
        changes only its own.
        """
        return cls(opened(number))

    @property
    def ticket(self) -> int:
        """The number by which a child process attaches; give it `memory.inheritance` of this."""
        return ticket(self._descriptor)

    def write(self, place: int, numbers: NDArray[np.float64]) -> None:
        """Put a unit's numbers at their place; the engine sees all of them or none. Thread: control (host)."""
        end = place + numbers.size
        if end > self._numbers.size:
            self._numbers = np.concatenate((self._numbers, np.zeros(end - self._numbers.size)))
        self._numbers[place:end] = numbers
        self._publish()

    def _publish(self) -> None:
        self._number += 1
        write_set(self.slots, self._number, self._put_back, self._numbers)
        self.head["newest"] = self._number

    def prepare_to_read(self) -> None:
        """Load the compiled reader and make its working space, before sound starts. Thread: control (engine)."""
        from voicer.dsp.handover import take_set  # here: a host never reads, and must not wait for numba

        self._take = take_set
        self._staging, self._counters = np.zeros(SLOT_WORDS, np.int64), np.zeros(COUNTERS, np.int64)

    def read_new(self, into: NDArray[np.float64]) -> bool:
        """Copy numbers that are new and whole, else leave ``into`` as it is. Thread: audio (engine)."""
        assert self._take is not None  # noqa: S101  (prepare_to_read)
        return self._take(
            self.head["newest"], self.slots, self._seen, self._staging, self._counters, into.view(np.int64)
        )

    def newest_numbers(self) -> NDArray[np.float64]:
        """All units' numbers as written last, whole. Thread: control."""
        return newest_set(self.slots)[2]

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

    def close(self) -> None:
        """Let go of the memory; it is gone when the last process has."""
        del self.head, self.slots, self.block_times_us, self.scope
        with suppress(BufferError):  # somebody still looks at an array: the mapping goes with that
            self._map.close()
        os.close(self._descriptor)


def numbers_layout(names: tuple[str, ...], numbers: dict[str, NDArray[Any]]) -> dict[str, tuple[int, int]]:
    """(place, length) of each unit's numbers, one after the other."""
    places, next_place = {}, 0
    for name in names:
        places[name] = (next_place, numbers[name].size)
        next_place += numbers[name].size
    return places
