"""All the work of a block that is voicer's own, as one compiled call without a Python or numpy object in it.

`Work` holds the arrays and a table of their addresses; `Work.call` is a plain C function on that table. It is called
through ctypes with the interpreter lock kept (see `echo`): some 1 µs, where a kernel with two dozen array arguments
costs ten. In a rack without foreign units one call does everything (`ALL`); between foreign units the steps are called
one by one:

    BEGIN   time of the block before, new numbers, the input or the next of the loop
    ECHO    the echo, guarded
    OFFER   what a foreign unit gets: its input, and the mark that its code is running
    GUARD   what a foreign unit gave: checked, and faded to and from the signal that goes past it
    FINISH  ceiling, meters, counters, the output; what was heard and played into the ring

A guarded unit whose output is no number, or that the caller has marked with a fault, is left by a fade of `FADE_S` from
its last good sample to the signal that goes past it, and comes back by such a fade when the fault is cleared.
"""

from __future__ import annotations

import ctypes
import hashlib
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from numba import carray, cfunc, njit, types  # type: ignore[attr-defined]
from numpy.typing import NDArray

import voicer.dsp
from voicer.dsp.ceiling import limit_to_ceiling
from voicer.dsp.echo import ADDRESS, Echo
from voicer.dsp.gauges import BLOCK_TIMES, GAUGES, HOLD_S, MOST_UNITS, PEAK_FALL_S, SETTLED_AFTER
from voicer.dsp.handover import take_set
from voicer.dsp.keeping import add_words, close_snapshot, is_snapshot_due, keep_block, mark_block, open_snapshot
from voicer.dsp.layout import COUNT, LAYOUT
from voicer.dsp.lines import IDLE, LINES, aim_lines, is_shed, play_lines, set_up
from voicer.dsp.meters import highest_peak
from voicer.dsp.ring_layout import HEAD, MARK, SNAPSHOT
from voicer.dsp.slots import COUNTERS, SLOT_WORDS, SLOTS

FADE_S = 0.005
"""Length of the fade out of and into a unit. Chosen: no click, and soon."""

BEGIN, ECHO, OFFER, GUARD, FINISH = 1, 2, 4, 8, 16
ALL = BEGIN | ECHO | FINISH
"""What a call does; several steps at once are done in this order."""

FRESH, PUT_BACK = 1, 2
"""What `BEGIN` answers: there are new numbers; a unit is asked back. `GUARD` answers the unit's fault."""

_IDLE_GAIN = 10 ** (-0.01 / 20)
"""A ceiling that has come back to a hundredth of a decibel counts as idle."""

NOT_A_NUMBER = 2
"""Fault of a unit; the others are given by the caller."""

UNITS = np.dtype(
    [
        ("place", "i8"),  # of its numbers
        ("length", "i8"),
        ("graph", "i8"),  # whether it is made of pyo objects: float32 tables instead of arrays
        ("fresh", "i8"),  # whether its numbers changed with this block
        ("fault", "i8"),
        ("mix", "f8"),  # 1 is heard, 0 is left out
        ("held", "f8"),  # its last good sample
    ]
)
STATE = np.dtype(
    [
        ("begun_ns", "i8"),  # written by the caller before a block
        ("ended_ns", "i8"),  # and after it
        ("last_begun_ns", "i8"),
        ("took_ns", "i8"),  # the block before took so long
        ("waited_ns", "i8"),  # from its begin to this one's
        ("kept", "i8"),  # whether the ring has had a block of this engine
        ("length_ns", "f8"),
        ("frames", "i8"),
        ("units", "i8"),  # how many
        ("numbers", "i8"),
        ("echo", "i8"),  # place of the echo in the rack
        ("seen", "i8"),  # number of the set taken last
        ("loop_frames", "i8"),  # 0 plays the live input
        ("loop_at", "i8"),
        ("fade_step", "f8"),
        ("peak_fall", "f8"),
        ("gain", "f8", (2,)),  # of the ceiling and of its mute
        ("hold_blocks", "i8"),
        ("held_blocks", "i8"),
    ]
)
# places in the table of addresses
_GAUGES, _SLOTS, _TIMES, _STATE, _UNITS, _STAGING, _COUNTERS, _NUMBERS, _BEFORE = range(9)
_INPUT, _LOOP, _HEARD, _SIGNAL, _OUTPUT = range(9, 14)
_GIVEN, _MADE, _GRAPH_GIVEN, _GRAPH_MADE = (14 + k * MOST_UNITS for k in range(4))
_ECHO_CALL, _ECHO, _OTHER_ECHO, _ECHO_NUMBERS, _LINES, _REST = (14 + 4 * MOST_UNITS + k for k in range(6))
_RING, _RING_DRY, _RING_WET, _RING_MARKS, _RING_SNAPSHOTS, _STATE_COUNTS, _STATES = (_REST + 1 + k for k in range(7))
_MOST_STATES = 64
_ADDRESSES = _STATES + _MOST_STATES

