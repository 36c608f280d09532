"""What was just played, kept in a ring: input, output, marks, and the whole state every some seconds.

Thread: audio. It writes and never waits; nothing is allocated.
"""

from __future__ import annotations

from numba import njit

from voicer.dsp.ring_layout import BEGAN, FAILED, GAP, LATE, SET, STATE_WORDS

_kernel = njit(cache=True, error_model="numpy")


@_kernel
def put_mark(head, marks, kind, value, at_ns):
    """Mark the next frame."""
    mark = marks[head.marks % head.marks_kept]
    mark.frame, mark.kind, mark.value, mark.at_ns = head.frames, kind, value, at_ns
    head.marks += 1


@_kernel
def mark_block(head, marks, gauge, state):
    """Mark what is new with the block that is about to be kept."""
    if state.kept == 0:  # the first block of this engine
        state.kept = 1
        head.late = head.gaps = head.errors = 0
        head.set = state.seen
        head.snapshot_frame = head.frames - head.snapshot_every  # the state of another engine is of no use now
        put_mark(head, marks, BEGAN, state.frames, state.begun_ns)
        put_mark(head, marks, SET, state.seen, state.begun_ns)
    if head.set != state.seen:
        head.set = state.seen
        put_mark(head, marks, SET, state.seen, state.begun_ns)
    if gauge.late != head.late:
        head.late = gauge.late
        put_mark(head, marks, LATE, state.took_ns, state.begun_ns)
    if gauge.gaps != head.gaps:
        head.gaps = gauge.gaps
        put_mark(head, marks, GAP, state.waited_ns, state.begun_ns)
    if gauge.errors != head.errors:
        put_mark(head, marks, FAILED, gauge.errors - head.errors, state.begun_ns)
        head.errors = gauge.errors


@_kernel
def keep_block(head, dry, wet, heard, output):
    """Put a block into the ring."""
    frames = heard.size
    at = head.frames % head.frames_kept
    first = min(frames, head.frames_kept - at)
    for j in range(first):
        dry[at + j] = heard[j]
        wet[at + j] = output[j]
    for j in range(first, frames):
        dry[j - first] = heard[j]
        wet[j - first] = output[j]
    head.frames += frames


@_kernel
def is_snapshot_due(head):
    """Whether the state is to be kept now, between two blocks."""
    if head.snapshots_kept == 0:
        return False
    return head.asked != head.answered or head.frames - head.snapshot_frame >= head.snapshot_every


@_kernel
def open_snapshot(head, snapshots, seen):
    """The snapshot to fill."""
    snapshot = snapshots[head.snapshots % head.snapshots_kept]
    snapshot.number = 0
    snapshot.frame, snapshot.set, snapshot.words = head.frames, seen, 0
    return snapshot


@_kernel
def add_words(snapshot, source):
    """Append words of the state [int64, shape=(count,)]."""
    first = snapshot.words
    if first < 0 or first + source.size > STATE_WORDS:
        snapshot.words = -1
        return
    target = snapshot.state
    for j in range(source.size):
        target[first + j] = source[j]
    snapshot.words = first + source.size


@_kernel
def close_snapshot(head, snapshot):
    """Let readers have it."""
    head.snapshots += 1
    head.snapshot_frame = snapshot.frame
    head.answered = head.asked
    snapshot.number = head.snapshots
