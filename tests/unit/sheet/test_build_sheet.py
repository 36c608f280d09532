"""The build sheet: its contents, its parts list, values measured on a board, and the folder of files."""

from __future__ import annotations

import csv
import io
import json
import re
import subprocess
from itertools import combinations
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from voicer import library
from voicer.board import PartChoice, design_board
from voicer.board.netlist import path_netlist
from voicer.board.readback import differences
from voicer.board.spread import Tolerances
from voicer.board.values import parse_value
from voicer.drawing.paper import PRINT, pyplot
from voicer.errors import FileError
from voicer.sheet import tables
from voicer.sheet.bom import COLUMNS, bom_text, read_measured
from voicer.sheet.contents import CAUTIONS, BuildSheet, build_sheet
from voicer.sheet.folder import write_sheet
from voicer.sheet.pages import draw_pages

FILES = ["bom.csv", "circuit.cir", "clock.cir", "lfo.cir", "response.svg", "sheet.pdf"]
SHIPPED = [entry.name for entry in library.listing()]


def sheet_of(name: str = "quay-slap", choice: PartChoice | None = None, **more: Any) -> BuildSheet:
    return build_sheet(library.load(name), choice or PartChoice(), units=200, **more)


def rows_of(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text)))


@pytest.mark.parametrize("name", SHIPPED)
def test_the_parts_list_has_every_part_once(name: str) -> None:
    """All references, values that read back, quantities that agree, tolerance and kind in words."""
    sheet = sheet_of(name)
    rows = rows_of(bom_text(sheet.parts, sheet.actives, Tolerances()))
    assert tuple(rows[0]) == COLUMNS
    found = {ref: row for row in rows for ref in row["reference"].split()}
    assert sum(int(row["quantity"]) for row in rows) == len(found) == len(sheet.parts) + len(sheet.actives)
    for part in sheet.parts:
        row = found[part.ref]
        assert parse_value(row["value"], part.kind) == pytest.approx(part.value, rel=1e-9)
        assert row["tolerance"] == {"resistor": "5 %", "capacitor": "10 %", "pot": "20 %"}[part.kind]
        assert part.note in row["note"]
    for active in sheet.actives:
        assert found[active.ref]["value"] == active.what


def test_measured_values_come_back_from_the_list(tmp_path: Path) -> None:
    """A list written, read again and laid on the board changes nothing: parts to sheet to parts."""
    sheet = sheet_of("storm-bell")
    (tmp_path / "m.csv").write_text(bom_text(sheet.parts, sheet.actives, Tolerances()))
    again = sheet_of("storm-bell", measured=read_measured(tmp_path / "m.csv", sheet.parts))
    assert [part.value for part in again.parts] == [part.value for part in sheet.parts]
    assert differences(again.voicing, again.made[0]) == differences(sheet.voicing, sheet.made[0])


@pytest.mark.parametrize(
    "text",
    ["reference,value\nR7,12k\nC4,\n", "ref;value;who\nR7;12,0k;me\n", "Value\tReference\n12k\tR7\n", "reference,value\nU1,x\nR7,1.2e4\n"],
)
def test_measured_values_as_a_spreadsheet_writes_them(text: str, tmp_path: Path) -> None:
    """Commas, semicolons or tabs, columns in any order, parts left out, parts without a value."""
    (tmp_path / "m.csv").write_text(text)
    assert read_measured(tmp_path / "m.csv", sheet_of().parts) == {"R7": 12e3}


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", ":1: the first row must name the columns reference and value (got nothing); start from the sheet's bom.csv"),
        ("part,ohm\nR7,1\n", ":1: the first row must name the columns reference and value (got part, ohm); start from the sheet's bom.csv"),
        ("reference,value\nR7,12k\nR799,1k\n", ":3: no part 'R799' on this board; did you mean"),
        ("reference,value\nR7 R8,12k\nR8,1k\n", ":3: part R8 is listed twice; remove one row"),
        ("reference,value\nC4,12k\n", ":2: C4: a capacitor must have a value in 0.1p..100m F (got '12k'); write it like 4.7n, 4n7 or 4.7e-9"),
        ("reference,value\nR7,\n", ": the file holds no value of any part; start from the sheet's bom.csv"),
    ],
)  # fmt: skip
def test_wrong_measured_values(text: str, told: str, tmp_path: Path) -> None:
    """File, line, rule, value, remedy."""
    (tmp_path / "m.csv").write_text(text)
    with pytest.raises(FileError) as caught:
        read_measured(tmp_path / "m.csv", sheet_of().parts)
    assert str(caught.value).startswith(str(tmp_path / "m.csv") + told)


