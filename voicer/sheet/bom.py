"""The parts list as comma-separated values, and measured values read back from such a file."""

from __future__ import annotations

import csv
import io
import re
from pathlib import Path

from voicer.board.actives import Active
from voicer.board.parts import Part, find_part
from voicer.board.spread import Tolerances
from voicer.board.values import parse_value, short_value
from voicer.errors import CircuitError, FileError
from voicer.files.text_file import load_text

COLUMNS = ("reference", "value", "tolerance", "kind", "quantity", "note")

LARGEST_C0G_FARAD, LARGEST_FILM_FARAD = 1e-9, 1e-6
"""Below the first C0G ceramic, up to the second film, beyond it electrolytic (common practice, no source)."""


def bom_text(parts: list[Part], others: list[Active], tolerances: Tolerances) -> str:
    """The table: parts of one kind and value share a row; references are separated by spaces."""
    groups: dict[tuple[str, str], list[Part]] = {}
    for part in parts:
        groups.setdefault((short_value(part.value), kind_text(part)), []).append(part)
    table: list[tuple[str, ...]] = [
        (" ".join(part.ref for part in group), value, f"{100 * tolerances.of(group[0].kind):g} %", kind,
         str(len(group)), "; ".join(dict.fromkeys(part.note for part in group)))
        for (value, kind), group in groups.items()
    ]  # fmt: skip
    table += [(one.ref, one.what, "", one.kind, "1", one.note) for one in others]
    table.sort(key=_order)
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(COLUMNS)
    writer.writerows(table)
    return text.getvalue()


def kind_text(part: Part) -> str:
    """What to buy, such as ``resistor, metal film``."""
    if part.kind == "pot":
        return "trim pot, linear" if "trim" in part.name else "pot, linear"
    if part.kind == "resistor":
        return "resistor, metal film"
    if part.value < LARGEST_C0G_FARAD:
        return "capacitor, C0G"
    return "capacitor, film" if part.value <= LARGEST_FILM_FARAD * (1 + 1e-9) else "capacitor, electrolytic, 16 V"


def read_measured(path: Path, parts: list[Part]) -> dict[str, float]:
    """Measured values by reference, read from a table.

    The first row names the columns; ``reference`` (or ``ref``) and ``value`` are read, others ignored. A row may hold
    several references, separated by spaces or commas. Rows of parts that have no value here, such as amplifiers,
    are skipped, and so are rows without a value.

    Raises
    ------
    FileError
        With file and line: a missing column, an unknown reference, an invalid value, or a part listed twice.
    """
    text = load_text(path)
    try:
        rows = list(csv.reader(io.StringIO(text), _dialect(text)))
    except csv.Error as error:
        raise FileError(f"the file must be a table of comma-separated values ({error})", where=str(path),
                        remedy="start from the sheet's bom.csv") from error
    where, what = _columns(path, rows)
    values: dict[str, float] = {}
    for number, row in enumerate(rows[1:], start=2):
        if len(row) <= max(where, what) or not row[what].strip():
            continue
        for ref in re.split(r"[\s,;]+", row[where].strip()):
            if re.fullmatch(r"(U|D|S|Q)\d+", ref):
                continue
            if ref in values:
                raise FileError(f"part {ref} is listed twice", where=f"{path}:{number}", remedy="remove one row")
            try:
                part = find_part(ref, parts)
            except CircuitError as error:
                raise FileError(error.what, where=f"{path}:{number}", remedy=error.remedy) from error
            try:
                values[ref] = parse_value(row[what], part.kind)
            except CircuitError as error:
                raise FileError(f"{ref}: {error.what}", where=f"{path}:{number}", remedy=error.remedy) from error
    if not values:
        raise FileError("the file holds no value of any part", where=str(path), remedy="start from the sheet's bom.csv")
    return values


def _dialect(text: str) -> type[csv.Dialect]:
    head = text.split("\n", 1)[0]
    delimiter = max(",;\t", key=head.count)

    class Table(csv.excel):
        pass

    Table.delimiter = delimiter
    return Table


def _columns(path: Path, rows: list[list[str]]) -> tuple[int, int]:
    names = [name.strip().lower().lstrip("\ufeff") for name in rows[0]] if rows else []
    for reference in ("reference", "ref"):
        if reference in names and "value" in names:
            return names.index(reference), names.index("value")
    raise FileError(
        f"the first row must name the columns reference and value (got {', '.join(names) or 'nothing'})",
        where=f"{path}:1", remedy="start from the sheet's bom.csv",
    )  # fmt: skip


def _order(row: tuple[str, ...]) -> tuple[str, int]:
    """Letter and number of a row's first reference."""
    match = re.match(r"([A-Z]+)(\d+)", row[0])
    return (match[1], int(match[2])) if match else (row[0], 0)
