"""The supervisor: starts the engine, feeds it, and replaces it when it dies.

Use: ``player = Supervisor("jack", rack)``, ``player.start(numbers_for)``, then ``player.send({"echo": numbers})`` as
often as you like, ``player.watch()`` some ten times a second, ``player.stop()`` at the end.

Watching and restarting happen on a thread of its own; only what must be computed by the session, and what is told to
the player, passes through `watch`. A spare engine is kept ready, so that a replacement plays within a second: imported,
its kernels loaded, the rack built, no device open.
"""

from __future__ import annotations

import os
import queue
import threading
import time
from collections import Counter, deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from voicer.devices.audio import System, jack_server, no_jack_server
from voicer.engine.launch import Engines, Event, OwnEngines
from voicer.engine.link import FAULTS, Link, Orders, Report, numbers_layout
from voicer.engine.memory import opened, write_samples
from voicer.engine.ring import Ring
from voicer.engine.units import place_in
from voicer.errors import EngineError, VoicerError

NumbersFor = Callable[[float], dict[str, NDArray[np.float64]]]
"""Numbers of every unit in the rack for a sample rate in Hz."""

LoopFor = Callable[[float], NDArray[np.float32]]
"""The recording to loop, at a sample rate in Hz [shape=(frames,)]."""

SPARE_STARTED_WITHIN_S = 10.0
STARTED_WITHIN_S = 60.0
"""A cold start imports all libraries; on a busy machine that takes its time."""

COMPILED_WITHIN_S = 180.0
"""A start that compiles kernels may take this long."""

STALLED_AFTER_S = 1.0
"""An engine that plays no block for this long is replaced."""

WAITS_S = (0.0, 0.25, 0.5, 1.0, 2.0)
"""Pause before each further attempt to replace an engine; the last one holds for all that follow."""

SPARE_AFTER_S = 2.0
"""The spare is started when the engine has played this long, not to compete with its start."""

DEATHS_ALLOWED = 1
"""A unit in which more engines die than this is left out."""

_LOOK_S = 0.05
_ENDED_WITHIN_S = 1.0
_OUTSIDE = (-2, -9, -15)
"""Ends by INT, KILL and TERM come from outside: no unit does that to its own process."""


@dataclass
class _Engine:
    """What is known of one engine process."""

    number: int
    played: bool = False
    failed: str = ""
    lost: str = ""
    code: int | None = None
    """Exit code once it has ended; unknown is 0."""
    compiles: bool = False
    ready: bool = False
    ordered: Orders | None = None
    born_s: float = field(default_factory=time.monotonic)

    @property
    def is_alive(self) -> bool:
        return self.code is None


