"""A chapter: one effect, shown on a voicing or a copy of it, with claims, a picture and sounds from the same data."""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from voicer.explain.claims import Claim, Subject
from voicer.measure import probes

Array = NDArray[np.float64]

TEXT = 8
"""Size of notes in pictures, points."""


@dataclass(frozen=True)
class Snippet:
    """One sound beside a chapter."""

    name: str
    """Of the file, without its ending."""
    title: str
    claims: tuple[Claim, ...]
    samples: Array
    """Full scale 1.0, at `probes.RATE_HZ`."""
    subject: Subject


class Chapter(ABC):
    """What is shown of one effect."""

    subject: Subject
    name: str
    """Of its picture's file, without the ending."""
    title: str
    size: tuple[float, float] = (8.0, 4.6)
    """Of the picture, inches."""

    @property
    @abstractmethod
    def claims(self) -> tuple[Claim, ...]:
        """What is said of it, every value from the data that is drawn."""

    @abstractmethod
    def draw(self, figure: Any) -> None:
        """Draw the picture into a matplotlib figure."""

    @property
    def snippets(self) -> tuple[Snippet, ...]:
        """Sounds that let it be heard."""
        return ()


@dataclass(frozen=True)
class Omission:
    """A chapter that is left out, and why."""

    title: str
    reason: str


def sine(f_hz: float, seconds: float) -> Array:
    """A sine of 1 V peak at `probes.RATE_HZ` [shape=(frames,)]."""
    return np.asarray(np.sin(2 * np.pi * f_hz * np.arange(int(seconds * probes.RATE_HZ)) / probes.RATE_HZ))


def decibels(level: Any) -> Any:
    """20 log10, -180 dB at least."""
    return 20 * np.log10(np.maximum(np.abs(level), 1e-9))
