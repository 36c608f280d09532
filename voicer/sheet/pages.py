"""The printed sheet: A4 pages with title block, block diagram, figures, spread, cautions and schematics."""

from __future__ import annotations

import textwrap
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from voicer.drawing.paper import A4_INCHES, PRINT, hertz, pyplot, title_block
from voicer.sheet import tables
from voicer.sheet.contents import CAUTIONS, BuildSheet, block_title
from voicer.sheet.pen import draw_on, units_high, units_wide
from voicer.sheet.schematics import draw_block_diagram, draw_schematic

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from schemdraw import Drawing

PrintBlock = Callable[["Figure | None", float], float]
"""Prints a block from a height of a page downwards and returns where it ends; without a page it only measures."""

MARGIN = 0.055
"""White margin, as a share of the page's width and height."""

SMALL, NORMAL, LARGE = 5.8, 7.5, 13.0
"""Font sizes, points."""

LINE_INCHES = 0.105
"""Line spacing of small text."""

ROWS, COLUMNS = 6, 3
"""Grid of schematics on a page."""

LARGEST_INCHES = 0.2
"""Largest size of a drawing unit, so that small schematics do not get large lettering."""

HEAD = 0.016
"""Height of a schematic's title, as a share of the page's."""

TITLE_TOP = 0.066
"""Upper edge of the title block, as a share of the page's height: nothing is printed below."""

GAP = 0.008
"""Between one table and the next, as a share of the page's height."""

NARROW, WIDE = 72, 150
"""Characters in a line of a column, and of the whole page."""

SPANS = {"clock": 2}
"""Blocks whose schematic is wider than a column."""

def write_pages(sheet: BuildSheet, path: Path, progress: Callable[[float], None] = lambda done: None) -> None:
    """Write the sheet as PDF: figures, spread and cautions on one page or two, then the schematics."""
    plt = pyplot()
    from matplotlib.backends.backend_pdf import PdfPages

    with plt.rc_context(PRINT), PdfPages(path, metadata={"Title": f"{sheet.voicing.name}: build sheet"}) as file:
        pages = draw_pages(sheet)
        for number, page in enumerate(pages, start=1):
            file.savefig(page)
            plt.close(page)
            progress(0.9 * number / len(pages))


def draw_pages(sheet: BuildSheet) -> list[Figure]:
    """The pages as matplotlib figures, for the caller to save and close."""
    plt = pyplot()
    cells = _cells(sheet)
    pages = [plt.figure(figsize=A4_INCHES)]
    blocks, low = _facts_page(pages[0], sheet)
    if _end(blocks, low) < TITLE_TOP:
        pages.append(plt.figure(figsize=A4_INCHES))
        pages[-1].text(MARGIN, 0.965, "Build sheet, continued", fontsize=LARGE, va="top")
        low = 0.93
    for print_block in blocks:
        low = print_block(pages[-1], low) - GAP
    for first in range(0, cells[-1].row + 1, ROWS):
        pages.append(plt.figure(figsize=A4_INCHES))
        _schematics_page(pages[-1], [cell for cell in cells if first <= cell.row < first + ROWS])
    for number, page in enumerate(pages, start=1):
        told = f"{sheet.says}   sheet {number} of {len(pages)}   {date.today().isoformat()}"
        title_block(page, sheet.voicing.name, told)
    return pages


def write_response(sheet: BuildSheet, path: Path) -> None:
    """Write the wet response, as asked for and as made, with its spread, as SVG or PNG."""
    plt = pyplot()
    with plt.rc_context(PRINT):
        figure, axes = plt.subplots(figsize=(7.2, 4.2), layout="constrained")
        _response(axes, sheet)
        axes.set_title(f"{sheet.voicing.name}, {sheet.says}: once through the echo", loc="left", fontsize=NORMAL + 1)
        figure.savefig(path, metadata={"Date": None} if path.suffix == ".svg" else None, dpi=150)
        plt.close(figure)


