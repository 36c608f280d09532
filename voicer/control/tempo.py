"""Tap tempo: a delay time from a few taps. Pure: the times are passed in."""

from __future__ import annotations

from statistics import median

PAUSE_S = 2.5
"""A gap longer than this starts a new count (24 beats a minute; own choice)."""

INTERVALS = 4
"""The median is taken over this many of the latest intervals, so that one slip does no harm (own choice)."""


class TapTempo:
    """Takes taps and gives the interval between them."""

    def __init__(self) -> None:
        self._taps_s: list[float] = []

    def tap(self, at_s: float) -> float | None:
        """Record a tap and give the tempo so far. Control thread.

        Parameters
        ----------
        at_s : float
            Time of the tap in seconds, on any monotonic clock. A tap that is not later than the last is dropped.

        Returns
        -------
        float or None
            Median of the last up to 4 intervals in milliseconds; None after a first tap.
        """
        if self._taps_s and at_s - self._taps_s[-1] > PAUSE_S:
            self._taps_s.clear()
        if not self._taps_s or at_s > self._taps_s[-1]:
            self._taps_s = [*self._taps_s[-INTERVALS:], at_s]
        return self.milliseconds

    @property
    def milliseconds(self) -> float | None:
        """Median of the last up to 4 intervals in milliseconds; None with fewer than two taps."""
        pairs = zip(self._taps_s, self._taps_s[1:], strict=False)
        intervals_s = [later - earlier for earlier, later in pairs]
        return 1e3 * median(intervals_s) if intervals_s else None
