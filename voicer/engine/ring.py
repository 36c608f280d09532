"""The ring that keeps what was just played, in memory that outlives the host and every engine of the session.

The engine writes it (`dsp.keeping`), the host reads it. It holds the input as the rack heard it, the output, marks
(which set of numbers is in force from which frame on, which blocks were late) and, every so many seconds, the whole
state of the rack, from which the playing can be rendered again sample for sample.
"""

from __future__ import annotations

import mmap
import os
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from voicer.dsp.ring_layout import BEGAN, HEAD, MARK, SET, SNAPSHOT
from voicer.engine.memory import opened, reserve_memory

MARKS = 1 << 16
"""Marks kept: more than a hundred a second in five minutes."""

SNAPSHOT_EVERY_S = 20.0
"""How often the state is kept. What is kept of the last minutes begins at one, so up to this much less."""

_HEAD_SIZE = 4096


@dataclass(frozen=True)
class Mark:
    """Something that holds from a frame on; kinds as in `ring_layout`."""

    frame: int
    kind: int
    value: int


@dataclass(frozen=True)
class Snapshot:
    """The state of a rack before a frame."""

    frame: int
    set: int
    """Number of the set of numbers in force."""
    state: NDArray[np.int64]


def ring_size(minutes: float, sample_rate_hz: float) -> int:
    """Bytes that a ring of so many minutes takes."""
    return _HEAD_SIZE + MARKS * MARK.itemsize + _snapshots(minutes) * SNAPSHOT.itemsize + 8 * _frames(
        minutes, sample_rate_hz
    )


def _frames(minutes: float, sample_rate_hz: float) -> int:
    return max(1, round(60 * minutes * sample_rate_hz))


def _snapshots(minutes: float) -> int:
    return 3 + int(60 * minutes / SNAPSHOT_EVERY_S)


class Ring:
    """A ring in the memory behind a ticket. The engine takes its arrays; the rest is for the host's threads.

    Attributes
    ----------
    head : record of `ring_layout.HEAD` [shape=(1,)]
    marks, snapshots, dry, wet : arrays
        Of `MARK`, `SNAPSHOT` and float32.
    """

    def __init__(self, number: int) -> None:
        descriptor = opened(number)
        self._map = mmap.mmap(descriptor, os.fstat(descriptor).st_size)
        self.head: Any = np.frombuffer(self._map, HEAD, 1)
        frames, snapshots = int(self.head["frames_kept"][0]), int(self.head["snapshots_kept"][0])
        self.marks: Any = np.frombuffer(self._map, MARK, MARKS, _HEAD_SIZE)
        at = _HEAD_SIZE + MARKS * MARK.itemsize
        self.snapshots: Any = np.frombuffer(self._map, SNAPSHOT, snapshots, at)
        at += snapshots * SNAPSHOT.itemsize
        self.dry = np.frombuffer(self._map, np.float32, frames, at)
        self.wet = np.frombuffer(self._map, np.float32, frames, at + 4 * frames)

    @classmethod
    def prepared(cls, number: int, minutes: float, sample_rate_hz: float) -> Ring | None:
        """The ring of that length: the one there is, or a new one; None for no length, or where there is no memory.

        Thread: control, while no engine plays, or with the length that it had before.
        """
        descriptor, size = opened(number), ring_size(minutes, sample_rate_hz) if minutes > 0 else 0
        if os.fstat(descriptor).st_size != size:
            try:
                os.ftruncate(descriptor, 0)
                reserve_memory(descriptor, size)
            except OSError:
                os.ftruncate(descriptor, 0)
                return None
        if size == 0:
            return None
        with mmap.mmap(descriptor, _HEAD_SIZE) as memory:
            head: Any = np.frombuffer(memory, HEAD, 1)[0]
            if head["rate"] != sample_rate_hz:
                head["frames"] = head["marks"] = head["snapshots"] = head["snapshot_frame"] = 0
                head["frames_kept"], head["marks_kept"] = _frames(minutes, sample_rate_hz), MARKS
                head["snapshots_kept"], head["rate"] = _snapshots(minutes), sample_rate_hz
                head["snapshot_every"] = round(SNAPSHOT_EVERY_S * sample_rate_hz)
            del head
        return cls(number)

    @classmethod
    def there(cls, number: int) -> Ring | None:
        """The ring behind a ticket, if one was prepared. The engine attaches so."""
        return cls(number) if os.fstat(opened(number)).st_size else None

    @property
    def sample_rate_hz(self) -> float:
        """Sample rate of what is in it."""
        return float(self.head["rate"][0])

    @property
    def frames(self) -> int:
        """Frames written since the session began."""
        return int(self.head["frames"][0])

    @property
    def oldest(self) -> int:
        """The oldest frame that is still whole, some blocks left out that may be written over meanwhile."""
        return max(0, self.frames - self.dry.size + 2 * 4096)

    def samples(self, first: int, last: int) -> tuple[NDArray[np.float32], NDArray[np.float32]] | None:
        """Input and output of frames ``first`` to ``last``; None where they are not there any more, or not yet."""
        if last > self.frames or first < self.oldest:
            return None
        at = np.arange(first, last) % self.dry.size
        dry, wet = self.dry[at], self.wet[at]
        return (dry, wet) if first >= self.oldest else None

    def marks_from(self, number: int) -> tuple[int, list[Mark]]:
        """Marks from that one on, counted from 0, and the number of the next; those that are gone are left out."""
        count = int(self.head["marks"][0])
        first = max(number, count - MARKS + 64)
        found = [self.marks[k % MARKS] for k in range(first, count)]
        return count, [Mark(int(one["frame"]), int(one["kind"]), int(one["value"])) for one in found]

    def ask_snapshot(self) -> None:
        """Have the state kept with the next block."""
        self.head["asked"] += 1

    @property
    def has_answered(self) -> bool:
        """Whether that was done."""
        return bool(self.head["asked"][0] == self.head["answered"][0])

    def snapshots_there(self) -> list[Snapshot]:
        """The whole snapshots whose sound is still there, the oldest first."""
        found = []
        for one in self.snapshots:
            number = int(one["number"])
            if number and int(one["words"]) > 0 and int(one["frame"]) >= self.oldest:
                kept = Snapshot(int(one["frame"]), int(one["set"]), one["state"][: int(one["words"])].copy())
                if int(one["number"]) == number:
                    found.append(kept)
        return sorted(found, key=lambda one: one.frame)

    def close(self) -> None:
        """Let go of the memory."""
        del self.head, self.marks, self.snapshots, self.dry, self.wet


__all__ = ["BEGAN", "SET", "Mark", "Ring", "Snapshot", "ring_size"]
