"""Commands for those who build: parts."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer
from rich.table import Table

from voicer import library
from voicer.board.spread import UNITS, Tolerances
from voicer.cli.common import (
    AsJson,
    Overwrite,
    Settings,
    VoicingName,
    app,
    changed,
    print_json,
    progress_bar,
)  # fmt: skip
from voicer.cli.part_options import Capacitors, Resistors, Swaps, Unit, part_choice
from voicer.drawing.terminal import console
from voicer.errors import VoicingError, one_line
from voicer.files.whole_folder import check_free

if TYPE_CHECKING:
    from voicer.sheet.contents import BuildSheet


@app.command("parts")
def parts_command(
    voicing: VoicingName,
    settings: Settings = None,
    series: Resistors = None,
    capacitors: Capacitors = None,
    unit: Unit = None,
    swaps: Swaps = None,
    measured: Annotated[
        Path | None, typer.Option("--measured", metavar="FILE.csv", help="Values measured on a board, as in bom.csv.")
    ] = None,
    resistor_percent: Annotated[float, typer.Option(min=0, max=50, help="Resistor tolerance, %.")] = 5.0,
    capacitor_percent: Annotated[float, typer.Option(min=0, max=50, help="Capacitor tolerance, %.")] = 10.0,
    pot_percent: Annotated[float, typer.Option(min=0, max=50, help="Pot tolerance, %.")] = 20.0,
    distribution: Annotated[
        Literal["uniform", "normal"], typer.Option(help="Distribution of values within the tolerance.")
    ] = "uniform",
    units: Annotated[int, typer.Option(min=2, max=200_000, help="Units simulated for the tolerance spread.")] = UNITS,
    limits: Annotated[
        list[str] | None,
        typer.Option("--limit", metavar="KEY=LOW..HIGH", help="Report how many units meet this limit."),
    ] = None,
    keep: Annotated[
        str | None, typer.Option("--keep", metavar="NAME", help="Save the voicing these parts make under this name.")
    ] = None,
    out: Annotated[Path | None, typer.Option("--out", metavar="DIR", help="Folder for the build sheet.")] = None,
    overwrite: Overwrite = False,
    as_json: AsJson = False,
) -> None:
    """Choose parts for a voicing, show how close they come, and write the build sheet.

    Example: voicer parts old-dredger --series E24 --swap R7=12k --out sheet
    """
    from voicer.sheet.bom import read_measured
    from voicer.sheet.contents import build_sheet

    asked = changed(library.load(voicing), settings)
    if keep is not None:
        library.check_save(keep, replace=overwrite)
    if out is not None:
        check_free(out, ["bom.csv"], overwrite=overwrite, inputs=[measured] if measured else [])
    tolerances = Tolerances(resistor_percent / 100, capacitor_percent / 100, pot_percent / 100, distribution)
    choice = part_choice(asked, series, capacitors, unit, swaps, tolerances)
    values = read_measured(measured, choice.board(asked).parts) if measured else None
    sheet = build_sheet(asked, choice, measured=values, units=units)
    wanted = dict(_limit(text) for text in limits or [])
    share = sheet.spread.share_within(wanted) if wanted else None
    written: list[Path] = []
    if out is not None:
        from voicer.sheet.folder import write_sheet

        with progress_bar() as bar:
            task = bar.add_task("drawing the sheet", total=1.0)
            written = write_sheet(
                sheet, out, lambda done: bar.update(task, completed=done), overwrite=overwrite,
                inputs=[measured] if measured else [],
            )  # fmt: skip
    if keep is not None:
        written.append(library.save(sheet.made[0], keep, replace=overwrite))
    if as_json:
        told = {"limits": wanted, "share_within_limits": share, "written": [str(path) for path in written]}
        print_json(sheet.as_json() | told)
        return
    _print(sheet, share, written)


def _print(sheet: BuildSheet, share: float | None, written: list[Path]) -> None:
    from voicer.sheet import tables
    from voicer.sheet.contents import CAUTIONS

    screen = console()
    screen.print(f"{sheet.voicing.name}: {sheet.says}", style="bold")
    shown = [*tables.part_tables(sheet), tables.control_table(sheet), tables.figure_table(sheet)]
    for one in [*shown, tables.spread_table(sheet), tables.tail_table(sheet), tables.made_table(sheet)]:
        table = Table(title=one.title, title_justify="left", title_style="bold", box=None, pad_edge=False)
        for column in one.columns:
            table.add_column(column)
        for row in one.rows:
            table.add_row(*row)
        if one.note:
            screen.print(one.note, soft_wrap=True)
        screen.print(table if one.rows else f"{one.title}: {one.empty}")
        screen.print()
    if share is not None:
        screen.print(f"meet all limits: {share:.1%} of {sheet.spread.units} units")
    for line in sheet.notes:
        screen.print(f"note: {line}", soft_wrap=True)
    for line in CAUTIONS:
        screen.print(f"caution: {line}", soft_wrap=True)
    for path in written:
        screen.print(str(path), soft_wrap=True)


def _limit(text: str) -> tuple[str, tuple[float, float]]:
    match = re.fullmatch(r"(\w+)=([-+.\deE]*)\.\.([-+.\deE]*)", text.replace(" ", ""))
    try:
        if match is None:
            raise ValueError
        low, high = (float(end) if end else inf for end, inf in zip(match.groups()[1:], (-1e300, 1e300), strict=True))
    except ValueError:
        raise VoicingError(
            f"--limit must be KEY=LOW..HIGH (got '{one_line(text)}')", remedy="for example --limit longest_ms=500..600"
        ) from None
    return match[1], (low, high)