_kernel = njit(cache=True, error_model="numpy")


@_kernel
def _note_time(gauge, state, times):
    """The time the block before took, and whether this one is asked for in time."""
    if gauge.blocks > 0:
        took_ns = state.took_ns = max(state.ended_ns - state.last_begun_ns, 0)
        state.waited_ns = state.begun_ns - state.last_begun_ns
        times[(gauge.blocks - 1) % BLOCK_TIMES] = took_ns * 1e-3
        if gauge.blocks > SETTLED_AFTER:
            gauge.late += took_ns > state.length_ns
            gauge.gaps += state.begun_ns - state.last_begun_ns > 2.5 * state.length_ns
    state.last_begun_ns = state.begun_ns


@_kernel
def _sum(counters):
    total = 0
    for j in range(counters.size):
        total += counters[j]
    return total


@_kernel
def _copy(x, y):
    for j in range(x.size):
        y[j] = x[j]


@_kernel
def _take_numbers(gauge, state, units, slots, staging, counters, numbers, before):
    """A new set of numbers, if there is one: mark the units whose numbers are others than before."""
    asked = _sum(counters)
    number = take_set(gauge.newest, state.seen, slots, staging, counters, numbers)
    if number == state.seen:
        return 0
    state.seen = number
    for k in range(state.units):
        unit = units[k]
        for j in range(unit.place, unit.place + unit.length):
            if numbers[j] != before[j]:
                unit.fresh = 1
                before[j] = numbers[j]
    return FRESH | (PUT_BACK if _sum(counters) != asked else 0)


@_kernel
def _take_input(state, source, loop, heard, signal):
    """The driver's block, or the next of a loop of any length."""
    for j in range(heard.size):
        if state.loop_frames == 0:
            value = float(source[j])
        else:
            value = float(loop[state.loop_at])
            state.loop_at += 1
            if state.loop_at == state.loop_frames:
                state.loop_at = 0
        if not abs(value) <= 1e30:
            value = 0.0
        heard[j] = value
        signal[j] = value


@_kernel
def guard(unit, made, signal, step):
    """Put what a unit made in place of ``signal``, or fade it out or in; returns its fault.

    ``unit`` is a record of `UNITS`, ``made`` and ``signal`` are arrays [shape=(frames,)], ``step`` is the part of a
    fade that one sample takes.
    """
    frames = signal.size
    if unit.fault == 0:
        for j in range(frames):
            if not abs(made[j]) <= 1e30:
                unit.fault = NOT_A_NUMBER
                break
    mix = unit.mix
    if unit.fault != 0 and mix == 0.0:
        return unit.fault
    if unit.fault == 0:
        for j in range(frames):
            if mix < 1.0:
                mix = min(mix + step, 1.0)
                signal[j] += mix * (made[j] - signal[j])
            else:
                signal[j] = made[j]
        unit.held = made[frames - 1]
    else:
        for j in range(frames):
            mix = max(mix - step, 0.0)
            signal[j] += mix * (unit.held - signal[j])
    unit.mix = mix
    return unit.fault


