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
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from voicer.dsp.gauges import BLOCK_TIMES, GAUGES
from voicer.dsp.slots import SLOT_WORDS, SLOTS, newest_set, write_set
from voicer.engine.memory import create_memory, opened, reserve_memory, ticket
from voicer.engine.units import CEILING

_SLOTS_AT = 1024
_TIMES_AT = _SLOTS_AT + 8 * SLOTS * SLOT_WORDS
_SIZE = _TIMES_AT + 4 * BLOCK_TIMES

RAISED, NOT_A_NUMBER, TOO_SLOW, BUILD_FAILED, PAST_THE_CEILING, LEFT_OUT = range(1, 7)
FAULTS = {
    RAISED: "raised an error",
    NOT_A_NUMBER: "put out values that are not numbers",
    TOO_SLOW: "took longer than the block lasts, 16 blocks in a row",
    BUILD_FAILED: "raised an error when it was made",
    PAST_THE_CEILING: "sent sound to the driver past the ceiling",
    LEFT_OUT: "ended the engine twice",
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
    """Units of the rack that are bypassed without being loaded, since the engine ended in their code."""
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
    ring: int | None = None
    """Ticket of the ring that keeps what was just played; of no size where nothing is kept."""

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
    limited: int
    """Blocks in which the ceiling turned the sound down."""
    shed: int
    """Tails that were dropped because the machine could not carry two lines."""
    tail: int
    """1 while the line before a recall rings on."""
    ceiling_db: float
    """Its gain now, dB: 0 while it is idle, below 0 while it acts; the lowest is held for 0.3 s."""
    running_unit: int | None
    """Place in the rack of the unit whose code is running. In an engine that has ended or hangs: who was at fault."""
    building_unit: int | None
    """The same of a unit that is being loaded or made, in an engine that does not play yet (a spare may be one)."""
    faults: tuple[int, ...]
    """Of each unit of the rack: 0 while it plays, else why it is bypassed (`FAULTS`)."""
    in_peak: float
    out_peak: float


class Link:
    """The shared memory and its arrays; owns the descriptor. `create` it once, `attach` in every other process.

    Attributes
    ----------
    head : record of `GAUGES`
    slots : int64 [shape=(SLOTS, SLOT_WORDS)]
        See `dsp.slots`.
    block_times_us : float32 [shape=(BLOCK_TIMES,)]
        Ring; block b is at ``b % BLOCK_TIMES``.
    """

    def __init__(self, descriptor: int) -> None:
        self._descriptor = descriptor
        if os.fstat(descriptor).st_size < _SIZE:  # made by a parent that does not know how much a link takes
            reserve_memory(descriptor, _SIZE)
        self._map = mmap.mmap(descriptor, _SIZE)
        self.head = np.frombuffer(self._map, GAUGES, 1)
        self.slots = np.frombuffer(self._map, np.int64, SLOTS * SLOT_WORDS, _SLOTS_AT).reshape(SLOTS, SLOT_WORDS)
        self.block_times_us = np.frombuffer(self._map, np.float32, BLOCK_TIMES, _TIMES_AT)
        self._number, self._put_back, self._numbers = newest_set(self.slots)

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

    def write(self, parts: Sequence[tuple[int, NDArray[np.float64]]]) -> int:
        """Put pairs of place and numbers; the engine sees all of them or none. Gives the number of the set.

        Thread: control (host).
        """
        for place, numbers in parts:
            end = place + numbers.size
            if end > self._numbers.size:
                self._numbers = np.concatenate((self._numbers, np.zeros(end - self._numbers.size)))
            self._numbers[place:end] = numbers
        self._publish()
        return self._number

    def put_back(self, k: int) -> None:
        """Ask for the bypassed unit at place ``k`` of the rack to be made anew and played. Thread: control (host)."""
        self._put_back[k] += 1
        self._publish()

    def _publish(self) -> None:
        self._number += 1
        write_set(self.slots, self._number, self._put_back, self._numbers)
        self.head["newest"] = self._number

    def newest(self) -> tuple[int, NDArray[np.int64], NDArray[np.float64]]:
        """Number, put-back counters and numbers of the newest whole set. Thread: control.

        While sound plays, the engine looks for new sets in its compiled call (`dsp.block`).
        """
        return newest_set(self.slots)

    def report(self) -> Report:
        """Counters and meters now. Any thread."""
        head = self.head[0]
        running, building = int(head["running_unit"]), int(head["building_unit"])
        counts = {name: int(head[name]) for name in _COUNTS}
        return Report(
            **counts,
            ceiling_db=float(head["ceiling_db"]),
            running_unit=running - 1 if running else None,
            building_unit=building - 1 if building else None,
            faults=tuple(int(fault) for fault in head["faults"]),
            in_peak=float(head["in_peak"]),
            out_peak=float(head["out_peak"]),
        )

    def recent_block_times_us(self, count: int = BLOCK_TIMES) -> NDArray[np.float32]:
        """Times of the last blocks, oldest first, µs. Any thread."""
        blocks = int(self.head["blocks"][0])
        count = min(count, blocks, BLOCK_TIMES)
        return self.block_times_us[np.arange(blocks - count, blocks) % BLOCK_TIMES].copy()

    def clear_report(self) -> None:
        """Forget what an engine that is gone has reported. Thread: control (host), no engine running."""
        newest = int(self.head["newest"][0])
        self.head[:] = 0
        self.head["newest"] = newest

    def close(self) -> None:
        """Let go of the memory; it is gone when the last process has."""
        del self.head, self.slots, self.block_times_us
        with suppress(BufferError):  # somebody still looks at an array: the mapping goes with that
            self._map.close()
        os.close(self._descriptor)


_COUNTS = ("blocks", "late", "gaps", "realtime", "overruns", "errors", "xruns", "limited", "shed", "tail")


def numbers_layout(rack: tuple[str, ...], numbers: dict[str, NDArray[Any]]) -> dict[str, tuple[int, int]]:
    """(place, length) of the ceiling's numbers and of each unit's, one after the other."""
    places, next_place = {}, 0
    for name in (CEILING, *rack):
        places[name] = (next_place, numbers[name].size)
        next_place += numbers[name].size
    return places