@dataclass(frozen=True)
class _Cell:
    """A schematic's place in the grid."""

    row: int
    column: int
    span: int
    title: str
    drawing: Drawing

    def needed(self, column_inches: float) -> float:
        """Height it needs, as a share of the page's."""
        wide = (self.span * column_inches - 0.1) / units_wide(self.drawing)
        return min(wide, LARGEST_INCHES) * units_high(self.drawing) / A4_INCHES[1]


def _cells(sheet: BuildSheet) -> list[_Cell]:
    found, place = [], 0
    for key in sheet.board.blocks.by_name:
        span = SPANS.get(key, 1)
        if place % COLUMNS + span > COLUMNS:
            place += COLUMNS - place % COLUMNS
        drawing = draw_schematic(sheet.board, key)
        found.append(_Cell(place // COLUMNS, place % COLUMNS, span, block_title(key), drawing))
        place += span
    return found


def _facts_page(page: Figure, sheet: BuildSheet) -> tuple[list[PrintBlock], float]:
    """Print the first page; returns what is to follow below it or on the next one, and the height at which it ends."""
    page.text(MARGIN, 0.965, "Build sheet", fontsize=LARGE, va="top")
    diagram = page.add_axes((MARGIN, 0.77, 1 - 2 * MARGIN, 0.17))
    draw_on(diagram, draw_block_diagram(sheet.board))
    left = _table(page, tables.figure_table(sheet), MARGIN, 0.762, (0.235, 0.065, 0.065, 0.06, 0.02))
    _response(page.add_axes((0.585, 0.612, 0.36, 0.14)), sheet)
    right = _table(page, tables.control_table(sheet), 0.535, 0.572, (0.10, 0.12, 0.15))
    right = _table(page, tables.tail_table(sheet), 0.535, right - GAP, (0.07, 0.075, 0.07, 0.125, 0.08))
    right = _table(page, tables.made_table(sheet), 0.535, right - GAP, (0.20, 0.085, 0.085, 0.05))
    notes_end = _lines(None, "Notes", sheet.notes, 0.535, right - GAP, NARROW)
    if notes_end > TITLE_TOP:
        _lines(page, "Notes", sheet.notes, 0.535, right - GAP, NARROW)
        return [partial(_spread, sheet=sheet), _cautions], min(left, notes_end) - GAP
    return [partial(_notes, sheet=sheet), partial(_spread, sheet=sheet), _cautions], min(left, right) - GAP


def _end(blocks: list[PrintBlock], y: float) -> float:
    """Where blocks that begin at a height would end."""
    for print_block in blocks:
        y = print_block(None, y) - GAP
    return y


def _spread(page: Figure | None, y: float, sheet: BuildSheet) -> float:
    return _table(page, tables.spread_table(sheet), MARGIN, y, (0.27, 0.10, 0.10, 0.10, 0.2))


def _notes(page: Figure | None, y: float, sheet: BuildSheet) -> float:
    return _lines(page, "Notes", sheet.notes, MARGIN, y, WIDE)


def _cautions(page: Figure | None, y: float) -> float:
    return _lines(page, "Cautions", list(CAUTIONS), MARGIN, y, WIDE)


def _schematics_page(page: Figure, cells: list[_Cell]) -> None:
    page.text(MARGIN, 0.965, "Schematics", fontsize=LARGE, va="top")
    told = "VB: bias node, half the supply. Every part is listed with its purpose in bom.csv."
    page.text(0.95, 0.96, told, fontsize=SMALL, va="top", ha="right")
    width, rows = (1 - 2 * MARGIN) / COLUMNS, sorted({cell.row for cell in cells})
    needed = [max(cell.needed(width * A4_INCHES[0]) for cell in cells if cell.row == row) for row in rows]
    scale = min(1.25, (0.885 - HEAD * len(rows)) / sum(needed))
    top = 0.94
    for row, height in zip(rows, needed, strict=True):
        for cell in (cell for cell in cells if cell.row == row):
            x = MARGIN + cell.column * width
            page.text(x, top, cell.title, fontsize=NORMAL, va="top", fontweight="bold")
            place = (x, top - HEAD - scale * height + 0.006, cell.span * width - 0.012, scale * height)
            draw_on(page.add_axes(place), cell.drawing, LARGEST_INCHES)
        top -= scale * height + HEAD


def _table(page: Figure | None, table: tables.Table, x: float, y: float, widths: tuple[float, ...]) -> float:
    """Print a table with its top left corner at ``(x, y)`` of the page; returns the height at which it ends.

    Without a page it is only measured.
    """
    step = LINE_INCHES / A4_INCHES[1]
    note = textwrap.wrap(table.note, 160)
    if page is None:
        return y - (1.35 + len(note) + 1 + len(table.rows)) * step
    page.text(x, y, table.title, fontsize=NORMAL, va="top", fontweight="bold")
    y -= 1.35 * step
    for line in note:
        page.text(x, y, line, fontsize=SMALL, va="top")
        y -= step
    starts = x + np.concatenate(([0.0], np.cumsum(widths)[:-1]))
    rows = [table.columns, *table.rows] if table.rows else [(table.empty,)]
    for number, row in enumerate(rows):
        head = number == 0 and bool(table.rows)
        for start, width, text in zip(starts, widths, row, strict=False):
            fit = int(width * A4_INCHES[0] * 72 / (0.56 * SMALL))
            page.text(
                start, y, textwrap.shorten(text, max(fit, 4), placeholder="…") if len(text) > fit else text,
                fontsize=SMALL, va="top", fontstyle="italic" if head else "normal",
            )  # fmt: skip
        y -= step
    return y


def _lines(page: Figure | None, title: str, lines: list[str], x: float, y: float, width: int) -> float:
    """Print a titled list, its lines wrapped; returns the height at which it ends. Without a page, only measured."""
    step = LINE_INCHES / A4_INCHES[1]
    wrapped = [textwrap.wrap(line, width) for line in lines]
    if page is None:
        return y - (1.35 + 1.06 * sum(map(len, wrapped))) * step
    page.text(x, y, title, fontsize=NORMAL, va="top", fontweight="bold")
    y -= 1.35 * step
    for pieces in wrapped:
        page.text(x, y, "–", fontsize=SMALL, va="top")
        for piece in pieces:
            page.text(x + 0.012, y, piece, fontsize=SMALL + 0.4, va="top")
            y -= 1.06 * step
    return y


def _response(axes: Axes, sheet: BuildSheet) -> None:
    found, half_hz = sheet.spread, sheet.circuit.clock_hz / 2
    axes.fill_between(
        found.f_hz, found.response_db[0], found.response_db[-1], color="0.85", linewidth=0,
        label="5th to 95th percentile",
    )
    for board, label, style in ((sheet.asked, "asked for", ":"), (sheet.board, "these parts", "-")):
        gain_db = 20 * np.log10(board.wet_path().wet_gain(found.f_hz, board.clock_hz(board.controls.time)))
        axes.plot(found.f_hz, gain_db, style, color="black", linewidth=1.0, label=label)
    axes.axvline(half_hz, color="black", linewidth=0.7, linestyle="--")
    axes.annotate(
        "half the clock", (half_hz, -57), (-4, 0), textcoords="offset points", fontsize=SMALL, rotation=90,
        va="bottom", ha="right",
    )  # fmt: skip
    axes.set_xscale("log")
    axes.xaxis.set_major_formatter(hertz)
    axes.set_xlim(20, max(1.15 * half_hz, found.f_hz[-1]))
    axes.set_ylim(-60, 6)
    axes.set_xlabel("frequency, Hz")
    axes.set_ylabel("wet level, dB")
    axes.grid(which="both", color="0.9", linewidth=0.4)
    axes.legend(loc="lower left", frameon=False)