@_kernel
def _finish(gauge, state, units, numbers, heard, signal, output):
    """Ceiling, meters and counters."""
    lowest = limit_to_ceiling(signal, output, numbers, state.gain)
    if lowest < 0.0:
        gauge.errors += 1
    gain_db = 20.0 * np.log10(max(lowest, 1e-9)) if 0.0 <= lowest < _IDLE_GAIN else 0.0
    gauge.limited += gain_db < 0.0
    if gain_db < 0.0 and gain_db <= gauge.ceiling_db:
        gauge.ceiling_db, state.held_blocks = gain_db, state.hold_blocks
    elif state.held_blocks > 0:
        state.held_blocks -= 1
    else:
        gauge.ceiling_db = gain_db
    gauge.in_peak = highest_peak(heard, gauge.in_peak, state.peak_fall)
    gauge.out_peak = highest_peak(output, gauge.out_peak, state.peak_fall)
    for k in range(state.units):
        gauge.faults[k] = units[k].fault
    gauge.blocks += 1


def _compiled(_sources: int) -> Any:
    """The call, compiled or from the cache.

    numba compares one file only when it asks whether a cached function is out of date. The number made of all sources
    is part of this function's closure, and so of its key in the cache.
    """

    @cfunc(types.int64(types.CPointer(types.voidptr), types.int64, types.int64), cache=True, error_model="numpy")
    def call(p, what, k):
        answer = _sources & 0
        gauge, state = carray(p[_GAUGES], (1,), GAUGES)[0], carray(p[_STATE], (1,), STATE)[0]
        units, frames = carray(p[_UNITS], (MOST_UNITS,), UNITS), state.frames
        numbers = carray(p[_NUMBERS], (state.numbers,), np.float64)
        signal, output = carray(p[_SIGNAL], (frames,), np.float64), carray(p[_OUTPUT], (frames,), np.float32)
        heard = carray(p[_HEARD], (frames,), np.float64)
        if what & BEGIN:
            for j in range(frames):
                output[j] = 0.0
            _note_time(gauge, state, carray(p[_TIMES], (BLOCK_TIMES,), np.float32))
            answer = _take_numbers(
                gauge, state, units,
                carray(p[_SLOTS], (SLOTS, SLOT_WORDS), np.int64), carray(p[_STAGING], (SLOT_WORDS,), np.int64),
                carray(p[_COUNTERS], (COUNTERS,), np.int64), carray(p[_NUMBERS], (state.numbers,), np.int64),
                carray(p[_BEFORE], (state.numbers,), np.int64),
            )  # fmt: skip
            source, loop = carray(p[_INPUT], (frames,), np.float32), carray(p[_LOOP], (state.loop_frames,), np.float32)
            _take_input(state, source, loop, heard, signal)
        if what & ECHO:
            unit, made = units[state.echo], carray(p[_MADE + state.echo], (frames,), np.float64)
            lines = carray(p[_LINES], (1,), LINES)[0]
            gauge.shed += is_shed(lines, p[_ECHO_CALL], p[_ECHO], p[_OTHER_ECHO], state.took_ns, state.length_ns)
            if unit.fresh:
                aimed = carray(p[_ECHO_NUMBERS], (1,), LAYOUT)[0]
                if aim_lines(lines, p[_ECHO_CALL], p[_ECHO], p[_OTHER_ECHO], p[_ECHO_NUMBERS], aimed):
                    unit.fresh = 0
            if unit.fault == 0:
                play_lines(
                    lines, p[_ECHO_CALL], p[_ECHO], p[_OTHER_ECHO], p[_SIGNAL], p[_MADE + state.echo], p[_REST],
                    made, carray(p[_REST], (frames,), np.float64),
                )  # fmt: skip
            gauge.tail = lines.ring != IDLE
            guard(unit, made, signal, state.fade_step)
        if what & OFFER:
            gauge.running_unit = k + 1
            if units[k].graph:
                _copy(signal, carray(p[_GRAPH_GIVEN + k], (frames,), np.float32))
            else:
                _copy(signal, carray(p[_GIVEN + k], (frames,), np.float64))
        if what & GUARD:
            gauge.running_unit = 0
            if units[k].graph:
                answer = guard(units[k], carray(p[_GRAPH_MADE + k], (frames,), np.float32), signal, state.fade_step)
            else:
                answer = guard(units[k], carray(p[_MADE + k], (frames,), np.float64), signal, state.fade_step)
        if what & FINISH:
            _finish(gauge, state, units, numbers, heard, signal, output)
            ring = carray(p[_RING], (1,), HEAD)[0]
            if ring.frames_kept > 0:
                mark_block(ring, carray(p[_RING_MARKS], (ring.marks_kept,), MARK), gauge, state)
                keep_block(
                    ring, carray(p[_RING_DRY], (ring.frames_kept,), np.float32),
                    carray(p[_RING_WET], (ring.frames_kept,), np.float32), heard, output,
                )  # fmt: skip
                if is_snapshot_due(ring):
                    snapshots = carray(p[_RING_SNAPSHOTS], (ring.snapshots_kept,), SNAPSHOT)
                    snapshot = open_snapshot(ring, snapshots, state.seen)
                    counts = carray(p[_STATE_COUNTS], (_MOST_STATES,), np.int64)
                    for j in range(_MOST_STATES):
                        if counts[j] > 0:
                            add_words(snapshot, carray(p[_STATES + j], (counts[j],), np.int64))
                    close_snapshot(ring, snapshot)
        return answer

    return call