def test_figures_that_are_off_are_told() -> None:
    """A sheet with a wrong part says so; the sheet as designed has nothing that is off."""
    assert "off" not in {row[-1] for row in tables.figure_table(sheet_of()).rows}
    low_cut = next(part for part in sheet_of().parts if part.block == "low_cut" and part.kind == "resistor")
    wrong = sheet_of(choice=PartChoice(swaps={low_cut.key: 220e3}))
    assert wrong.says == f"E24 parts, {low_cut.ref} swapped"
    assert [row[0] for row in tables.figure_table(wrong).rows if row[-1] == "off"] == ["low cut"]
    assert any(line.startswith("1 of ") for line in wrong.notes)
    assert tables.made_table(wrong).rows[0][0] == "filters.low_cut_hz"


def test_tails_are_those_of_the_circuit() -> None:
    """At both ends and the middle of the time control: the loop gain in dB per repeat, and over the delay per second;
    none where nothing is fed back.
    """
    sheet = sheet_of("harbour-dusk")
    circuit = sheet.circuit
    rows = tables.tail_table(sheet).rows
    assert len(rows) == 3
    for row, time_s in zip(rows, (circuit.shortest_s, None, circuit.longest_s), strict=True):
        if time_s is not None:
            per_repeat_db = 20 * np.log10(circuit.loop_gain(circuit.clock_for(time_s)))
            assert float(row[3].split(" dB")[0]) == pytest.approx(per_repeat_db, abs=0.02)
            assert float(row[4].split(" dB")[0]) == pytest.approx(per_repeat_db / time_s, rel=5e-3, abs=0.1)
    silent = build_sheet(library.load("harbour-dusk").changed({"repeats.feedback": 0}), PartChoice(), units=20)
    assert silent.tails == silent.as_json()["tails"] == []


def test_the_spread_is_around_the_parts_as_printed() -> None:
    """One unit's sheet shows the spread that all units have."""
    assert sheet_of(choice=PartChoice(unit=4)).spread.percentiles() == sheet_of().spread.percentiles()


def test_json_is_whole() -> None:
    """Parts, figures, spread, the voicing made, cautions; plain data."""
    data = json.loads(json.dumps(sheet_of(choice=PartChoice(unit=2)).as_json()))
    assert {"parts", "others", "controls", "figures", "spread", "sensitivities", "made", "notes", "cautions"} <= set(data)
    assert data["cautions"] == list(CAUTIONS)
    assert {"ref", "kind", "value", "unit", "block", "name", "note"} == set(data["parts"][0])


@pytest.mark.parametrize(("name", "pages"), [("harbour-dusk", 2), ("old-dredger", 3)])
def test_the_folder(name: str, pages: int, tmp_path: Path) -> None:
    """All six files and nothing else; the pages are a PDF of two, or three where the notes are long, with the cautions;
    the netlist is the board's.
    """
    sheet = sheet_of(name)
    written = write_sheet(sheet, tmp_path / "out")
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == sorted(path.name for path in written) == FILES
    data = (tmp_path / "out" / "sheet.pdf").read_bytes()
    assert data.startswith(b"%PDF")
    assert len(re.findall(rb"/Type /Page\b", data)) == pages
    assert (tmp_path / "out" / "circuit.cir").read_text() == path_netlist(sheet.board)
    assert "<svg" in (tmp_path / "out" / "response.svg").read_text()


