"""The response of every repeat, drawn the same way wherever it is shown."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from voicer.drawing.axes import scale_frequency, spread

Array = NDArray[np.float64]

LOWEST_HZ, LOWEST_DB, HIGHEST_DB = 30.0, -60.0, 6.0
_APART_DB = 4.0  # between two numbers
_EDGE_DB = 3.0  # between a number and the frame


@dataclass(frozen=True)
class RepeatCurves:
    """What is drawn: the closed form of each repeat, what was measured of some, and half the clock."""

    f_hz: Array
    predicted_db: Array
    """[shape=(repeats, frequencies)], from repeat 1."""
    half_clock_hz: float
    measured_hz: Array | None = None
    measured_db: Array | None = None
    """[shape=(repeats measured, frequencies)], from repeat 1."""


def draw_repeats(axes: Any, curves: RepeatCurves, *, ink: str, guide: str, text: float) -> None:
    """Lines for the closed form, dots for what was measured, the repeat's number at each line.

    Parameters
    ----------
    axes : matplotlib axes
    curves : RepeatCurves
    ink, guide : color
    text : float
        Size of numbers and notes, points.
    """
    for number, level_db in enumerate(curves.predicted_db):
        axes.plot(curves.f_hz, level_db, color=ink, linewidth=1.0, alpha=1 - 0.13 * number)
    if curves.measured_db is not None and curves.measured_hz is not None:
        for number, level_db in enumerate(curves.measured_db):
            axes.plot(curves.measured_hz, level_db, color=ink, linestyle="none", marker="o", markersize=2.4,
                      fillstyle="none", markeredgewidth=0.6, alpha=1 - 0.13 * number)  # fmt: skip
    axes.axvline(curves.half_clock_hz, color=guide, linestyle="--", linewidth=0.8)
    scale_frequency(axes, LOWEST_HZ, max(1.3 * curves.half_clock_hz, 2000.0))
    axes.annotate("half the clock", (curves.half_clock_hz, LOWEST_DB + 2), (2, 0), textcoords="offset points",
                  fontsize=text, rotation=90, va="bottom", ha="left", color=guide)  # fmt: skip
    axes.set(ylim=(LOWEST_DB, HIGHEST_DB), ylabel="level, dB")
    axes.grid(which="both", color=guide, alpha=0.25, linewidth=0.4)
    _number(axes, curves, text)


def _number(axes: Any, curves: RepeatCurves, text: float) -> None:
    """Put each repeat's number on its curve, at the frequency where they are furthest apart."""
    shown = np.flatnonzero(curves.predicted_db.max(axis=1) > LOWEST_DB + _EDGE_DB)
    places = np.flatnonzero((curves.f_hz > 1.2 * LOWEST_HZ) & (curves.f_hz < 0.8 * curves.half_clock_hz))
    levels = curves.predicted_db[shown][:, places]
    inside = ((levels > LOWEST_DB + _EDGE_DB) & (levels < HIGHEST_DB - _EDGE_DB)).sum(axis=0)
    gaps = np.abs(np.diff(levels, axis=0)).min(axis=0) if shown.size > 1 else np.zeros(places.size)
    at = int(np.lexsort((np.minimum(gaps, 3 * _APART_DB), inside))[-1])
    lows, highs = LOWEST_DB + _EDGE_DB, HIGHEST_DB - _EDGE_DB
    paper = {"facecolor": axes.get_facecolor(), "edgecolor": "none", "pad": 0.8}
    for number, level_db in zip(shown, spread([float(one) for one in levels[:, at]], _APART_DB), strict=True):
        if lows <= level_db <= highs:
            axes.text(curves.f_hz[places[at]], level_db, str(number + 1), fontsize=text, ha="center", va="center",
                      bbox=paper)  # fmt: skip