def _sources() -> int:
    """A number that changes with any kernel of this folder."""
    folder = Path(voicer.dsp.__file__).parent
    digest = hashlib.blake2b(digest_size=7)
    for path in sorted(folder.glob("*.py")):
        digest.update(path.read_bytes())
    return int.from_bytes(digest.digest(), "big")


_CALL = _compiled(_sources())
_SIGNATURE = ctypes.PYFUNCTYPE(ctypes.c_int64, ctypes.c_void_p, ctypes.c_int64, ctypes.c_int64)


class Work:
    """The arrays of a rack and the compiled call on them. Thread: control makes it, audio uses `step` and `stamps`.

    Parameters
    ----------
    units : records of `UNITS` [shape=(MOST_UNITS,)]
        Of each unit of the rack the place and length of its numbers.
    count : int
        Units in the rack.
    numbers : float64 [shape=(count,)]
        Numbers of all units, the ceiling's first.
    echo, other : Echo
        What plays, and what is to play after a recall.
    echo_place : int
        Of the echo in the rack.
    frames : int
        Block length.
    sample_rate_hz : float

    Attributes
    ----------
    step : callable
        ``step(what, k)``: what to do, and for `OFFER` and `GUARD` the unit's place in the rack.
    stamps : memoryview of int64
        `perf_counter_ns` before (0) and after (1) each block.
    given, made : float64 [shape=(MOST_UNITS, frames)]
        Input and output of each foreign unit.
    """

    def __init__(
        self,
        units: NDArray[Any],
        count: int,
        numbers: NDArray[np.float64],
        echo: Echo,
        other: Echo,
        echo_place: int,
        frames: int,
        sample_rate_hz: float,
    ) -> None:
        self._addresses = np.zeros(_ADDRESSES, np.intp)
        self._kept: dict[int, Any] = {}
        self.units, self.numbers, self.counters = units, numbers, np.zeros(COUNTERS, np.int64)
        self.given, self.made = np.zeros((MOST_UNITS, frames)), np.zeros((MOST_UNITS, frames))
        self._state = np.zeros(1, STATE)
        state = self._state[0]
        state["frames"], state["length_ns"] = frames, 1e9 * frames / sample_rate_hz
        state["units"], state["numbers"], state["echo"] = count, numbers.size, echo_place
        state["fade_step"] = 1 / (FADE_S * sample_rate_hz)
        state["peak_fall"] = np.exp(-frames / sample_rate_hz / PEAK_FALL_S)
        state["hold_blocks"] = round(HOLD_S * sample_rate_hz / frames)
        state["gain"] = 1.0, 0.0
        self.stamps = memoryview(self._state.view(np.int64).data)[:2]
        self._lines = np.zeros(1, LINES)
        set_up(self._lines[0], numbers[units["place"][echo_place] :][:COUNT].view(LAYOUT)[0], sample_rate_hz)
        self._echoes = [echo, other]
        for place, array in (
            (_STATE, self._state), (_LINES, self._lines), (_REST, np.zeros(frames)), (_OTHER_ECHO, other.addresses),
            (_UNITS, units), (_NUMBERS, numbers), (_BEFORE, numbers.copy()),
            (_COUNTERS, self.counters), (_STAGING, np.zeros(SLOT_WORDS, np.int64)),
            (_RING, np.zeros(1, HEAD)), (_STATE_COUNTS, np.zeros(_MOST_STATES, np.int64)),
            (_HEARD, np.zeros(frames)), (_SIGNAL, np.zeros(frames)), (_LOOP, np.zeros(1, np.float32)),
        ):  # fmt: skip
            self._put(place, array)
        for k in range(MOST_UNITS):
            self._put(_GIVEN + k, self.given[k])
            self._put(_MADE + k, self.made[k])
        self._addresses[_ECHO_CALL] = ADDRESS
        self._addresses[_ECHO_NUMBERS] = numbers[units["place"][echo_place] :].ctypes.data
        self._put(_ECHO, echo.addresses)
        self._note_states()
        self.step: Callable[[int, int], int] = partial(_SIGNATURE(_CALL.address), self._addresses.ctypes.data)

    def take_echo(self, echo: Echo) -> None:
        """Play this echo; while one plays, only after it was marked with a fault and has faded."""
        main = int(self._lines["main"][0])
        self._echoes[main] = echo
        self._lines["ring"] = IDLE
        self._put(_OTHER_ECHO if main else _ECHO, echo.addresses)
        self._note_states()

    def take_ring(
        self, head: NDArray[Any], dry: NDArray[np.float32], wet: NDArray[np.float32], marks: NDArray[Any],
        snapshots: NDArray[Any],
    ) -> None:  # fmt: skip
        """Keep every block in these arrays of a ring."""
        for place, array in (
            (_RING_DRY, dry), (_RING_WET, wet), (_RING_MARKS, marks), (_RING_SNAPSHOTS, snapshots), (_RING, head),
        ):  # fmt: skip
            self._put(place, array)

    def restore(self, words: NDArray[np.int64]) -> None:
        """Go on from the state that a snapshot holds [int64]; `ValueError` where it is of another rack."""
        arrays = self.state_arrays()
        if words.size != sum(array.nbytes for array in arrays) // 8:
            raise ValueError("the state is of another rack or another version")
        at = 0
        for array in arrays:
            flat = array.reshape(-1).view(np.int64)
            flat[:] = words[at : at + flat.size]
            at += flat.size

    def _note_states(self) -> None:
        """Tell the kernel where the state is; meanwhile it keeps none."""
        counts = self._kept[_STATE_COUNTS]
        counts[:] = 0
        arrays = self.state_arrays()
        for k, array in enumerate(arrays):
            self._addresses[_STATES + k] = array.ctypes.data
        counts[: len(arrays)] = [array.nbytes // 8 for array in arrays]

    def shed_tails(self) -> None:
        """Drop a tail when blocks become slow: for engines that must be in time."""
        self._lines["sheds"] = 1

    def state_arrays(self) -> list[NDArray[Any]]:
        """All that decides what is played next but the numbers to come, always in this order.

        See `Echo.state_arrays`. Foreign units keep their own state, which is not part of it.
        """
        echoes = [*self._echoes[0].state_arrays(), *self._echoes[1].state_arrays()]
        own = [self._state["gain"][0], self._kept[_NUMBERS], self._kept[_BEFORE], self.units]
        return [self._lines, *echoes, *own]

    def take_link(self, gauges: NDArray[Any], slots: NDArray[np.int64], times: NDArray[np.float32], seen: int) -> None:
        """Work on the arrays of a link; ``seen`` is the number of the set that `numbers` came from."""
        for place, array in ((_GAUGES, gauges), (_SLOTS, slots), (_TIMES, times)):
            self._put(place, array)
        self._state["seen"] = seen

    def take_loop(self, loop: NDArray[np.float32]) -> None:
        """Play this recording round and round in place of the input."""
        self._put(_LOOP, loop)
        self._state["loop_frames"] = loop.size

    def take_ports(self, source: int, output: int) -> None:
        """Addresses of the driver's input and of the output [float32, shape=(frames,)]; the caller keeps them alive."""
        self._addresses[_INPUT], self._addresses[_OUTPUT] = source, output

    def take_graph(self, k: int, given: int, made: int) -> None:
        """Addresses of the tables [float32, shape=(frames,)] around the pyo objects of unit ``k``."""
        self._addresses[_GRAPH_GIVEN + k], self._addresses[_GRAPH_MADE + k] = given, made

    def _put(self, place: int, array: NDArray[Any]) -> None:
        assert array.flags.c_contiguous  # noqa: S101
        self._kept[place] = array
        self._addresses[place] = array.ctypes.data
