"""What a figure is called, wherever it is computed, measured or compared."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Figure:
    """Name and unit of a number; what is known of its value is in the subclasses."""

    key: str
    """For programs, with its unit at the end: ``longest_ms``."""
    label: str
    """For people: ``longest delay``."""
    unit: str
    """Empty for a plain number."""
