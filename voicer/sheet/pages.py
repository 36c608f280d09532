"""The printed sheet: A4 pages with title block, block diagram, figures, spread, cautions, parts and schematics."""

from __future__ import annotations

import textwrap
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np

from voicer.circuit.figures import once_gain
from voicer.circuit.filters import high_pass_gain
from voicer.sheet import tables
from voicer.sheet.contents import CAUTIONS, BuildSheet, block_title
from voicer.sheet.schematics import block_diagram, draw_on, schematic

A4_INCHES = (8.27, 11.69)
MARGIN = 0.055
"""Of the page's width and height, left white."""

SMALL, NORMAL, LARGE = 5.8, 7.5, 13.0
"""Sizes of letters, points."""

LINE_INCHES = 0.105
"""From one line of small letters to the next."""

STYLE = {
    "font.family": "DejaVu Sans", "svg.hashsalt": "voicer", "svg.fonttype": "none", "axes.linewidth": 0.7,
    "axes.labelsize": NORMAL, "xtick.labelsize": SMALL, "ytick.labelsize": SMALL, "legend.fontsize": SMALL,
}  # fmt: skip


def write_pages(sheet: BuildSheet, path: Path, progress: Callable[[float], None] = lambda done: None) -> None:
    """Write the sheet as PDF: one page of facts, one of schematics, more where the line has several devices."""
    plt = _pyplot()
    from matplotlib.backends.backend_pdf import PdfPages

    keys = list(sheet.board.blocks)
    with plt.rc_context(STYLE), PdfPages(path, metadata={"Title": f"{sheet.voicing.name}: build sheet"}) as pages:
        for number, draw in enumerate((_facts_page, _parts_page), start=1):
            page = plt.figure(figsize=A4_INCHES)
            draw(page, sheet)
            _frame(page, sheet, number)
            pages.savefig(page)
            plt.close(page)
            progress(0.2 * number)
        for start in range(0, len(keys), PER_PAGE):
            page = plt.figure(figsize=A4_INCHES)
            _schematics_page(page, sheet, keys[start : start + PER_PAGE])
            _frame(page, sheet, 3 + start // PER_PAGE)
            pages.savefig(page)
            plt.close(page)
            progress(0.4 + 0.5 * min(1.0, (start + PER_PAGE) / len(keys)))


def write_response(sheet: BuildSheet, path: Path) -> None:
    """Write the wet response, asked and got with its spread, as SVG or PNG."""
    plt = _pyplot()
    with plt.rc_context(STYLE):
        figure, axes = plt.subplots(figsize=(7.2, 4.2), layout="constrained")
        _response(axes, sheet)
        axes.set_title(f"{sheet.voicing.name}, {sheet.says}: once through the echo", loc="left", fontsize=NORMAL + 1)
        figure.savefig(path, metadata={"Date": None} if path.suffix == ".svg" else None, dpi=150)
        plt.close(figure)


PER_PAGE, COLUMNS = 15, 3
"""Schematics on a page, and how many stand side by side."""


def _frame(page: Any, sheet: BuildSheet, number: int) -> None:
    """A border, and the title block in the lower right corner."""
    axes = page.add_axes((0, 0, 1, 1), zorder=-1)
    axes.set_axis_off()
    axes.set_xlim(0, 1)
    axes.set_ylim(0, 1)
    edge, top = 0.03, 0.022
    axes.plot([edge, 1 - edge, 1 - edge, edge, edge], [top, top, 1 - top, 1 - top, top], color="black", linewidth=0.9)
    left, height = 0.60, 0.042
    axes.plot([left, left, 1 - edge], [top, top + height, top + height], color="black", linewidth=0.9)
    axes.text(left + 0.01, top + height - 0.010, sheet.voicing.name, fontsize=10, va="top", fontweight="bold")
    told = f"{sheet.says}   sheet {number}   {date.today().isoformat()}"
    axes.text(left + 0.01, top + 0.007, told, fontsize=SMALL, va="bottom")


def _facts_page(page: Any, sheet: BuildSheet) -> None:
    page.text(MARGIN, 0.957, "Build sheet", fontsize=LARGE, va="top")
    diagram = page.add_axes((MARGIN, 0.79, 1 - 2 * MARGIN, 0.14))
    draw_on(diagram, block_diagram(sheet.board))
    left = _table(page, tables.figure_table(sheet), MARGIN, 0.775, (0.205, 0.07, 0.07, 0.065, 0.02))
    response = page.add_axes((0.575, 0.565, 0.37, 0.19))
    _response(response, sheet)
    right = _table(page, tables.control_table(sheet), 0.535, 0.53, (0.10, 0.12, 0.15))
    right = _table(page, tables.made_table(sheet), 0.535, right - 0.012, (0.20, 0.085, 0.085, 0.05))
    low = _table(page, tables.spread_table(sheet), MARGIN, min(left, right) - 0.012, (0.27, 0.10, 0.10, 0.10, 0.2))
    low = _lines(page, "Mind", sheet.notes, MARGIN, low - 0.012, 150)
    _lines(page, "Cautions", list(CAUTIONS), MARGIN, low - 0.006, 95)


def _parts_page(page: Any, sheet: BuildSheet) -> None:
    page.text(MARGIN, 0.957, "Parts", fontsize=LARGE, va="top")
    x, y = MARGIN, 0.93
    for table in tables.part_tables(sheet):
        height = (len(table.rows) + 3.2) * LINE_INCHES / A4_INCHES[1]
        if y - height < (0.08 if x > 0.5 else MARGIN):
            x, y = x + 0.465, 0.93
        y = _table(page, table, x, y, (0.045, 0.075, 0.32), heads=False) - 0.009


def _schematics_page(page: Any, sheet: BuildSheet, keys: list[str]) -> None:
    page.text(MARGIN, 0.957, "Schematics", fontsize=LARGE, va="top")
    page.text(
        0.95, 0.953, "VB: bias node, half the supply. Every wiper is drawn where the knob stands at half.",
        fontsize=SMALL, va="top", ha="right",
    )  # fmt: skip
    width, height = (1 - 2 * MARGIN) / COLUMNS, 0.86 / (PER_PAGE // COLUMNS)
    for place, key in enumerate(keys):
        row, column = divmod(place, COLUMNS)
        x, y = MARGIN + column * width, 0.935 - (row + 1) * height
        page.text(x, y + height - 0.006, block_title(key), fontsize=NORMAL, va="top", fontweight="bold")
        axes = page.add_axes((x, y + 0.004, width - 0.012, height - 0.024))
        draw_on(axes, schematic(sheet.board, key))


def _table(
    page: Any, table: tables.Table, x: float, y: float, widths: tuple[float, ...], *, heads: bool = True
) -> float:
    """Write a table with its top left corner at ``(x, y)`` of the page; gives where it ends."""
    step = LINE_INCHES / A4_INCHES[1]
    for line in textwrap.wrap(table.title, 130):
        page.text(x, y, line, fontsize=NORMAL, va="top", fontweight="bold")
        y -= 1.35 * step
    starts = x + np.concatenate(([0.0], np.cumsum(widths)[:-1]))
    rows = [table.columns, *table.rows] if heads and table.rows else list(table.rows) or [("just the one asked for",)]
    for number, row in enumerate(rows):
        head = heads and number == 0 and bool(table.rows)
        for start, width, text in zip(starts, widths, row, strict=False):
            fit = int(width * A4_INCHES[0] * 72 / (0.56 * SMALL))
            page.text(
                start, y, textwrap.shorten(text, max(fit, 4), placeholder="…") if len(text) > fit else text,
                fontsize=SMALL, va="top", fontstyle="italic" if head else "normal",
            )  # fmt: skip
        y -= step
    return y


def _lines(page: Any, title: str, lines: list[str], x: float, y: float, width: int) -> float:
    step = LINE_INCHES / A4_INCHES[1]
    page.text(x, y, title, fontsize=NORMAL, va="top", fontweight="bold")
    y -= 1.35 * step
    for line in lines:
        for number, piece in enumerate(textwrap.wrap(line, width)):
            page.text(x + 0.012, y, piece, fontsize=SMALL + 0.4, va="top")
            if number == 0:
                page.text(x, y, "–", fontsize=SMALL, va="top")
            y -= 1.06 * step
    return y


def _response(axes: Any, sheet: BuildSheet) -> None:
    found, half_hz = sheet.spread, sheet.circuit.clock_hz / 2
    axes.fill_between(
        found.f_hz, found.response_db[0], found.response_db[-1], color="0.85", linewidth=0, label="5 % to 95 % of units"
    )
    for board, label, style in ((sheet.asked, "asked", ":"), (sheet.board, "these parts", "-")):
        low_cut = high_pass_gain(board.blocks["low_cut"].cutoff_hz, found.f_hz)
        gain_db = 20 * np.log10(low_cut * once_gain(board, board.controls.time, found.f_hz))
        axes.plot(found.f_hz, gain_db, style, color="black", linewidth=1.0, label=label)
    axes.axvline(half_hz, color="black", linewidth=0.7, linestyle="--")
    axes.text(half_hz, -57, " half the clock", fontsize=SMALL, rotation=90, va="bottom", ha="right")
    axes.set_xscale("log")
    axes.set_xlim(20, max(1.15 * half_hz, found.f_hz[-1]))
    axes.set_ylim(-60, 6)
    axes.set_xlabel("frequency, Hz")
    axes.set_ylabel("wet level, dB")
    axes.grid(which="both", color="0.9", linewidth=0.4)
    axes.legend(loc="lower left", frameon=False)


def _pyplot() -> Any:
    import matplotlib

    matplotlib.use("Agg")
    import matplotlib.pyplot as plt

    return plt
