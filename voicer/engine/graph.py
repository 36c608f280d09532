"""The rack as pyo plays it: the block callback, and pyo objects around it.

Only this module and the units that third parties bring touch pyo. The current block's input is read straight from
pyo's input buffer and the first stage runs in the server's own callback, so a rack of block units adds no delay.
A stage behind a graph unit runs between pyo's objects in the same block.
"""

from __future__ import annotations

import ctypes
import gc
import os
from contextlib import suppress
from time import perf_counter_ns
from typing import Any

import numpy as np
from numpy.typing import NDArray

os.environ.setdefault("PYO_GUI_WX", "0")
import pyo

from voicer.dsp.meters import note_block
from voicer.engine.link import BLOCK_TIMES, Link
from voicer.engine.rack import Rack, Slot
from voicer.engine.units import GraphUnit

OUTPUTS = 2
"""Both outputs carry the same signal."""

JACK_CLIENT = "voicer-audio"
"""Its ports are ``input_1``, ``output_1`` and ``output_2``; the MIDI port stands under ``voicer``."""

_PEAK_FALL_S = 0.3
_SETTLED_AFTER = 100  # blocks before lateness is counted: the driver's own start
_PRIORITY = 70  # asked for where the driver's thread has no real-time priority of its own


class Table:
    """A pyo table of one block together with the numpy view of it; drops the view first (it would crash)."""

    def __init__(self, frames: int) -> None:
        self._table = pyo.DataTable(size=frames)
        self.view: Any = np.asarray(self._table.getBuffer())

    def read(self) -> Any:
        """A PyoObject that plays the table in the same block it is written in. Thread: control."""
        return pyo.TableRead(self._table, freq=self._table.getRate(), loop=True).play()

    def fill_from(self, source: Any) -> Any:
        """A PyoObject that writes ``source`` into the table. Thread: control."""
        return pyo.TableFill(source, self._table)

    def close(self) -> None:
        """Drop the view, then the table. Thread: control."""
        self.view = None
        self._table = None


