"""MIDI clock: from time-stamped clock bytes to a steady tempo, and to what a sequencer says of its song. Pure.

The tempo is the period of a second-order loop: each clock byte corrects the expected time of the next one and the
period, in shares that start large and end small. While it settles these are the shares of a straight line fitted
through all bytes so far; from `MEMORY` bytes on they stay, which is a loop with a natural frequency of
``sqrt(6 / (MEMORY (MEMORY + 1))) / 2 pi = 0.0020`` cycles a byte, 0.05 cycles a beat (0.1 Hz at 120 beats a minute),
and a damping of 0.8. A tempo that has really changed is noticed by errors that agree in sign, and the loop starts anew.

Source of the messages and of 24 clocks a quarter note: MIDI 1.0 Detailed Specification, system real-time messages.
"""

from __future__ import annotations

from collections import deque

from voicer.control.events import Beat, Event, SongPosition, Transport
from voicer.control.messages import CLOCKS_PER_QUARTER, Clock, Continue, Start, Stop, TimeMessage
from voicer.control.messages import SongPosition as Pointer

LOST_S = 2.0
"""Without a clock byte for this long the clock is lost; the tempo stays."""

MEMORY = 192
"""Bytes that the loop remembers: eight beats."""

TOLD_FROM = 24
"""Bytes before a first tempo is told: one beat."""

LEAST_CHANGE = 2e-4
"""Tempos are told when they differ by more, 0.35 cents of the delayed sound."""

_LONGEST_S, _SHORTEST_S = 60 / 20 / CLOCKS_PER_QUARTER, 60 / 400 / CLOCKS_PER_QUARTER
"""Periods of 20 and of 400 beats a minute; beyond these it is no tempo."""

_AGREEING = 6
"""So many latest errors decide whether the tempo has changed."""

_CHANGED_S, _CHANGED_SHARE = 1.3e-3, 0.08
"""Their mean must be beyond the larger of a time, above what jitter of 1 ms gives, and a share of the period."""


class Loop:
    """The second-order loop: clock bytes in, period out."""

    def __init__(self) -> None:
        self.count = 0
        """Bytes since the loop started anew."""
        self.period_s = 0.0
        self._expected_s = 0.0
        self._times_s: deque[float] = deque(maxlen=_AGREEING + 1)
        self._errors_s: deque[float] = deque(maxlen=_AGREEING)

    def take(self, at_s: float) -> None:
        """One clock byte, at the time of its arrival."""
        if self.count >= 2 and not _SHORTEST_S / 4 < at_s - self._times_s[-1] < 4 * _LONGEST_S:
            self.count = 0
        if self.count == 0:
            self._times_s.clear()
            self._errors_s.clear()
        self._times_s.append(at_s)
        self._step(at_s)
        if self._has_changed:
            times_s = list(self._times_s)
            self.count = 0
            self._errors_s.clear()
            for each_s in times_s:
                self._step(each_s)

    @property
    def _has_changed(self) -> bool:
        if self.count <= _AGREEING or len(self._errors_s) < _AGREEING:
            return False
        mean_s = sum(self._errors_s) / _AGREEING
        limit_s = max(_CHANGED_S, _CHANGED_SHARE * self.period_s)
        return abs(mean_s) > limit_s and all(error_s * mean_s > 0 for error_s in self._errors_s)

    def _step(self, at_s: float) -> None:
        self.count += 1
        if self.count == 1:
            self._expected_s = at_s
            return
        if self.count == 2:
            self.period_s = at_s - self._expected_s
            self._expected_s = at_s + self.period_s
            return
        n = min(self.count, MEMORY)
        error_s = at_s - self._expected_s
        self._errors_s.append(error_s)
        self.period_s += 6 / (n * (n + 1)) * error_s
        self._expected_s += 2 * (2 * n - 1) / (n * (n + 1)) * error_s + self.period_s


class Follower:
    """Follows the clock of one port; while it runs, other ports' clocks are passed over."""

    def __init__(self) -> None:
        self.port = ""
        self._loop = Loop()
        self._heard_s = float("-inf")
        self._told_s = 0.0

    @property
    def is_running(self) -> bool:
        """Whether a clock is heard."""
        return bool(self.port)

    def take(self, message: TimeMessage | None, at_s: float, port: str) -> list[Event]:
        """The events of a message, or of time alone for None.

        Parameters
        ----------
        message : TimeMessage or None
        at_s : float
            `time.monotonic` of its arrival; the present for None.
        port : str
            Name of the input that heard it.
        """
        events: list[Event] = []
        if self.is_running and at_s - self._heard_s > LOST_S:
            if self._told_s:
                events.append(Transport("lost", self.port))
            self.port, self._loop, self._told_s = "", Loop(), 0.0
        if message is None or (self.is_running and port != self.port):
            return events
        if isinstance(message, Clock):
            return events + self._clock(at_s, port)
        if isinstance(message, Pointer):
            return [*events, SongPosition(message.sixteenths, port)]
        kinds: dict[type, Transport] = {
            Start: Transport("start", port), Continue: Transport("continue", port), Stop: Transport("stop", port),
        }  # fmt: skip
        return [*events, kinds[type(message)]]

    def _clock(self, at_s: float, port: str) -> list[Event]:
        if not self.is_running:
            self.port = port
        self._heard_s = at_s
        loop = self._loop
        loop.take(at_s)
        on_a_beat = loop.count >= TOLD_FROM and loop.count % CLOCKS_PER_QUARTER == 0
        if not on_a_beat or not _SHORTEST_S <= loop.period_s <= _LONGEST_S:
            return []
        if abs(loop.period_s - self._told_s) <= LEAST_CHANGE * self._told_s:
            return []
        self._told_s = loop.period_s
        return [Beat(1e3 * CLOCKS_PER_QUARTER * loop.period_s, port)]
