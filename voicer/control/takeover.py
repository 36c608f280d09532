"""Soft take-over: how a control that stands elsewhere comes to move a parameter without a jump. Pure.

A knob keeps its place when a recall, a page or another hand moves what it is bound to. *Catch*: it waits until it
passes the value. *Scale*: the value moves at once, in proportion to the way left to the end that the control is turned
to. *Jump*: the value goes where the control is.
"""

from __future__ import annotations

from typing import Literal

Mode = Literal["jump", "catch", "scale"]

STEPS = 127
"""The distance still to go is told in steps of a 7-bit control, which is what displays show."""

_LEAST_TOLERANCE = 5e-4
"""Of the travel; finer than this nothing has to meet, since values are rounded for the file."""


class TakeOver:
    """One physical control and the value it is bound to.

    All places are travel 0..1 (`curves`). The value's place is a span, since a choice has a stretch of the travel to
    itself.

    Parameters
    ----------
    mode : Mode
    step : float
        The smallest step of the control, as share of its travel; it has met a value that is within half of it.
    """

    def __init__(self, mode: Mode, step: float = 1 / STEPS) -> None:
        self.mode: Mode = mode
        self._tolerance = max(0.5 * step, _LEAST_TOLERANCE) * (1 + 1e-9)
        self._position: float | None = None
        self._holds = False
        self._scaled: float | None = None

    @property
    def position(self) -> float | None:
        """Where the control stands; None while it has not been moved."""
        return self._position

    def forget(self) -> None:
        """Let go and no longer know where the control stands, as when it has been unplugged."""
        self._position, self._scaled, self._holds = None, None, False

    def move(self, travel: float, span: tuple[float, float], mine: bool) -> float | None:
        """The control has moved: where the value is to go, or None while the control has to wait.

        Parameters
        ----------
        travel : float
            Where the control stands now.
        span : tuple of float
            Where the value stands now.
        mine : bool
            Whether this control was the last to move the value. If not it lets go.
        """
        before, self._position = self._position, travel
        if self.mode == "jump":
            return travel
        if not mine:
            self._holds, self._scaled = False, None
        if self.mode == "scale" and before is not None:
            return self._scale(before, travel, span)
        if not self._holds:
            self._holds = self._meets(travel if before is None else before, travel, span)
        return travel if self._holds else None

    def away(self, span: tuple[float, float], mine: bool) -> float:
        """How far the control must still be turned, upwards positive; 0 when it holds the value or is not known."""
        if self.mode != "catch" or self._position is None or (self._holds and mine):
            return 0.0
        low, high = span
        return min(max(self._position, low), high) - self._position

    def _meets(self, before: float, now: float, span: tuple[float, float]) -> bool:
        """Whether the way from ``before`` to ``now`` touches or passes the value."""
        low, high = min(before, now) - self._tolerance, max(before, now) + self._tolerance
        return low <= span[1] and span[0] <= high

    def _scale(self, before: float, now: float, span: tuple[float, float]) -> float | None:
        at = self._scaled
        if at is None:
            at = min(max(before, span[0]), span[1])
        if now > before:
            at += (1.0 - at) * (now - before) / (1.0 - before)
        elif now < before:
            at *= now / before
        else:
            return None
        self._scaled = min(max(at, 0.0), 1.0)
        return self._scaled


def told(away: float, live_share: float = 1.0) -> str:
    """The way still to go in words: ``turn up 18``; empty when there is none.

    Parameters
    ----------
    away : float
        From `TakeOver.away`.
    live_share : float
        Share of the position that is travel (`curves.Curve.live_share`).
    """
    if away == 0.0:
        return ""
    steps = max(1, round(abs(away) * live_share * STEPS))
    return f"turn {'up' if away > 0 else 'down'} {steps}"
