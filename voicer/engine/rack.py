"""The rack: units in a row, and what happens when one of them fails.

A unit that raises, puts out what is not a number, or takes longer than the block lasts many times in a row is
bypassed and named (`link.FAULTS`); the others play on.
"""

from __future__ import annotations

from time import perf_counter_ns

import numpy as np
from numpy.typing import NDArray

from voicer.dsp.ceiling import is_finite
from voicer.engine.units import BlockUnit, Unit, unit_class

_OVERRUNS_ALLOWED = 16


class Slot:
    """One unit at its place in the numbers, with its fault."""

    def __init__(self, name: str, place: int, unit: Unit, length: int) -> None:
        self.name = name
        self.place = place
        self.length = length
        self.unit = unit
        self.fault = 0
        self._overruns = 0

    def glide_to(self, numbers: NDArray[np.float64]) -> None:
        """Hand the unit its part of the numbers. Thread: audio."""
        try:
            self.unit.glide_to(numbers[self.place : self.place + self.length])
        except Exception:  # a third party's unit: never out of the audio thread
            self.fault = 1

    def process(self, x: NDArray[np.float64], y: NDArray[np.float64], longest_ns: float) -> None:
        """One block through a `BlockUnit`; past it once it has failed. Thread: audio."""
        if self.fault:
            y[:] = x
            return
        begun = perf_counter_ns()
        try:
            self.unit.process(x, y)  # type: ignore[attr-defined]
        except Exception:  # a third party's unit: never out of the audio thread
            self.fault = 1
        if not self.fault and not is_finite(y):
            self.fault = 2
        self._overruns = self._overruns + 1 if perf_counter_ns() - begun > longest_ns else 0
        if self._overruns >= _OVERRUNS_ALLOWED:
            self.fault = 3
        if self.fault:
            y[:] = x


class Rack:
    """Units in a row, in stages: neighbouring block units together, each graph unit by itself.

    Parameters
    ----------
    names : tuple of str
        From `rack_names`.
    numbers : float64
        Numbers of all units, each at its place (`places`).
    """

    def __init__(
        self,
        names: tuple[str, ...],
        places: dict[str, tuple[int, int]],
        numbers: NDArray[np.float64],
        sample_rate_hz: float,
        frames: int,
    ) -> None:
        self._longest_ns = 1e9 * frames / sample_rate_hz
        self.slots = []
        for name in names:
            place, length = places[name]
            unit = unit_class(name)(numbers[place : place + length].copy(), sample_rate_hz)
            self.slots.append(Slot(name, place, unit, length))
        self.stages: list[list[Slot]] = []
        for slot in self.slots:
            together = self.stages and isinstance(slot.unit, BlockUnit)
            if together and isinstance(self.stages[-1][0].unit, BlockUnit):
                self.stages[-1].append(slot)
            else:
                self.stages.append([slot])
        self._between = np.zeros(frames)

    def glide_to(self, numbers: NDArray[np.float64]) -> None:
        """New numbers for all units. Thread: audio."""
        for slot in self.slots:
            slot.glide_to(numbers)

    def run(self, stage: list[Slot], x: NDArray[np.float64], y: NDArray[np.float64]) -> None:
        """One block through a stage of block units; ``x`` is used as working space. Thread: audio."""
        for slot in stage:
            slot.process(x, y, self._longest_ns)
            x, y = y, x
        if len(stage) % 2 == 0:
            y[:] = x
