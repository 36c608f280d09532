"""Foot switches and buttons: from on and off to presses, holds and double presses. Pure: the times are passed in."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

BOUNCE_S = 0.03
"""What a contact does within this time of its last change is one press."""

On = Literal["press", "either edge", "held"]
"""When a button acts: when it goes down; when it goes down and when it comes up; as long as it is held, which is
both too, and only for what is switched on and off."""

Kind = Literal["press", "hold", "double"]


@dataclass(frozen=True)
class Stroke:
    """One thing a player did with a switch."""

    kind: Kind
    at_s: float
    """When the switch went down; for an edge, when it changed."""


@dataclass(frozen=True)
class Habit:
    """How a switch behaves and what it is used for.

    A switch with a second action can do its first only when it is known not to be the second: one with a hold when it
    comes up, one with a double press when no second press has followed. The stroke carries the time of the press.
    """

    is_latching: bool = False
    """Whether it sends on at one stamp and off at the next; each message is then a stamp."""
    on: On = "press"
    hold_s: float | None = None
    """How long it is held for its hold action; None without one."""
    double_s: float | None = None
    """How soon the second press of a double press follows the first; None without a double action."""


class Switch:
    """One switch at work. Every method takes times that do not go back."""

    def __init__(self, habit: Habit) -> None:
        self._habit = habit
        self._is_down = self._is_on = False
        self._changed_s = float("-inf")
        self._source: int | None = None
        self._down_s: float | None = None
        self._first_s: float | None = None

    @property
    def is_down(self) -> bool:
        """Whether it is held down, bounces left out."""
        return self._is_down

    def take(self, is_on: bool, at_s: float, source: int = 0) -> list[Stroke]:
        """What a message means.

        Parameters
        ----------
        is_on : bool
        at_s : float
        source : int
            Which input heard it. One that was unplugged and is back has another number: its switches count as up. An
            off counts whichever input brought it, since one of two inputs may lose a message.
        """
        strokes = self.due(at_s)
        is_quiet = at_s - self._changed_s >= BOUNCE_S
        if self._habit.is_latching:
            self._changed_s = at_s
            return strokes + (self._press(at_s) if is_quiet else [])
        was_lost = is_on and self._is_on and source != self._source
        if is_on == self._is_on and not was_lost:
            return strokes
        self._is_on, self._changed_s = is_on, at_s
        self._source = source if is_on else None
        if was_lost:
            strokes += self._settle(False, at_s)
        return strokes + (self._settle(is_on, at_s) if is_quiet else [])

    def due(self, now_s: float) -> list[Stroke]:
        """What has become certain by ``now_s`` without a message: a hold, a single press, the end of a bounce."""
        strokes: list[Stroke] = []
        hold_s, double_s = self._habit.hold_s, self._habit.double_s
        if self._is_on != self._is_down and now_s - self._changed_s >= BOUNCE_S:
            strokes += self._settle(self._is_on, self._changed_s)
        if hold_s is not None and self._down_s is not None and now_s - self._down_s >= hold_s:
            strokes.append(Stroke("hold", self._down_s))
            self._down_s = None
        if double_s is not None and self._first_s is not None and now_s - self._first_s >= double_s:
            strokes.append(Stroke("press", self._first_s))
            self._first_s = None
        return strokes

    def _settle(self, is_down: bool, at_s: float) -> list[Stroke]:
        if is_down == self._is_down:
            return []
        self._is_down = is_down
        return self._press(at_s) if is_down else self._release(at_s)

    def _press(self, at_s: float) -> list[Stroke]:
        if self._first_s is not None:
            self._first_s = None
            return [Stroke("double", at_s)]
        if self._habit.hold_s is not None:
            self._down_s = at_s
            return []
        return self._single(at_s)

    def _release(self, at_s: float) -> list[Stroke]:
        if self._habit.on != "press":
            return [Stroke("press", at_s)]
        if self._down_s is None:
            return []
        down_s, self._down_s = self._down_s, None
        return self._single(down_s)

    def _single(self, at_s: float) -> list[Stroke]:
        if self._habit.double_s is None:
            return [Stroke("press", at_s)]
        self._first_s = at_s
        return []
