"""Names and places in the ring that keeps what was just played; the host reads it without numba.

Everything is written by the engine alone, but for `HEAD`'s ``asked``. A reader copies first and then looks whether what
it copied was still there (``frames``, ``marks``, the number of a snapshot). The last frames a reader may find half
written are those beyond ``frames``, which is raised last.
"""

from __future__ import annotations

import numpy as np

HEAD = np.dtype(
    [
        ("frames_kept", "i8"),  # 0: nothing is kept
        ("marks_kept", "i8"),
        ("snapshots_kept", "i8"),
        ("snapshot_every", "i8"),  # frames between two snapshots of the state
        ("rate", "f8"),
        ("frames", "i8"),  # written so far, by all engines of the session
        ("marks", "i8"),
        ("snapshots", "i8"),
        ("snapshot_frame", "i8"),  # of the last one
        ("asked", "i8"),  # counted up by the host: a snapshot with the next block
        ("answered", "i8"),
        ("set", "i8"),  # number of the set of numbers marked last
        ("late", "i8"),  # the link's counters when they were looked at last
        ("gaps", "i8"),
        ("errors", "i8"),
    ]
)

MARK = np.dtype([("frame", "i8"), ("kind", "i8"), ("value", "i8"), ("at_ns", "i8")])
BEGAN, SET, LATE, GAP, FAILED = range(1, 6)
"""Kinds of mark, and their values: an engine's first block (its length in frames); a set of numbers is in force from
this frame on (its number); the block before was late (what it took, ns); was asked for late (after how long, ns);
blocks were silent because they failed (how many). ``at_ns`` is `perf_counter_ns` of the block."""

STATE_WORDS = 160_000
"""Room for the state of a rack, words of 8 bytes; a larger state is not kept."""

SNAPSHOT = np.dtype(
    [
        ("number", "i8"),  # counted from 1; 0 while it is being written
        ("frame", "i8"),  # the next to be played
        ("set", "i8"),  # number of the set of numbers in force
        ("words", "i8"),
        ("state", "i8", (STATE_WORDS,)),
    ]
)
