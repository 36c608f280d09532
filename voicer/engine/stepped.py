"""The same engine with no clock: a rack in a pyo server that is stepped block by block.

For demos and tests on machines without sound: what it plays is sample for sample what the live engine plays.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from voicer.engine.graph import OUTPUTS, Graph, make_server
from voicer.engine.link import Link, Report, numbers_layout
from voicer.engine.rack import Rack
from voicer.engine.ring import Ring
from voicer.engine.supervisor import NumbersFor
from voicer.engine.units import place_in


class SteppedEngine:
    """An engine in this process. Speaks like `Supervisor` as far as a session needs.

    Parameters
    ----------
    rack : tuple of str
        From `rack_names`.
    sample_rate_hz : float
    frames : int
        Block length.
    ring : Ring, optional
        Keeps what is played.
    """

    def __init__(
        self, rack: tuple[str, ...], sample_rate_hz: float = 48_000.0, frames: int = 64, ring: Ring | None = None
    ) -> None:
        self._ring = ring
        self.rack, self.sample_rate_hz, self.frames = rack, sample_rate_hz, frames
        self._link = Link.create()
        self._places: dict[str, tuple[int, int]] = {}
        self._graph: Graph | None = None
        self._rack: Rack | None = None

    def start(self, numbers_for: NumbersFor) -> None:
        """Build the rack and start the stepped server. Thread: control."""
        numbers = numbers_for(self.sample_rate_hz)
        self._places = numbers_layout(self.rack, numbers)
        self.send(numbers)
        rack = self._rack = Rack(self.rack, self._places, self._link, self.sample_rate_hz, self.frames)
        if self._ring is not None:
            rack.keep_in(self._ring)
        server = make_server(self.sample_rate_hz, self.frames, "manual")
        server.boot()
        self._graph = Graph(server, rack, self._link, live=False)
        self._graph.start()
        for _ in range(-(-round(0.01 * self.sample_rate_hz) // self.frames)):  # pyo fades in for 5 ms
            self._step(np.zeros(self.frames, np.float32))

    def restore(self, state: NDArray[np.int64]) -> None:
        """Go on from the state that a snapshot of the same rack holds; `ValueError` for one of another."""
        assert self._rack is not None  # noqa: S101
        self._rack.work.restore(state)

    def send(self, numbers: dict[str, NDArray[np.float64]]) -> int:
        """New numbers for units, heard together from the next block on; the number of the set."""
        return self._link.write([(self._places[unit][0], values) for unit, values in numbers.items()])

    def put_back(self, unit: str) -> None:
        """Make a bypassed unit anew and fade it in with the next block."""
        self._link.put_back(place_in(self.rack, unit))

    def play(self, x: NDArray[np.floating]) -> NDArray[np.float32]:
        """Play samples [shape=(frames,)] and give what is heard; the last block is filled up with silence."""
        count = -(-x.size // self.frames)
        blocks = np.zeros(count * self.frames, np.float32)
        blocks[: x.size] = x
        played = [self._step(block) for block in blocks.reshape(count, self.frames)]
        return np.concatenate(played)[: x.size] if played else np.zeros(0, np.float32)

    def report(self) -> Report:
        """Counters and meters."""
        return self._link.report()

    def block_times_us(self) -> NDArray[np.float32]:
        """Times of the recent blocks, µs."""
        return self._link.recent_block_times_us()

    def stop(self) -> None:
        """Let go of everything."""
        if self._graph is not None:
            self._graph.stop()
            self._graph = None
        self._link.close()

    def _step(self, block: NDArray[np.float32]) -> NDArray[np.float32]:
        assert self._graph is not None  # noqa: S101
        self._graph.take_input(block)
        self._graph.server.process()
        return self._graph.give_output()[::OUTPUTS].copy()
