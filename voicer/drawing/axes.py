"""Axes that every picture shares: one look for logarithmic scales, and labels that keep clear of each other."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from voicer.drawing.paper import hertz


def scale_frequency(axes: Any, low_hz: float, high_hz: float) -> None:
    """A logarithmic frequency axis along the bottom, labelled ``100``, ``1k``, with its unit."""
    axes.set_xscale("log")
    axes.set_xlim(low_hz, high_hz)
    axes.set_xlabel("frequency, Hz")
    label_log(axes.xaxis, low_hz, high_hz)


def label_log(axis: Any, low: float, high: float) -> None:
    """Plain numbers at 1, 2, 5 of each decade of a logarithmic axis, at 1 alone where it spans more than three."""
    from matplotlib.ticker import LogLocator, NullFormatter

    wide = np.log10(high / low) > 3
    axis.set_major_locator(LogLocator(subs=(1,) if wide else (1, 2, 5), numticks=20))
    axis.set_minor_locator(LogLocator(subs=range(1, 10), numticks=20))
    axis.set_major_formatter(hertz)
    axis.set_minor_formatter(NullFormatter())


def spread(places: Sequence[float], least: float) -> list[float]:
    """The same places, in the same order, moved as little as it takes to be that far apart."""
    order = np.argsort(places, kind="stable")
    moved = np.asarray(places, dtype=np.float64)[order] - least * np.arange(len(places))
    blocks: list[list[float]] = []  # mean and size of runs that touch: isotonic regression by pooling
    for place in moved:
        blocks.append([float(place), 1.0])
        while len(blocks) > 1 and blocks[-2][0] > blocks[-1][0]:
            mean, size = blocks.pop()
            blocks[-1] = [(blocks[-1][0] * blocks[-1][1] + mean * size) / (blocks[-1][1] + size), blocks[-1][1] + size]
    level = np.concatenate([np.full(int(size), mean) for mean, size in blocks]) + least * np.arange(len(places))
    found = np.empty(len(places))
    found[order] = level
    return [float(place) for place in found]
