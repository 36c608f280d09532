"""The look of everything that is drawn: ink on paper, one font, every axis with its unit."""

from __future__ import annotations

from typing import Any

INK, PAPER, GUIDE = "#1d2433", "#fbf9f2", "#8a8f9c"
"""For pictures that are shown on a screen; printed sheets are black on white."""

_TEXT = {
    "font.family": "DejaVu Sans", "svg.hashsalt": "voicer", "axes.titlelocation": "left",
    "text.parse_math": False,  # a dollar in a voicing's name is a dollar
}  # fmt: skip

SCREEN = _TEXT | {
    "figure.facecolor": PAPER, "axes.facecolor": PAPER, "savefig.facecolor": PAPER,
    "axes.edgecolor": INK, "axes.labelcolor": INK, "text.color": INK, "xtick.color": INK, "ytick.color": INK,
    "axes.titlesize": 10, "axes.labelsize": 9, "xtick.labelsize": 8, "ytick.labelsize": 8, "lines.linewidth": 1.2,
}  # fmt: skip

PRINT = _TEXT | {
    "svg.fonttype": "none", "axes.linewidth": 0.7, "axes.titlesize": 7.5, "axes.labelsize": 7.5,
    "xtick.labelsize": 5.8, "ytick.labelsize": 5.8, "legend.fontsize": 5.8, "lines.linewidth": 1.0,
}  # fmt: skip

A4_INCHES = (8.27, 11.69)


def pyplot() -> Any:
    """Matplotlib's pyplot, drawing into files only; loaded when a picture is asked for."""
    import matplotlib

    matplotlib.use("Agg")
    import matplotlib.pyplot as plt

    return plt


def hertz(value: float, _: Any = None) -> str:
    """A frequency on an axis: ``100``, ``3k``."""
    return f"{value:g}" if value < 1000 else f"{value / 1000:g}k"


def title_block(page: Any, name: str, told: str) -> None:
    """A border around an A4 page, and in its lower right corner who it is about, and which sheet of when."""
    axes = page.add_axes((0, 0, 1, 1), zorder=-1)
    axes.set_axis_off()
    axes.set_xlim(0, 1)
    axes.set_ylim(0, 1)
    edge, top, left, height = 0.03, 0.022, 0.60, 0.042
    axes.plot([edge, 1 - edge, 1 - edge, edge, edge], [top, top, 1 - top, 1 - top, top], color="black", linewidth=0.9)
    axes.plot([left, left, 1 - edge], [top, top + height, top + height], color="black", linewidth=0.9)
    axes.text(left + 0.01, top + height - 0.005, name, fontsize=10, va="top", fontweight="bold")
    axes.text(left + 0.01, top + 0.007, told, fontsize=5.8, va="bottom")
