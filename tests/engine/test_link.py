"""The shared memory between host and engine."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from voicer.dsp.handover import take_set
from voicer.dsp.slots import COUNTERS, FIRST_NUMBER, SLOT_WORDS, SLOTS, newest_set, write_set
from voicer.engine.link import Link
from voicer.engine.memory import create_memory, inheritance, read_samples, write_samples

HAMMER = """
import sys, threading, numpy as np
from voicer.engine.link import Link
link, told = Link.attach(int(sys.argv[1])), threading.Event()
threading.Thread(target=lambda: (sys.stdin.read(), told.set()), daemon=True).start()
print("ready", flush=True)
value = 0
while not told.is_set():
    value += 1
    link.write([(0, np.full(900, float(value)))])
print(value, flush=True)
"""
WRITE_AND_DIE = """
import os, signal, sys, numpy as np
from voicer.engine.link import Link
Link.attach(int(sys.argv[1])).write([(2, np.array([3.0, 4.0]))])
os.kill(os.getpid(), signal.SIGKILL)
"""


def names() -> set[str]:
    """What stands in the folders where shared or temporary memory could leave a name."""
    folders = [Path(tempfile.gettempdir()), Path("/dev/shm")]  # noqa: S108
    return {str(path) for folder in folders if folder.is_dir() for path in folder.glob("voicer-*")}


class Reader:
    """What the engine's audio thread does with a link."""

    def __init__(self, link: Link) -> None:
        self._link, self._seen = link, 0
        self._staging, self.counters = np.zeros(SLOT_WORDS, np.int64), np.zeros(COUNTERS, np.int64)

    def read(self, into: NDArray[np.float64]) -> bool:
        """Whether there was a new set."""
        newest = int(self._link.head["newest"][0])
        before = self._seen
        self._seen = take_set(newest, before, self._link.slots, self._staging, self.counters, into.view(np.int64))
        return self._seen != before


def reading_link() -> tuple[Link, Reader]:
    link = Link.create()
    return link, Reader(link)


def test_numbers_are_never_torn() -> None:
    """While another process writes as fast as it can, each set that is read is one whole set, none older than the
    last; and when it rests, its last set is there.
    """
    link, reader = reading_link()
    writer = subprocess.Popen(
        [sys.executable, "-c", HAMMER, str(link.ticket)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        **inheritance(link.ticket),
    )  # fmt: skip
    assert writer.stdout
    assert writer.stdout.readline() == "ready\n"
    into, last, taken, until_s = np.zeros(900), 0.0, 0, time.monotonic() + 30
    while taken < 1000 and time.monotonic() < until_s:
        if reader.read(into):
            assert np.all(into == into[0])
            assert into[0] >= last
            last, taken = into[0], taken + 1
    written, _ = writer.communicate("")
    reader.read(into)
    link.close()
    assert taken == 1000
    assert into.tolist() == [float(written)] * 900


def test_a_unit_asked_back_is_counted() -> None:
    """Asking a unit back is a new set with the same numbers, in which that unit's counter is one higher."""
    (link, reader), into = reading_link(), np.zeros(2)
    link.write([(0, np.array([5.0, 6.0]))])
    link.put_back(3)
    link.put_back(3)
    assert reader.read(into)
    assert into.tolist() == [5, 6]
    assert np.flatnonzero(reader.counters).tolist() == [3]
    assert reader.counters[3] == 2
    link.close()


def test_a_set_is_taken_once() -> None:
    """What was read is not new any more; writing one unit's numbers keeps the others'."""
    (link, reader), into = reading_link(), np.zeros(4)
    assert not reader.read(into)
    link.write([(1, np.array([7.0, 8.0]))])
    link.write([(3, np.array([9.0]))])
    assert reader.read(into)
    assert into.tolist() == [0, 7, 8, 9]
    assert not reader.read(into)
    link.close()


@pytest.mark.parametrize("seed", range(20))
def test_a_torn_set_never_replaces_the_last_good_one(seed: int) -> None:
    """Stores that arrive in any order: with any part of a newer set in a slot and its number already told, the reader
    keeps what it has; once the rest has arrived it takes the set.
    """
    rng = np.random.default_rng(seed)
    (link, reader), into = reading_link(), np.zeros(40)
    for value in range(1, 5):
        link.write([(0, np.full(40, float(value)))])
    assert reader.read(into)
    newer = np.zeros((SLOTS, SLOT_WORDS), np.int64)
    write_set(newer, 5, np.zeros(16, np.int64), np.round(rng.standard_normal(40), 1))
    wanted, slot = newer[5 % SLOTS], link.slots[5 % SLOTS]
    different = np.flatnonzero(wanted != slot)
    late = rng.choice(different, rng.integers(1, different.size), replace=False)
    there = np.setdiff1d(different, late)
    slot[there] = wanted[there]
    link.head["newest"] = 5
    assert not reader.read(into)
    assert np.all(into == 4.0)
    assert newest_set(link.slots)[0] == 4
    slot[late] = wanted[late]
    assert reader.read(into)
    assert np.array_equal(into, wanted[FIRST_NUMBER : FIRST_NUMBER + 40].view(np.float64))
    link.close()


def test_a_bad_count_is_not_followed() -> None:
    """A slot that claims more numbers than it can hold, or fewer than none, is not read."""
    (link, reader), into = reading_link(), np.zeros(2)
    link.write([(0, np.ones(2))])
    for count in (-1, 1, 1 << 40):
        link.slots[1, 1] = count
        assert not reader.read(into)
        assert newest_set(link.slots)[0] == 0
    link.close()


def test_a_host_that_was_killed_leaves_its_numbers_to_the_next() -> None:
    """Another process writes and is killed; who attaches then reads its numbers and writes on from there."""
    (link, reader), into = reading_link(), np.zeros(4)
    link.write([(0, np.array([1.0, 2.0, 0.0, 0.0]))])
    for _ in range(2):
        done = subprocess.run(
            [sys.executable, "-c", WRITE_AND_DIE, str(link.ticket)], check=False, **inheritance(link.ticket)
        )
        assert done.returncode < 0
    heir = Link.attach(os.dup(link.ticket))
    heir.write([(1, np.array([9.0]))])
    assert reader.read(into)
    assert into.tolist() == [1, 9, 3, 4]
    heir.close()
    link.close()


@pytest.mark.parametrize("hidden", [False, True])
def test_shared_memory_has_no_name(hidden: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    """Neither the link nor a recording can be seen in a folder while in use, so nothing is left after any kind of end;
    the same where the system has no `memfd_create`, and then others may not read the file.
    """
    if hidden:
        monkeypatch.delattr(os, "memfd_create", raising=False)
    before = names()
    (link, reader), loop = reading_link(), create_memory("voicer-loop", 0)
    write_samples(loop, np.arange(5, dtype=np.float32))
    write_samples(loop, np.arange(3, dtype=np.float32))
    link.write([(0, np.ones(3))])
    into = np.zeros(3)
    assert reader.read(into)
    assert into.tolist() == [1, 1, 1]
    assert read_samples(loop).tolist() == [0, 1, 2]
    assert names() == before
    if hidden:
        assert os.fstat(link.ticket).st_mode & 0o077 == 0
        assert os.fstat(link.ticket).st_nlink == 0
    os.close(loop)
    link.close()