class Graph:
    """A booted pyo server with the rack built into it; returned stopped.

    Parameters
    ----------
    server : pyo.Server
        Booted, one input channel and two outputs.
    rack : Rack
    link : Link
    loop : float32 [shape=(frames,)], optional
        Played round and round in place of the live input.
    live : bool
        Whether a driver's own thread plays it, for which real-time priority is asked.
    """

    def __init__(
        self, server: Any, rack: Rack, link: Link, *, loop: NDArray[np.float32] | None = None, live: bool
    ) -> None:
        self.server, self._rack, self._link, self._loop, self._live = server, rack, link, loop, live
        frames, rate = int(server.getBufferSize()), float(server.getSamplingRate())
        self.frames, self.sample_rate_hz = frames, rate
        self._input = _floats_at(server.getInputAddr(), frames)
        self._output = _floats_at(server.getOutputAddr(), frames * OUTPUTS)
        self._numbers = np.zeros(sum(slot.length for slot in rack.slots))
        self._heard, self._work, self._played = np.zeros(frames), np.zeros(frames), np.zeros(frames)
        self._played_at = 0
        self._peaks = np.zeros(2)
        self._fall = float(np.exp(-frames / rate / _PEAK_FALL_S))
        self._length_ns = 1e9 * frames / rate
        self._last_ns = 0
        self._blocks = 0
        self._tables: list[Table] = []
        self._keep: list[Any] = []
        self._build()

    def start(self) -> None:
        """Let the sound begin. Thread: control."""
        self.server.setCallback(self._block)
        if self._live:  # the engine process is ours alone
            gc.collect()
            gc.freeze()
            gc.disable()
        self.server.start()

    def stop(self) -> None:
        """End the sound and let go of everything, callback first. Thread: control."""
        with suppress(Exception):
            self.server.setCallback(None)
        self.server.stop()
        self._input = self._output = None
        for kept in reversed(self._keep):
            with suppress(Exception):
                kept.stop()
        self._keep.clear()
        for table in self._tables:
            table.close()
        self.server.shutdown()

    def _build(self) -> None:
        stages = list(self._rack.stages)
        self._first = stages.pop(0) if not isinstance(stages[0][0].unit, GraphUnit) else []
        self._out = self._table()
        signal = self._out.read()
        self._keep.append(signal)
        for stage in stages:
            unit = stage[0].unit
            signal = unit.build(signal) if isinstance(unit, GraphUnit) else self._between(stage, signal)
            self._keep.append(signal)
        mix = signal.mix(OUTPUTS).out()
        last = pyo.CallAlways(self._done)
        self._keep += [mix, last]

    def _table(self) -> Table:
        self._tables.append(Table(self.frames))
        return self._tables[-1]

    def _between(self, stage: list[Slot], source: Any) -> Any:
        """Block units behind a pyo object: fill a table, run the units on it, read their table."""
        before, after = self._table(), self._table()
        x, y = np.zeros(self.frames), np.zeros(self.frames)
        into, out, run = before.view, after.view, self._rack.run

        def work() -> None:
            x[:] = into
            run(stage, x, y)
            out[:] = y
            self._played[:] = y

        self._keep += [before.fill_from(source), pyo.CallAlways(work)]
        return after.read()

    @property
    def is_settled(self) -> bool:
        """Whether the driver's own start is over and what goes wrong counts. Thread: audio."""
        return self._blocks > _SETTLED_AFTER

    def take_input(self, block: NDArray[np.float32]) -> None:
        """Put a block where the driver would have put it (servers that are stepped). Thread: audio."""
        self._input[:] = block

    def give_output(self) -> NDArray[np.float32]:
        """The block just played, interleaved [shape=(frames * OUTPUTS,)] (servers that are stepped). Thread: audio."""
        return self._output  # type: ignore[no-any-return]

    def _block(self) -> None:
        """Pyo's callback at the start of each block. Thread: audio; must return None and never raise."""
        try:
            self._begun_ns = perf_counter_ns()
            if self._live and self._blocks == 0:
                self._link.head["realtime"] = _realtime_priority()
            if self._link.read_new(self._numbers):
                self._rack.glide_to(self._numbers)
            if self._loop is None:
                self._heard[:] = self._input
            else:
                self._next_of_loop()
            self._work[:] = self._heard
            self._rack.run(self._first, self._work, self._played)
            self._out.view[:] = self._played
        except Exception:  # nothing may leave the audio thread: a silent block, and it is counted
            self._out.view[:] = 0.0
            self._link.head["errors"] += 1

    def _next_of_loop(self) -> None:
        loop, at, frames = self._loop, self._played_at, self.frames
        assert loop is not None  # noqa: S101
        head = min(frames, loop.size - at)
        self._heard[:head] = loop[at : at + head]
        if head < frames:
            self._heard[head:] = loop[: frames - head]
        self._played_at = (at + frames) % loop.size

    def _done(self) -> None:
        """Last in the block: counters, meters, scope. Thread: audio."""
        link, head = self._link, self._link.head
        note_block(self._heard, self._played, self._peaks, self._fall, link.scope, self._blocks * self.frames)
        now_ns = perf_counter_ns()
        link.block_times_us[self._blocks % BLOCK_TIMES] = (now_ns - self._begun_ns) / 1e3
        if self.is_settled:
            if now_ns - self._begun_ns > self._length_ns:
                head["late"] += 1
            if self._begun_ns - self._last_ns > 2.5 * self._length_ns:
                head["gaps"] += 1
        self._last_ns = self._begun_ns
        for j, slot in enumerate(self._rack.slots):
            if slot.fault:
                head["faults"][0, j] = slot.fault
        head["in_peak"], head["out_peak"] = self._peaks
        self._blocks += 1
        head["blocks"] = self._blocks


def _floats_at(address: str, count: int) -> Any:
    """A float32 view of pyo's own buffer at a hexadecimal address."""
    return np.ctypeslib.as_array((ctypes.c_float * count).from_address(int(address, 16)))


def make_server(sample_rate_hz: float, frames: int, audio: str) -> Any:
    """A pyo server, silent on the terminal and not booted: ``jack``, or ``manual`` to be stepped. Thread: control."""
    server = pyo.Server(
        sr=sample_rate_hz, nchnls=OUTPUTS, ichnls=1, buffersize=frames, duplex=1, audio=audio, jackname=JACK_CLIENT
    )
    server.setVerbosity(0)
    server.deactivateMidi()
    return server


def _realtime_priority() -> int:
    """Real-time priority of this thread, asked for if it has none; 0 where the system grants none. Thread: audio."""
    try:
        if os.sched_getscheduler(0) == os.SCHED_OTHER:
            os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(_PRIORITY))
        return os.sched_getparam(0).sched_priority
    except (AttributeError, OSError):
        return 0
