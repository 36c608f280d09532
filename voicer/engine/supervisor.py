"""The supervisor: starts the engine, feeds it, and brings it back when it dies.

Use: ``player = Supervisor("jack", rack)``, ``player.start(numbers_for)``, then ``player.send("echo", numbers)`` as
often as you like, ``player.watch()`` ten times a second, ``player.stop()`` at the end.
"""

from __future__ import annotations

import json
import os
import queue
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from typing import Any

import numpy as np
from numpy.typing import NDArray

from voicer.devices.audio import System, jack_server
from voicer.engine.link import FAULTS, Link, Orders, Report, numbers_layout
from voicer.engine.memory import create_memory, inheritance, ticket, write_samples
from voicer.engine.units import place_in
from voicer.errors import EngineError, PortError

NumbersFor = Callable[[float], dict[str, NDArray[np.float64]]]
"""Numbers of every unit in the rack for a sample rate in Hz."""

LoopFor = Callable[[float], NDArray[np.float32]]
"""The recording to loop, at a sample rate in Hz [shape=(frames,)]."""

READY_WITHIN_S = 20.0
STARTED_WITHIN_S = 60.0
"""The first start compiles the kernels."""

STALLED_AFTER_S = 1.0
"""An engine that plays no block for so long is replaced."""

_SAID_SLOW_AFTER_S = 1.5


