"""The sheet's tables as text, for both the terminal and the printed pages."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from voicer.board.readback import differences
from voicer.board.values import value_text
from voicer.sheet.contents import BuildSheet, block_title
from voicer.voicing import parameter

SPREAD_KEYS = (
    "shortest_ms", "longest_ms", "time_ms", "low_cut_hz", "anti_alias_hz", "reconstruction_hz", "compressor_ms",
    "loop_gain", "edge_position", "rate_hz", "depth_percent", "level_db", "headroom_v",
)  # fmt: skip
"""Figures whose spread the sheet shows; ``--json`` has them all."""

NAMED_CAUSES = 2
"""Parts named beside a figure's spread."""


@dataclass(frozen=True)
class Table:
    """A title, column headings, rows of text, and a note printed under the title."""

    title: str
    columns: tuple[str, ...]
    rows: Sequence[tuple[str, ...]]
    note: str = ""
    empty: str = "none"
    """Printed in place of the rows when there are none."""


def part_tables(sheet: BuildSheet) -> list[Table]:
    """One table per block."""
    made = []
    for key in sheet.board.blocks.by_name:
        rows = [
            (part.ref, value_text(part.value, part.kind), part.note)
            for part in sheet.parts if part.block == key
        ]  # fmt: skip
        rows += [(one.ref, one.kind, one.note) for one in sheet.actives if one.block == key]
        made.append(Table(block_title(key), ("part", "value", "purpose"), rows))
    return made


def control_table(sheet: BuildSheet) -> Table:
    """The positions of the knobs for the voicing."""
    controls, asked = sheet.board.controls, sheet.voicing
    modulation, off = asked.modulation, asked.modulation.range == "off"
    settings = {
        "time": f"{asked.delay.time_ms:g} ms",
        "repeats": f"feedback {asked.repeats.feedback:g}",
        "rate": "off" if off else f"{modulation.rate_hz:g} Hz, {modulation.range}",
        "depth": "off" if off else f"{modulation.depth_percent:g} %",
        "blend": f"{asked.output.blend:g}",
        "level": f"{asked.output.level_db:g} dB",
    }
    rows = [(name, f"{100 * float(getattr(controls, name)):.1f} %", text) for name, text in settings.items()]
    return Table("Controls", ("control", "position", "setting"), rows)


def figure_table(sheet: BuildSheet) -> Table:
    """Every figure as asked for and as made, with its error."""
    rows = [
        (
            row.figure.label, say(row.asked, row.figure.unit), say(row.got, row.figure.unit),
            f"{row.error + 0:+.2f} dB" if row.figure.unit == "dB" else f"{round(row.error, 4) + 0:+.2%}",
            "" if row.ok else "off",
        )
        for row in sheet.figures
    ]  # fmt: skip
    return Table("Figures", ("figure", "asked", "got", "error", ""), rows)


def spread_table(sheet: BuildSheet) -> Table:
    """Percentiles of the main figures, and the parts that contribute most to each."""
    found, percentiles = sheet.spread, sheet.spread.percentiles()
    units = {figure.key: (figure.label, figure.unit) for figure in found.figures}
    rows = []
    for key in (key for key in SPREAD_KEYS if key in percentiles):
        label, unit = units[key]
        causes = ", ".join(
            f"{one.part.ref} {one.share:.0%}" for one in sheet.sensitivities.get(key, [])[:NAMED_CAUSES]
        )
        rows.append((label, *(say(value, unit) for value in percentiles[key]), causes))
    columns = ("figure", "5 %", "median", "95 %", "mostly due to")
    return Table(f"Spread over {found.units} units", columns, rows, found.tolerances.statement)


def tail_table(sheet: BuildSheet) -> Table:
    """How fast repeats die away, or grow, at both ends and the middle of the time control, at the loudest pitch."""
    rows = [
        (
            f"{1e3 * got.time_s:.4g} ms", say(got.f_hz, "Hz"), f"{got.loop_gain:.3f}",
            f"{got.db_per_repeat:+.2f} dB ({asked.db_per_repeat:+.2f})", f"{got.db_per_s:+.1f} dB/s",
        )
        for asked, got in sheet.tails
    ]  # fmt: skip
    columns = ("delay", "loudest at", "loop gain", "per repeat (asked)", "per second")
    return Table("Tail", columns, rows, empty="no repeats")


def made_table(sheet: BuildSheet) -> Table:
    """The numbers in which the voicing these parts make differs from the one asked for."""
    rows = []
    for key, asked, got in differences(sheet.voicing, sheet.made[0]):
        unit = parameter(key).unit
        error = f"{got - asked:+.2f} dB" if unit == "dB" else f"{got / asked - 1:+.2%}" if asked else ""
        rows.append((key, say(asked, unit), say(got, unit), error))
    return Table("The voicing these parts make", ("parameter", "asked", "made", "error"), rows, empty="as asked for")


def say(value: float, unit: str) -> str:
    """A figure with four digits and its unit."""
    if unit == "dB":
        return f"{round(value, 2) + 0:.2f} dB"
    if unit == "Hz" and value >= 1e4:
        return f"{value / 1e3:.4g} kHz"
    if unit == "Ω":
        return value_text(value, "resistor")
    return f"{value:.4g} {unit}".rstrip()
