"""The shared memory between host and engine."""

from __future__ import annotations

import subprocess
import sys
import time

import numpy as np

from voicer.engine.link import Link

HAMMER = """
import sys, threading, numpy as np
from voicer.engine.link import Link
link, told = Link.attach(sys.argv[1]), threading.Event()
threading.Thread(target=lambda: (sys.stdin.read(), told.set()), daemon=True).start()
print("ready", flush=True)
value = 0
while not told.is_set():
    value += 1
    link.write(0, np.full(900, float(value)))
print(value, flush=True)
"""


def test_numbers_are_never_torn() -> None:
    """While another process writes as fast as it can, each set that is read is one whole set, none older than the
    last; and when it rests, its last set is there.
    """
    link = Link.create()
    writer = subprocess.Popen(
        [sys.executable, "-c", HAMMER, str(link.path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert writer.stdout
    assert writer.stdout.readline() == "ready\n"
    into, last, taken, until_s = np.zeros(900), 0.0, 0, time.monotonic() + 30
    while taken < 1000 and time.monotonic() < until_s:
        if link.read_new(into):
            assert np.all(into == into[0])
            assert into[0] >= last
            last, taken = into[0], taken + 1
    written, _ = writer.communicate("")
    link.read_new(into)
    link.close(remove=True)
    assert taken == 1000
    assert into.tolist() == [float(written)] * 900


def test_what_was_read_is_not_new_any_more() -> None:
    """A set is taken once; a half-written one (odd counter) not at all."""
    link, into = Link.create(), np.zeros(4)
    assert not link.read_new(into)
    link.write(1, np.array([7.0, 8.0]))
    assert link.read_new(into)
    assert into.tolist() == [0, 7, 8, 0]
    assert not link.read_new(into)
    link.head["sequence"] += 1
    assert not link.read_new(into)
    link.close(remove=True)
    assert not link.path.exists()
