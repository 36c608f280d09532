"""The rack: units in a row, and what happens when one of them fails.

Every unit is guarded (`dsp.block`): one that raises, puts out what is not a number, or takes longer than the block
lasts many times in a row is left by a fade and named (`link.FAULTS`); the others play on. `Rack.put_back` makes it anew
and fades it in again.

While the code of a foreign unit runs, the link's ``running_unit`` says which one: a unit that hangs, or takes the whole
process with it, can be named by the host.
"""

from __future__ import annotations

import sys
import traceback
from collections.abc import Callable
from contextlib import contextmanager
from time import perf_counter_ns
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from voicer.dsp.block import ECHO as PLAY_ECHO
from voicer.dsp.block import GUARD, OFFER, UNITS, Work
from voicer.dsp.echo import Echo
from voicer.dsp.gauges import MOST_UNITS
from voicer.engine.link import BUILD_FAILED, LEFT_OUT, PAST_THE_CEILING, RAISED, TOO_SLOW, Link
from voicer.engine.ring import Ring
from voicer.engine.units import CEILING, ECHO, BlockUnit, GraphUnit, unit_class

if TYPE_CHECKING:
    from collections.abc import Iterator

_OVERRUNS_ALLOWED = 16
_WARM_BLOCKS = 3


class Slot:
    """A foreign unit at its place in the rack. Its fault is 0 while it plays."""

    def __init__(self, rack: Rack, k: int, name: str) -> None:
        self.k, self.name, self._rack = k, name, rack
        work = rack.work
        place, length = int(work.units["place"][k]), int(work.units["length"][k])
        self._numbers, self._own = work.numbers[place : place + length], np.zeros(length)
        self._given, self._made = work.given[k], work.made[k]
        self._step, self._overruns = work.step, 0
        self.fault = 0
        self.unit: Any = None
        self.is_graph = issubclass(unit_class(name), GraphUnit)
        self.passes_ceiling: Callable[[], bool] = lambda: False
        """Whether a graph unit sends sound to the driver itself; set by the graph."""

    def make(self) -> bool:
        """Make the unit with the present numbers; false, and a fault, where it raises. Thread: control."""
        with self._rack.building(self.k):
            try:
                unit = unit_class(self.name)(self._numbers.copy(), self._rack.sample_rate_hz)
                if isinstance(unit, BlockUnit):
                    x, y = np.zeros_like(self._given), np.zeros_like(self._made)
                    for _ in range(_WARM_BLOCKS):  # it may compile a kernel
                        unit.process(x, y)
            except (Exception, SystemExit) as error:
                self.fail(BUILD_FAILED, error)
                return False
        self.unit, self._overruns = unit, 0
        return True

    def glide_to(self) -> None:
        """Hand the unit its part of the new numbers. Thread: audio."""
        if self.fault or not self._rack.is_fresh(self.k):
            return
        self._own[:] = self._numbers
        try:
            self.unit.glide_to(self._own)
        except BaseException as error:  # of a stranger's unit: never out of the audio thread
            self.fail(RAISED, error)
        if self.is_graph and not self.fault and self.passes_ceiling():
            self.fail(PAST_THE_CEILING)

    def play(self) -> None:
        """One block through a `BlockUnit`; past it once it has failed. Thread: audio."""
        if not self.fault:
            self._step(OFFER, self.k)
            begun_ns = perf_counter_ns()
            try:
                self.unit.process(self._given, self._made)
            except BaseException as error:  # of a stranger's unit: never out of the audio thread
                self.fail(RAISED, error)
            self._overruns = self._overruns + 1 if perf_counter_ns() - begun_ns > self._rack.block_ns else 0
            if self._overruns >= _OVERRUNS_ALLOWED:
                self.fail(TOO_SLOW)
        self.check()

    def check(self) -> None:
        """Take what the unit made, or fade past it. Thread: audio."""
        fault = self._step(GUARD, self.k)
        if fault != self.fault:
            self.fail(fault)

    def fail(self, fault: int, error: BaseException | None = None) -> None:
        """Bypass the unit from now on. Any thread of the engine."""
        self.fault = fault
        self._rack.work.units["fault"][self.k] = fault
        if error is not None and self._rack.on_error is not None:
            self._rack.on_error(self.name, error)

    def clear(self) -> None:
        """Let the unit play again, by a fade. Thread: control."""
        self._rack.work.units["fault"][self.k] = 0
        self.fault = 0


