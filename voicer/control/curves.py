"""From the travel of a control to the value of a parameter, and back. Pure.

Two scales: the *position* of a control is 0..1 from end to end of the part; its *travel* is what is left of that
between worn ends, 0..1 again. Both grow the same way: turning up is more travel, whatever happens to the value.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import isclose, log
from typing import Any

DIGITS = 5
"""A knob gives numbers rounded to this many significant digits, as a person would write them into a file."""


@dataclass(frozen=True)
class Curve:
    """The law between travel and value.

    A number runs from ``low`` to ``high``: linear, or ``low * (high/low)**travel``, whose middle is the geometric mean.
    Whole numbers are rounded. The steps of a switch or choice share the travel equally.
    """

    low: float = 0.0
    """Value at the low end of the travel; may be above ``high``."""
    high: float = 1.0
    is_log: bool = False
    is_reversed: bool = False
    """Whether turning up goes from ``high`` to ``low``, or from the last choice to the first."""
    dead_low: float = 0.0
    """Share of the position at its low end that does nothing, 0..0.45."""
    dead_high: float = 0.0
    whole: bool = False
    choices: tuple[Any, ...] = ()
    floor: float = float("-inf")
    """Lowest value that may be given, whatever the ends are."""
    ceiling: float = float("inf")

    @property
    def backwards(self) -> bool:
        """Whether turning up lowers the value."""
        return (not self.choices and self.low > self.high) != self.is_reversed

    @property
    def live_share(self) -> float:
        """Share of the position that is not dead."""
        return 1.0 - self.dead_low - self.dead_high

    def travel(self, position: float) -> float:
        """Travel 0..1 at a position 0..1."""
        return min(max((position - self.dead_low) / self.live_share, 0.0), 1.0)

    def value_at(self, travel: float) -> Any:
        """Value at ``travel`` 0..1; numbers are rounded to `DIGITS` digits."""
        along = 1.0 - travel if self.is_reversed else travel
        if self.choices:
            return self.choices[min(int(along * len(self.choices)), len(self.choices) - 1)]
        low, high = self.low, self.high
        value = low * (high / low) ** along if self.is_log else low + (high - low) * along
        value = round(value) if self.whole else float(f"{value:.{DIGITS}g}")
        return min(max(value, self.floor), self.ceiling)

    def span_of(self, value: Any) -> tuple[float, float]:
        """The stretch of the travel that gives ``value``, from low to high: a point for a number between the ends.

        A value beyond an end has that end; see `stretched`.
        """
        if self.choices:
            count, place = len(self.choices), self.choices.index(value)
            ends = place / count, (place + 1) / count
        else:
            around = (value - 0.5, value + 0.5) if self.whole else (value, value)
            at_floor, at_ceiling = self._reaches(value, self.floor), self._reaches(value, self.ceiling)
            below = float("-inf") if at_floor else around[0]
            above = float("inf") if at_ceiling else around[1]
            one, other = self._along(below), self._along(above)
            ends = min(one, other), max(one, other)
        return (1.0 - ends[1], 1.0 - ends[0]) if self.is_reversed else ends

    def stretched(self, value: Any) -> Curve:
        """The same curve with its nearer end moved out to ``value``, if that lies beyond it.

        So a control whose map gives it a part of a parameter's range can take over a value outside that part without
        a step.
        """
        if self.choices or min(self.low, self.high) <= value <= max(self.low, self.high):
            return self
        if self.is_log and value <= 0:
            return self
        beyond_low = (value < self.low) == (self.low < self.high)
        return replace(self, low=value) if beyond_low else replace(self, high=value)

    def next_value(self, value: Any, steps: int) -> Any:
        """The choice or whole number some steps up in value, held within the ends."""
        if self.choices:
            at = self.choices.index(value) + steps
            return self.choices[min(max(at, 0), len(self.choices) - 1)]
        low, high = sorted((self.low, self.high))
        low, high = max(low, self.floor), min(high, self.ceiling)
        return int(min(max(value + steps, min(low, value)), max(high, value)))

    def _reaches(self, value: float, limit: float) -> bool:
        """Whether a limit cuts the curve short at ``value``."""
        inside = min(self.low, self.high) < limit < max(self.low, self.high)
        return inside and isclose(value, limit, rel_tol=10.0**-DIGITS)

    def _along(self, value: float) -> float:
        """Where 0..1 between the ends a number lies."""
        low, high = self.low, self.high
        if value <= min(low, high):
            return 0.0 if low < high else 1.0
        if value >= max(low, high):
            return 1.0 if low < high else 0.0
        return log(value / low) / log(high / low) if self.is_log else (value - low) / (high - low)
