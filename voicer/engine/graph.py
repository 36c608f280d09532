"""The rack as pyo plays it: the block callback, and pyo objects around it.

Only this module and graph units touch pyo. The current block's input is read straight from pyo's input buffer and the
first stage runs in the server's own callback, so a rack adds no delay: without foreign units it is one compiled call
(`dsp.block`). A stage that begins with a graph unit runs between pyo's objects in the same block. The ceiling fills the
table that the last pyo object plays; nothing else is sent to the driver.
"""

from __future__ import annotations

import ctypes
import gc
import os
import threading
from collections.abc import Callable
from contextlib import suppress
from functools import partial
from queue import SimpleQueue
from time import perf_counter_ns
from typing import Any

import numpy as np
from numpy.typing import NDArray

os.environ.setdefault("PYO_GUI_WX", "0")
import pyo

from voicer.dsp.block import ALL, BEGIN, FINISH, FRESH, OFFER, PUT_BACK
from voicer.dsp.gauges import SETTLED_AFTER
from voicer.engine.link import BUILD_FAILED, PAST_THE_CEILING, Link
from voicer.engine.rack import Rack, print_error

OUTPUTS = 2
"""Both outputs carry the same signal."""

JACK_CLIENT = "voicer-audio"
"""Its ports are ``input_1``, ``output_1`` and ``output_2``; the MIDI port belongs to the client ``voicer``."""

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

    What leaves the server is a table that the ceiling has filled, or zeros where anything before it failed.

    Parameters
    ----------
    server : pyo.Server
        Booted, one input channel and two outputs.
    rack : Rack
    link : Link
    loop : float32 [shape=(frames,)], optional
        Played round and round in place of the live input; of any length from one sample on.
    live : bool
        Whether a driver's own thread plays it, for which real-time priority is asked.
    """

    def __init__(
        self, server: Any, rack: Rack, link: Link, *, loop: NDArray[np.float32] | None = None, live: bool
    ) -> None:
        self.server, self._rack, self._link, self._live = server, rack, link, live
        self.frames, self.sample_rate_hz = int(server.getBufferSize()), float(server.getSamplingRate())
        self._input = _floats_at(server.getInputAddr(), self.frames)
        self._output = _floats_at(server.getOutputAddr(), self.frames * OUTPUTS)
        self._step, self._stamps = rack.work.step, rack.work.stamps
        self._begun = False
        self._failed = False
        self._to_do: SimpleQueue[Callable[[], None] | None] = SimpleQueue()
        self._own: set[int] = set()
        self._tables: list[Table] = []
        self._keep: list[Any] = []
        if loop is not None and loop.size:
            rack.work.take_loop(loop)
        if live:
            rack.work.shed_tails()
            rack.on_error = lambda name, error: self._to_do.put(partial(print_error, name, error))
        self._build()

    def start(self) -> None:
        """Let the sound begin. Thread: control."""
        self.server.setCallback(self._block)
        if self._live:  # the engine process is ours alone
            threading.Thread(target=self._attend, daemon=True).start()
            gc.collect()
            gc.freeze()
            gc.disable()
        self.server.start()

    def stop(self) -> None:
        """End the sound and let go of everything, callback first. Thread: control."""
        with suppress(Exception):
            self.server.setCallback(None)
        self.server.stop()
        self._to_do.put(None)
        self._input = self._output = None
        for kept in reversed(self._keep):
            with suppress(Exception):
                kept.stop()
        self._keep.clear()
        for table in self._tables:
            table.close()
        self.server.shutdown()

    def _build(self) -> None:
        self._out = self._table()
        self._rack.work.take_ports(self._input.ctypes.data, self._out.view.ctypes.data)
        self._stages = self._rack.stages()
        self._is_plain = len(self._stages) == 1 and not any(self._rack.slots)
        for j in range(1, len(self._stages)):
            self._put_behind(j)
        last = self._out.read().mix(OUTPUTS).out()
        self._own = {stream.getId() for stream in self.server.getStreams() if stream.isOutputting()}
        self._keep.append(last)

    def _put_behind(self, j: int) -> None:
        """A graph unit between two tables, and behind it the work on what it made and on the stage it begins."""
        k, slot = self._stages[j][0]
        assert slot is not None  # noqa: S101
        given, made = self._table(), self._table()
        self._rack.work.take_graph(k, given.view.ctypes.data, made.view.ctypes.data)
        slot.passes_ceiling = self._is_passed
        source = given.read()
        self._keep.append(source)
        if slot.unit is not None:
            with self._rack.building(k):
                try:
                    built = slot.unit.build(source).mix(1)
                    self._keep += [built, made.fill_from(built)]
                except (Exception, SystemExit) as error:
                    slot.fail(BUILD_FAILED, error)
        if self._is_passed():
            slot.fail(PAST_THE_CEILING)
        if slot.fault:
            slot.unit = None
            self._rack.work.units[k]["mix"] = 0.0

        def work() -> None:
            if self._failed:
                return
            try:
                slot.check()
                self._play(j)
            except BaseException:  # nothing may leave the audio thread: a silent block, and it is counted
                self._fail()

        self._keep.append(pyo.CallAlways(work))

    def _is_passed(self) -> bool:
        """Whether any object but the last sends sound to the driver; it is stopped. Any thread."""
        passing = [s for s in self.server.getStreams() if s.isOutputting() and s.getId() not in self._own]
        for stream in passing:
            stream.getStreamObject().stop()
        return bool(passing)

    def _table(self) -> Table:
        self._tables.append(Table(self.frames))
        return self._tables[-1]

    @property
    def is_settled(self) -> bool:
        """Whether the driver's own start is over and what goes wrong counts. Thread: audio."""
        return bool(self._link.head["blocks"][0] > SETTLED_AFTER)

    def take_input(self, block: NDArray[np.float32]) -> None:
        """Put a block where the driver would have put it (servers that are stepped). Thread: audio."""
        self._input[:] = block

    def give_output(self) -> NDArray[np.float32]:
        """The block just played, interleaved [shape=(frames * OUTPUTS,)] (servers that are stepped). Thread: audio."""
        return self._output  # type: ignore[no-any-return]

    def _block(self) -> None:
        """Pyo's callback at the start of each block. Thread: audio; must return None and never raise."""
        try:
            self._stamps[0] = perf_counter_ns()
            if not self._begun:
                self._begin()
            if self._is_plain:
                flags = self._step(ALL, 0)
                self._stamps[1] = perf_counter_ns()
                if flags & PUT_BACK:
                    self._do(self._rack.put_back)
                return
            self._failed = False
            flags = self._step(BEGIN, 0)
            if flags & FRESH:
                self._rack.glide_to()
            if flags & PUT_BACK:
                self._do(self._rack.put_back)
            self._play(0)
        except BaseException:  # nothing may leave the audio thread: a silent block, and it is counted
            self._fail()

    def _begin(self) -> None:
        """What is done in the first block alone."""
        self._begun = True
        if self._live:
            self._link.head["realtime"] = _realtime_priority()

    def _play(self, j: int) -> None:
        """The units of a stage, then the ceiling, or the way to the graph unit that comes next. Thread: audio."""
        self._rack.play(self._stages[j])
        if j + 1 == len(self._stages):
            self._step(FINISH, 0)
            self._stamps[1] = perf_counter_ns()
        else:
            self._step(OFFER, self._stages[j + 1][0][0])

    def _fail(self) -> None:
        self._failed = True
        self._out.view[:] = 0.0
        self._link.head["errors"] += 1
        self._link.head["blocks"] += 1

    def _do(self, job: Callable[[], None]) -> None:
        """Have something done that takes time: by the attendant while a driver plays, else at once. Thread: audio."""
        if self._live:
            self._to_do.put(job)
        else:
            job()

    def _attend(self) -> None:
        """Do what the audio thread has asked for. Thread: control (its own)."""
        while job := self._to_do.get():
            with suppress(Exception):
                job()


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