class Supervisor:
    """A running engine process, and the next one when it dies.

    Parameters
    ----------
    system : "jack" or "portaudio"
    rack : tuple of str
        From `rack_names`.
    engines : Engines, optional
        Where engine processes are kept; children of this process by default.
    found : iterable of dict
        Engines that are there already, each with its ``engine`` number and the ``events`` it told.
    loop_for : callable, optional
        A recording that plays in place of the live input.
    device, input_device, sample_rate_hz, frames
        For PortAudio.
    orphan_s : float
        How long an engine goes on when this process and the engines' parent are gone.
    keep_minutes : float
        How much of what was just played is kept in memory; 0 keeps nothing.
    tell : callable
        Receives lines for the player, from `start` and `watch`.
    """

    def __init__(
        self,
        system: System,
        rack: tuple[str, ...],
        *,
        engines: Engines | None = None,
        found: Iterable[dict[str, Any]] = (),
        loop_for: LoopFor | None = None,
        device: str | None = None,
        input_device: str | None = None,
        sample_rate_hz: float = 48_000.0,
        frames: int = 64,
        orphan_s: float = 0.0,
        keep_minutes: float = 0.0,
        tell: Callable[[str], None] = lambda _line: None,
    ) -> None:
        self.system, self.rack = system, rack
        self.sample_rate_hz, self.frames = sample_rate_hz, frames
        self.restarts = 0
        self.left_out: tuple[str, ...] = ()
        """Units that are not loaded, since engines died in them."""
        self.ring: Ring | None = None
        """What was just played; None where nothing is kept."""
        self._keep_minutes = keep_minutes
        self._devices, self._loop_for, self._orphan_s, self._tell = (device, input_device), loop_for, orphan_s, tell
        self._engines = engines or OwnEngines()
        self._link = Link.attach(opened(self._engines.link))
        self._known: dict[int, _Engine] = {}
        self._current: _Engine | None = None
        self._spare: _Engine | None = None
        for one in found:
            self._known[one["engine"]] = _Engine(one["engine"])
            for event in one["events"]:
                self._note(event)
        self._places: dict[str, tuple[int, int]] = {}
        self._numbers_for: NumbersFor | None = None
        self._deaths: Counter[str] = Counter()
        self._spares_died = 0
        self._loop_rate_hz = 0.0
        """Rate of the recording that the memory holds, 0 for none."""
        self._blocks, self._moved_at_s, self._began_s = 0, 0.0, 0.0
        self._told_faults: set[int] = set()
        self._told_errors = 0
        self._lines: deque[str] = deque()
        self._reason = ""
        self._clock_wanted: tuple[float, int] | None = None
        self._clock_taken = threading.Event()
        self._stopping = threading.Event()
        self._restart_asked = threading.Event()
        self._thread: threading.Thread | None = None

    def start(self, numbers_for: NumbersFor, *, must_play: bool = True) -> None:
        """Start the engine, or go on with one that plays. Thread: control.

        Raises `EngineError` or `PortError` if it cannot play; unless it must, it is tried again until it plays.
        """
        self._numbers_for = numbers_for
        playing = next((one for one in self._known.values() if one.is_alive and one.played and not one.lost), None)
        try:
            self.sample_rate_hz, self.frames = self._clock()
            self._take_clock()
            if playing is None:
                self._begin(self._tell)
            else:
                self._current, self._loop_rate_hz = playing, self.sample_rate_hz
        except VoicerError:
            if must_play:
                raise
            self._take_clock()
        self._moved_at_s = self._began_s = time.monotonic()
        for one in self._known.values():
            if one.is_alive and one not in (self._current, self._spare):
                self._engines.kill(one.number)
        self._thread = threading.Thread(target=self._look_after, daemon=True, name="supervisor")
        self._thread.start()

    def send(self, numbers: dict[str, NDArray[np.float64]]) -> int:
        """New numbers for units, heard together from the next block on; the number of the set. Thread: control."""
        for unit, values in numbers.items():
            length = self._places[unit][1]
            if values.size != length:
                raise EngineError(f"unit '{unit}' must always have {length} numbers (got {values.size})")
        return self._link.write([(self._places[unit][0], values) for unit, values in numbers.items()])

    def report(self) -> Report:
        """Counters and meters of the engine that plays now. Any thread."""
        return self._link.report()

    def block_times_us(self) -> NDArray[np.float32]:
        """Times of the engine's recent blocks, µs. Any thread."""
        return self._link.recent_block_times_us()

    def watch(self) -> None:
        """Hand out what happened, and compute what a restart at another sample rate needs; never blocks.

        Thread: control; call it some ten times a second.
        """
        while self._lines:
            self._tell(self._lines.popleft())
        if self._clock_wanted is not None and not self._clock_taken.is_set():
            self.sample_rate_hz, self.frames = self._clock_wanted
            self._take_clock()
            self._clock_taken.set()

    def put_back(self, unit: str) -> None:
        """Have a bypassed unit made anew and faded in; for one that was left out the sound pauses. Thread: control."""
        self._link.put_back(place_in(self.rack, unit))
        if unit in self.left_out:
            self.left_out = tuple(name for name in self.left_out if name != unit)
            self._deaths[unit] = 0
            self._restart_asked.set()

    def stop(self) -> None:
        """End the engine and let go of the link. Thread: control."""
        self._stopping.set()
        if self._thread is not None:
            self._thread.join(timeout=5.0)
        alive = [one for one in self._known.values() if one.is_alive]
        for one in alive:
            if one is self._current:
                self._engines.tell(one.number, "end")
            else:
                self._engines.kill(one.number)
        until_s = time.monotonic() + _ENDED_WITHIN_S
        while any(one.is_alive for one in alive) and time.monotonic() < until_s:
            self._hear(_LOOK_S)
        for one in alive:
            if one.is_alive:
                self._engines.kill(one.number)
        while any(one.is_alive for one in alive) and time.monotonic() < until_s + _ENDED_WITHIN_S:
            self._hear(_LOOK_S)
        self._link.close()

    def _take_clock(self) -> None:
        """Write every unit's numbers for the present sample rate. Thread: control."""
        assert self._numbers_for is not None  # noqa: S101
        if self.ring is None or self.ring.sample_rate_hz != self.sample_rate_hz:
            self.ring = Ring.prepared(self._engines.ring, self._keep_minutes, self.sample_rate_hz)
        numbers = self._numbers_for(self.sample_rate_hz)
        self._places = numbers_layout(self.rack, numbers)
        self._link.write([(0, np.concatenate([numbers[unit] for unit in self._places]))])

    def _clock(self) -> tuple[float, int]:
        """Sample rate and block length to play at; `PortError` without a JACK server."""
        if self.system != "jack":
            return self.sample_rate_hz, self.frames
        server = jack_server()
        if server is None:
            raise no_jack_server()
        return server.sample_rate_hz, server.frames

    def _orders(self) -> Orders:
        return Orders(
            link=self._engines.link, system=self.system, rack=self.rack, places=self._places, left_out=self.left_out,
            device=self._devices[0], input_device=self._devices[1], sample_rate_hz=self.sample_rate_hz,
            frames=self.frames, loop=self._engines.loop if self._loop_for else None, orphan_s=self._orphan_s,
            ring=self._engines.ring,
        )  # fmt: skip

    def _begin(self, say: Callable[[str], None]) -> None:
        """Let the spare, an engine found waiting, or else a new one play. Thread: the supervisor's, or before it."""
        self._link.clear_report()
        self._told_faults.clear()
        waiting = [one for one in (self._spare, *self._known.values()) if one and one.is_alive and not one.played]
        engine = waiting[0] if waiting else self._new_engine()
        self._spare, self._current = None, engine
        if self._loop_for and self._loop_rate_hz != self.sample_rate_hz:
            loop, self._loop_rate_hz = self._loop_for(self.sample_rate_hz), 0.0
            write_samples(opened(self._engines.loop), loop.astype(np.float32))
            self._loop_rate_hz = self.sample_rate_hz
        orders = self._orders()
        if engine.ordered != orders:
            engine.ordered = orders
            self._engines.tell(engine.number, orders.to_line())
        self._engines.tell(engine.number, "go")
        try:
            self._await_start(engine, say)
        except EngineError:
            self._engines.kill(engine.number)
            self._current = None
            raise
        self._blocks, self._moved_at_s = 0, time.monotonic()
        self._began_s = self._moved_at_s

    def _await_start(self, engine: _Engine, say: Callable[[str], None]) -> None:
        begun_s, said, was_ready = time.monotonic(), False, engine.ready
        while not engine.played:
            self._hear(_LOOK_S)
            if engine.compiles and not said:
                said = True
                say("compiling the echo kernel; this is done once after each update of voicer")
            if engine.failed:
                raise EngineError(engine.failed)
            if engine.code is not None:
                self._count_death(engine)
                raise EngineError(f"the engine {_ended(engine.code)} before it played", remedy=_LOG_REMEDY)
            within_s = COMPILED_WITHIN_S if engine.compiles else STARTED_WITHIN_S
            if was_ready:
                within_s = SPARE_STARTED_WITHIN_S
            if time.monotonic() - begun_s > within_s:
                raise EngineError(f"the engine did not start within {within_s:g} s", remedy=_LOG_REMEDY)
            if self._stopping.is_set() or self._engines.is_gone:
                raise EngineError("the engine was stopped while it started")

    def _new_engine(self) -> _Engine:
        number = max(self._known, default=0) + 1
        self._known = {key: one for key, one in self._known.items() if one.is_alive} | {number: _Engine(number)}
        self._engines.start(number)
        return self._known[number]

    def _look_after(self) -> None:
        """Notice trouble and end it, until stopped. Thread: the supervisor's."""
        while not self._stopping.is_set():
            try:
                self._hear(_LOOK_S)
                trouble = self._trouble()
                if trouble:
                    self._replace(trouble)
                else:
                    self._tell_faults()
                    self._tell_errors()
                    self._keep_spare()
            except Exception as error:  # supervision must outlive any fault of its own; the loop tries again
                self._say(f"the engine's supervisor met {error!r}")
                self._stopping.wait(1.0)

    def _replace(self, trouble: str) -> None:
        """Put another engine in place of one that failed, trying until it plays. Thread: the supervisor's."""
        failed, self._current = self._current, None
        if failed is not None:
            self._engines.kill(failed.number)
            self._count_death(failed)
        self._say(f"{trouble}; restarting it with the same voicing")
        for attempt in range(1_000_000):
            if self._stopping.wait(WAITS_S[min(attempt, len(WAITS_S) - 1)]):
                return
            try:
                if not self._agree_on_clock():
                    continue
                self._begin(self._say)
            except (VoicerError, OSError) as error:
                self._say(f"no sound: {error}; trying again")
                continue
            self.restarts += 1
            self._reason = ""
            clock = f"{self.sample_rate_hz:g} Hz, {self.frames} frames"
            self._say(f"sound is back ({clock})" if self.system == "jack" else "sound is back")
            return

    def _agree_on_clock(self) -> bool:
        """Have the numbers computed anew where the clock has changed; whether they now fit it."""
        clock = self._clock()
        if clock == (self.sample_rate_hz, self.frames):
            return True
        self._clock_taken.clear()
        self._clock_wanted = clock
        taken = self._clock_taken.wait(timeout=5.0)
        self._clock_wanted = None
        return taken

    def _trouble(self) -> str | None:
        """What is wrong with the engine, None if it plays. Thread: the supervisor's."""
        engine = self._current
        if engine is None:
            return "no engine is playing"
        if engine.lost:
            return engine.lost
        if engine.code is not None:
            return f"the engine {_ended(engine.code)}"
        if self._restart_asked.is_set():
            self._restart_asked.clear()
            return "the rack changed"
        blocks, now_s = self._link.report().blocks, time.monotonic()
        if blocks != self._blocks:
            self._blocks, self._moved_at_s = blocks, now_s
        elif now_s - self._moved_at_s >= STALLED_AFTER_S:
            return f"the engine played nothing for {STALLED_AFTER_S:g} s"
        return None

    def _count_death(self, engine: _Engine) -> None:
        """After a second death in the same unit, leave that unit out. Thread: the supervisor's, or before it."""
        unit = self._running_unit()
        if unit is None or engine.lost or engine.code in _OUTSIDE:
            return
        self._deaths[unit] += 1
        if self._deaths[unit] > DEATHS_ALLOWED and unit not in self.left_out:
            self.left_out = (*self.left_out, unit)
            self._say(f"unit '{unit}' is left out: {self._deaths[unit]} engines died while it ran")

    def _running_unit(self) -> str | None:
        """The unit whose code ran when the engine ended, or was being loaded. Any thread."""
        report = self._link.report()
        place = report.building_unit if report.running_unit is None else report.running_unit
        return None if place is None or place >= len(self.rack) else self.rack[place]

    def _keep_spare(self) -> None:
        """Have one engine waiting, with the present orders. Thread: the supervisor's."""
        if self._spare is None or not self._spare.is_alive:
            if self._spare is not None:
                self._spare, self._spares_died = None, self._spares_died + 1
            rested = time.monotonic() - self._began_s > SPARE_AFTER_S * (1 + 5 * self._spares_died)
            if not rested or self._spares_died > 3:
                return
            self._spare = self._new_engine()
        orders = self._orders()
        if self._spare.ordered != orders:
            self._spare.ordered = orders
            self._engines.tell(self._spare.number, orders.to_line())

    def _hear(self, timeout_s: float) -> None:
        """Take what engines told. Thread: the supervisor's, or control where that does not run."""
        try:
            self._note(self._engines.events.get(timeout=timeout_s))
            while True:
                self._note(self._engines.events.get_nowait())
        except queue.Empty:
            return

    def _note(self, event: Event) -> None:
        engine = self._known.get(event["engine"])
        if engine is None:
            return
        match event["event"]:
            case "started":
                engine.played = True
            case "compiling":
                engine.compiles = True
            case "ready":
                engine.ready = True
            case "failed":
                engine.failed = event["line"]
            case "lost":
                engine.lost = event["line"]
            case "ended":
                engine.code = event["code"] or 0
            case "says":
                self._say(event["line"])

    def _tell_errors(self) -> None:
        """Report blocks that failed, as soon as there are more of them."""
        errors = self._link.report().errors
        if errors > self._told_errors:
            self._say(f"{errors - self._told_errors} blocks failed in the engine and were silent")
        self._told_errors = errors

    def _tell_faults(self) -> None:
        faults = self._link.report().faults
        for place, unit in enumerate(self.rack):
            if not faults[place] or unit in self.left_out:
                self._told_faults.discard(place)
            elif place not in self._told_faults:
                self._told_faults.add(place)
                self._say(f"unit '{unit}' is bypassed: it {FAULTS[faults[place]]}")

    def _say(self, line: str) -> None:
        """Leave a line for the player, once while nothing changes. Any thread."""
        if line != self._reason:
            self._reason = line
            self._lines.append(line)


def _ended(code: int) -> str:
    return f"was killed by signal {-code}" if code < 0 else f"ended with exit code {code}"


_LOG_REMEDY = "start again with VOICER_ENGINE_LOG=1 to see what it prints" if os.name == "posix" else ""
