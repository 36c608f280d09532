"""Texts of a matplotlib figure that are written over each other."""

from __future__ import annotations

from typing import Any

from matplotlib.text import Text

SHARED_SHARE = 0.02
"""Boxes that share less than this of the smaller one's area touch, no more."""


def overlapping_texts(figure: Any) -> list[tuple[str, str]]:
    """Pairs of visible texts whose bounding boxes overlap, as laid out."""
    figure.draw_without_rendering()
    renderer = figure.canvas.get_renderer()
    hidden = _hidden_ticks(figure)
    boxes = []
    for text in figure.findobj(lambda artist: isinstance(artist, Text)):
        words = text.get_text().strip()
        if words and text.get_visible() and id(text) not in hidden:
            boxes.append((words, text.get_window_extent(renderer)))
    return [
        (one, other)
        for number, (one, box) in enumerate(boxes)
        for other, against in boxes[number + 1 :]
        if _shared(box, against) > SHARED_SHARE * min(box.width * box.height, against.width * against.height)
    ]


def _hidden_ticks(figure: Any) -> set[int]:
    """Tick labels that matplotlib keeps but does not draw: outside the limits, or of an axis that is switched off."""
    hidden = set()
    for axes in figure.axes:
        for axis, place, limits in ((axes.xaxis, 0, axes.get_xlim()), (axes.yaxis, 1, axes.get_ylim())):
            low, high = sorted(limits)
            for tick in (*axis.get_major_ticks(), *axis.get_minor_ticks()):
                for label in (tick.label1, tick.label2):
                    if not (axes.axison and tick.get_visible() and low <= label.get_position()[place] <= high):
                        hidden.add(id(label))
    return hidden


def _shared(one: Any, other: Any) -> float:
    width = min(one.x1, other.x1) - max(one.x0, other.x0)
    height = min(one.y1, other.y1) - max(one.y0, other.y0)
    return float(max(width, 0) * max(height, 0))
