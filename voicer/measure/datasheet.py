"""The data sheet: every figure predicted and measured, and every plot, on one A4 page."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

from voicer.drawing.paper import A4_INCHES, PRINT, pyplot, title_block
from voicer.measure.bench import Bench, Reading
from voicer.measure.plots import PLOTS, page_axes

TEXT = 4.6
LINE = 0.0071
"""Height of a row, as a share of the page's."""

SMALLER = {
    "axes.titlesize": 6.5, "axes.labelsize": 5.5, "xtick.labelsize": 5, "ytick.labelsize": 5, "legend.fontsize": 4.8,
}  # fmt: skip

COLUMNS_AT = (0.0, 0.235, 0.295, 0.355, 0.405)
"""Label, predicted, measured, difference, unit; two such columns stand side by side."""


def write_datasheet(bench: Bench, readings: list[Reading], path: Path, told: str) -> None:
    """Write the page as PDF; ``told`` says which parts were measured and what full scale is."""
    plt = pyplot()
    with plt.rc_context(PRINT | SMALLER):
        page = plt.figure(figsize=A4_INCHES)
        page.text(0.055, 0.965, "Data sheet", fontsize=13, va="top")
        page.text(0.945, 0.962, "lines: predicted from the circuit; dots: measured through the kernel", fontsize=5.8,
                  va="top", ha="right")  # fmt: skip
        for number, draw in enumerate(PLOTS.values()):
            draw(page_axes(page, number), bench)
        _table(page, readings)
        title_block(page, bench.circuit.name, f"{told}\n{date.today().isoformat()}")
        page.savefig(path)
        plt.close(page)


def _table(page: Any, readings: list[Reading]) -> None:
    rows = -(-len(readings) // 2)
    for column in range(2):
        x, y = 0.045 + 0.465 * column, 0.258
        for head, at in zip(("figure", "predicted", "measured", "differs", ""), COLUMNS_AT, strict=True):
            page.text(x + at, y, head, fontsize=TEXT, va="top", fontstyle="italic")
        for number, one in enumerate(readings[column * rows : (column + 1) * rows], start=1):
            texts = (one.label, number_text(one.predicted), number_text(one.measured), difference_text(one), one.unit)
            for text, at in zip(texts, COLUMNS_AT, strict=True):
                page.text(x + at, y - number * LINE, text, fontsize=TEXT, va="top")


def number_text(value: float | None) -> str:
    """Four digits, or a dash."""
    return "–" if value is None else f"{value:.4g}"


def difference_text(one: Reading) -> str:
    """Measured less predicted, marked where it is too large."""
    return "" if one.difference is None else f"{one.difference:+.2g}" + (" !" if one.ok is False else "")