def test_pages_say_what_they_must(tmp_path: Path) -> None:
    """Title block, figures, cautions and every reference can be read in the PDF as text, where pdftotext is there."""
    sheet = sheet_of("quay-slap")
    write_sheet(sheet, tmp_path)
    try:
        text = subprocess.run(
            ["pdftotext", "-layout", "sheet.pdf", "-"], cwd=tmp_path, capture_output=True, text=True, check=True
        ).stdout
    except FileNotFoundError:
        pytest.skip("install poppler-utils to read the pages as text")
    said = " ".join(text.split())
    for caution in CAUTIONS:
        assert " ".join(caution.split()[:6]) in said
    assert "Quay Slap" in said
    for part in sheet.parts:
        assert re.search(rf"\b{part.ref}\b", said), part


@pytest.mark.parametrize(
    ("name", "changes"),
    [
        ("old-dredger", {}),
        ("harbour-dusk", {}),
        ("storm-bell", {"line.devices": 8, "line.stages": 512, "filters.anti_alias.order": 6,
                        "filters.reconstruction.order": 6, "modulation.shape": "sine"}),
    ],
)  # fmt: skip
def test_nothing_is_printed_over_the_edge(name: str, changes: dict[str, Any]) -> None:
    """Every text of every page is inside the frame and none lies on another; the cautions are all there."""
    sheet = build_sheet(library.load(name).changed(changes), PartChoice("E6", unit=5), units=50)
    with pyplot().rc_context(PRINT):
        pages = draw_pages(sheet)
    printed = ""
    for page in pages:
        page.set_dpi(300)
        page.draw_without_rendering()
        frame = page.bbox
        shown = [one for one in [*page.texts, *page.axes[-1].texts] if one.get_text()]
        boxes = [(one.get_text(), one.get_window_extent()) for one in shown]
        printed += " ".join(text for text, _ in boxes)
        for text, box in boxes:
            assert frame.x0 + 0.03 * frame.width < box.x0 < box.x1 < frame.x1 - 0.03 * frame.width, text
            assert frame.y0 + 0.022 * frame.height < box.y0 < box.y1 < frame.y1 - 0.022 * frame.height, text
        for (text, box), (other, over) in combinations(boxes, 2):
            wide, high = (min(box.x1, over.x1) - max(box.x0, over.x0), min(box.y1, over.y1) - max(box.y0, over.y0))
            assert wide < 1 or high < 6, (text, other)
        pyplot().close(page)
    assert "…" not in printed
    assert all(word in printed for line in CAUTIONS for word in line.split())


def test_nothing_is_half_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """When the pages cannot be drawn the folder holds what it held before."""
    out = tmp_path / "out"
    write_sheet(sheet_of("quay-slap"), out)
    before = {path.name: path.read_bytes() for path in out.iterdir()}

    def broken(*_: Any) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("voicer.sheet.pages.write_response", broken)
    with pytest.raises(FileError, match=r"the folder cannot be written \(No space left on device\)"):
        write_sheet(sheet_of("slow-tide"), out, overwrite=True)
    assert {path.name: path.read_bytes() for path in out.iterdir()} == before


def test_a_folder_that_cannot_be_made(tmp_path: Path) -> None:
    """Told in one line."""
    (tmp_path / "file").write_text("")
    with pytest.raises(FileError, match=r"file/out: the folder cannot be written"):
        write_sheet(sheet_of(), tmp_path / "file" / "out")


def test_every_shipped_board_can_be_built() -> None:
    """No shipped voicing is without parts in E24 and E96."""
    for name in SHIPPED:
        for series in ("E24", "E96"):
            assert design_board(library.load(name), series).parts  # type: ignore[arg-type]