class Rack:
    """Units in a row, the echo among them.

    Parameters
    ----------
    names : tuple of str
        From `rack_names`.
    places : dict
        From `numbers_layout`.
    link : Link
        Holds the numbers of all units.
    sample_rate_hz : float
    frames : int
        Block length.
    left_out : tuple of str
        Units that are not even loaded, since the engine ended twice in their code.

    Raises
    ------
    EngineError
        When a unit does not load. One that cannot be made is bypassed and named instead.
    """

    def __init__(
        self,
        names: tuple[str, ...],
        places: dict[str, tuple[int, int]],
        link: Link,
        sample_rate_hz: float,
        frames: int,
        *,
        left_out: tuple[str, ...] = (),
    ) -> None:
        self.names, self.link, self.sample_rate_hz = names, link, sample_rate_hz
        self.block_ns = 1e9 * frames / sample_rate_hz
        self.on_error: Callable[[str, BaseException], None] | None = None
        """Told what a foreign unit raised; on the audio thread too."""
        number, put_back, numbers = link.newest()
        numbers = numbers[: sum(length for _, length in places.values())].copy()
        units = np.zeros(MOST_UNITS, UNITS)
        units["mix"] = 1.0
        for k, name in enumerate(names):
            units[k]["place"], units[k]["length"] = places[name]
        assert places[CEILING][0] == 0  # noqa: S101
        echo_k = names.index(ECHO)
        self.work = Work(
            units, len(names), numbers, Echo(self._part(places[ECHO], numbers), sample_rate_hz),
            Echo(self._part(places[ECHO], numbers), sample_rate_hz, seed=2), echo_k, frames, sample_rate_hz,
        )  # fmt: skip
        self.work.take_link(link.head, link.slots, link.block_times_us, number)
        self.work.counters[:] = put_back
        self._put_back = put_back.copy()
        self._places, self._fresh = places, units["fresh"]
        self.slots: list[Slot | None] = [None] * len(names)
        """Of each unit; None for the echo and for units that are left out."""
        for k, name in enumerate(names):
            if name in left_out:
                units[k]["fault"], units[k]["mix"] = LEFT_OUT, 0.0
            elif name != ECHO:
                with self.building(k):
                    self.slots[k] = slot = Slot(self, k, name)
                units[k]["graph"] = slot.is_graph
                if not slot.make():
                    units[k]["mix"] = 0.0

    def keep_in(self, ring: Ring) -> None:
        """Let everything that is heard and played go into a ring. Thread: control, before it plays."""
        self.work.take_ring(ring.head, ring.dry, ring.wet, ring.marks, ring.snapshots)

    @contextmanager
    def building(self, k: int) -> Iterator[None]:
        """Mark unit ``k`` as being made. Thread: control."""
        self.link.head["building_unit"] = k + 1
        try:
            yield
        finally:
            self.link.head["building_unit"] = 0

    def is_fresh(self, k: int) -> bool:
        """Whether unit ``k`` has new numbers; they are not new any more then. Thread: audio."""
        if not self._fresh[k]:
            return False
        self._fresh[k] = 0
        return True

    def glide_to(self) -> None:
        """Hand new numbers to the foreign units. Thread: audio."""
        for slot in self.slots:
            if slot is not None:
                slot.glide_to()

    def stages(self) -> list[list[tuple[int, Slot | None]]]:
        """The units' places and slots in playing order, cut before each graph unit; the first part may be empty."""
        parts: list[list[tuple[int, Slot | None]]] = [[]]
        for k, name in enumerate(self.names):
            slot = self.slots[k]
            if slot is not None and slot.is_graph:
                parts.append([])
            if slot is not None or name == ECHO:
                parts[-1].append((k, slot))
        return parts

    def play(self, stage: list[tuple[int, Slot | None]]) -> None:
        """One block through the block units of a stage. Thread: audio."""
        for _, slot in stage:
            if slot is None:
                self.work.step(PLAY_ECHO, 0)
            elif not slot.is_graph:
                slot.play()

    def put_back(self) -> None:
        """Make the units that were asked back since the last call anew and fade them in. Thread: control.

        A graph unit is not made anew: pyo's objects cannot be replaced while they play. It is tried as it is.
        """
        asked = np.flatnonzero(self.work.counters[: len(self.names)] != self._put_back[: len(self.names)])
        self._put_back[:] = self.work.counters
        for k in asked:
            slot, units = self.slots[k], self.work.units
            if slot is not None and slot.fault and not (slot.is_graph and slot.unit is None):
                if slot.is_graph or slot.make():
                    slot.clear()
            elif self.names[k] == ECHO and units["fault"][k] and units["mix"][k] == 0.0:
                self.work.take_echo(Echo(self._part(self._places[ECHO], self.work.numbers), self.sample_rate_hz))
                units["fresh"][k], units["fault"][k] = 1, 0  # numbers that came meanwhile went to the echo before

    @staticmethod
    def _part(place: tuple[int, int], numbers: NDArray[np.float64]) -> NDArray[np.float64]:
        return numbers[place[0] : place[0] + place[1]].copy()


def print_error(name: str, error: BaseException) -> None:
    """Say on the engine's standard error what a unit raised (seen with VOICER_ENGINE_LOG=1)."""
    sys.stderr.write(f"unit '{name}' raised\n")
    traceback.print_exception(error)