class Supervisor:
    """A running engine process, and the next one when it dies.

    Parameters
    ----------
    system : "jack" or "portaudio"
    rack : tuple of str
        From `rack_names`.
    loop_for : callable, optional
        A recording that plays in place of the live input.
    device, sample_rate_hz, frames
        For PortAudio.
    tell : callable
        Told what happened, one line at a time.
    """

    def __init__(
        self,
        system: System,
        rack: tuple[str, ...],
        *,
        loop_for: LoopFor | None = None,
        device: str | None = None,
        sample_rate_hz: float = 48_000.0,
        frames: int = 64,
        tell: Callable[[str], None] = lambda _line: None,
    ) -> None:
        self.system, self.rack = system, rack
        self.sample_rate_hz, self.frames = sample_rate_hz, frames
        self.restarts = 0
        self._device, self._loop_for, self._tell = device, loop_for, tell
        self._link = Link.create()
        self._loop = create_memory("voicer-loop", 0) if loop_for else None
        self._places: dict[str, tuple[int, int]] = {}
        self._numbers_for: NumbersFor | None = None
        self._engine: subprocess.Popen[str] | None = None
        self._events: queue.SimpleQueue[dict[str, Any]] = queue.SimpleQueue()
        self._blocks, self._moved_at_s = 0, 0.0
        self._retry_at_s = 0.0
        self._told_faults: set[int] = set()

    def start(self, numbers_for: NumbersFor) -> None:
        """Start the first engine; `EngineError` or `PortError` if it cannot play. Thread: control."""
        self._numbers_for = numbers_for
        self._spawn()

    def send(self, unit: str, numbers: NDArray[np.float64]) -> None:
        """New numbers for a unit; heard from the next block on. Thread: control."""
        place, length = self._places[unit]
        if numbers.size != length:
            raise EngineError(f"unit '{unit}' must always have {length} numbers (got {numbers.size})")
        self._link.write(place, numbers)

    def put_back(self, unit: str) -> None:
        """Have a bypassed unit made anew and faded in. Thread: control."""
        self._link.put_back(place_in(self.rack, unit))

    def report(self) -> Report:
        """Counters and meters of the engine that plays now. Any thread."""
        return self._link.report()

    def block_times_us(self) -> NDArray[np.float32]:
        """Times of the engine's recent blocks, µs. Any thread."""
        return self._link.recent_block_times_us()

    def watch(self) -> bool:
        """Look after the engine; call it some ten times a second. Thread: control.

        Returns
        -------
        bool
            Whether a new engine has just taken over (and MIDI through JACK should be opened anew).
        """
        self._tell_faults()
        trouble = self._trouble()
        if trouble is None:
            return False
        if self._engine is not None:
            self._tell(f"{trouble}; the sound comes back with the same voicing")
            self._end_engine()
        if time.monotonic() < self._retry_at_s:
            return False
        self._retry_at_s = time.monotonic() + 0.5
        if self.system == "jack" and jack_server() is None:
            return False
        try:
            self._spawn()
        except (EngineError, PortError):
            return False
        self.restarts += 1
        self._tell("the engine plays again")
        return True

    def stop(self) -> None:
        """End the engine and let go of the link. Thread: control."""
        self._end_engine()
        self._link.close()
        if self._loop is not None:
            os.close(self._loop)
            self._loop = None

    def _spawn(self) -> None:
        assert self._numbers_for is not None  # noqa: S101
        self._link.clear_report()
        numbers = self._numbers_for(self.sample_rate_hz)
        self._places = numbers_layout(self.rack, numbers)
        loop = None if self._loop is None else ticket(self._loop)
        orders = Orders(
            link=self._link.ticket, system=self.system, rack=self.rack, places=self._places, device=self._device,
            sample_rate_hz=self.sample_rate_hz, frames=self.frames, loop=loop,
        )  # fmt: skip
        inherited = inheritance(orders.link, *([] if loop is None else [loop]))
        self._engine = subprocess.Popen(
            [sys.executable, "-m", "voicer.engine.process"],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, start_new_session=True, **inherited,
        )  # fmt: skip
        self._events = queue.SimpleQueue()
        threading.Thread(target=self._listen, args=(self._engine, self._events), daemon=True).start()
        try:
            self._order(orders.to_line())
            ready = self._await("ready", READY_WITHIN_S)
            self.sample_rate_hz, self.frames = float(ready["sample_rate_hz"]), int(ready["frames"])
            for unit, values in self._numbers_for(self.sample_rate_hz).items():
                self.send(unit, values)
            if self._loop_for and self._loop is not None:
                write_samples(self._loop, self._loop_for(self.sample_rate_hz))
            self._order("go")
            self._await("started", STARTED_WITHIN_S)
        except (EngineError, PortError):
            self._end_engine()
            raise
        self._blocks, self._moved_at_s = 0, time.monotonic()
        self._told_faults.clear()

    def _order(self, line: str) -> None:
        assert self._engine is not None  # noqa: S101
        assert self._engine.stdin is not None  # noqa: S101
        try:
            self._engine.stdin.write(line + "\n")
            self._engine.stdin.flush()
        except OSError as error:
            raise EngineError("the engine must run (it ended at once)", remedy=_LOG_REMEDY) from error

    @staticmethod
    def _listen(engine: subprocess.Popen[str], events: queue.SimpleQueue[dict[str, Any]]) -> None:
        """Collect what an engine tells, until it ends. Thread: its own."""
        assert engine.stdout is not None  # noqa: S101
        for line in engine.stdout:
            events.put(json.loads(line))
        events.put({"event": "ended"})

    def _await(self, wanted: str, within_s: float) -> dict[str, Any]:
        begun_s, said = time.monotonic(), False
        while True:
            try:
                event = self._events.get(timeout=0.1)
            except queue.Empty:
                waited_s = time.monotonic() - begun_s
                if wanted == "started" and waited_s > _SAID_SLOW_AFTER_S and not said:
                    self._tell("compiling the echo kernel: only the first start takes this long")
                    said = True
                if waited_s > within_s:
                    raise EngineError(
                        f"the engine must be {wanted} within {within_s:g} s (it is not)", remedy=_LOG_REMEDY
                    ) from None
                continue
            if event["event"] == wanted:
                return event
            if event["event"] == "failed":
                raise EngineError(event["line"])
            if event["event"] == "ended":
                raise EngineError(f"the engine ended before it was {wanted}", remedy=_LOG_REMEDY)

    def _trouble(self) -> str | None:
        """What is wrong with the engine, None if it plays."""
        if self._engine is None:
            return "no engine plays"
        code = self._engine.poll()
        if code is not None:
            return f"the engine ended ({'killed by signal ' + str(-code) if code < 0 else f'exit code {code}'})"
        blocks, now_s = self._link.report().blocks, time.monotonic()
        if blocks != self._blocks:
            self._blocks, self._moved_at_s = blocks, now_s
            return None
        if now_s - self._moved_at_s < STALLED_AFTER_S:
            return None
        if self.system == "jack" and jack_server() is None:
            return "the JACK server has gone; waiting for it"
        return f"the engine played nothing for {STALLED_AFTER_S:g} s"

    def _tell_faults(self) -> None:
        faults = self._link.report().faults
        for place, unit in enumerate(self.rack):
            if not faults[place]:
                self._told_faults.discard(place)
            elif place not in self._told_faults:
                self._told_faults.add(place)
                self._tell(f"unit '{unit}' is bypassed: it {FAULTS[faults[place]]}")

    def _end_engine(self) -> None:
        engine, self._engine = self._engine, None
        if engine is None:
            return
        if engine.stdin is not None:
            with suppress(OSError):
                engine.stdin.close()
        try:
            engine.wait(timeout=2.0)
        except subprocess.TimeoutExpired:
            engine.kill()
            engine.wait()


_LOG_REMEDY = "start again with VOICER_ENGINE_LOG=1 to see what it prints" if os.name == "posix" else ""
