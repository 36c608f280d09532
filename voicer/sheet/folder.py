"""Writes the sheet's files together."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path

from voicer.board.netlist import clock_netlist, lfo_netlist, path_netlist
from voicer.files.whole_folder import write_whole
from voicer.sheet.bom import bom_text
from voicer.sheet.contents import BuildSheet


def write_sheet(
    sheet: BuildSheet, folder: Path, progress: Callable[[float], None] = lambda done: None, *,
    overwrite: bool = False, inputs: Iterable[Path] = (),
) -> list[Path]:  # fmt: skip
    """Write ``sheet.pdf``, ``bom.csv``, ``response.svg`` and the netlists into a folder: all of them or none.

    ``circuit.cir`` is the audio path, ``clock.cir`` and ``lfo.cir`` the two oscillators. `FileError` when the folder
    cannot be written, or a file is in the way and ``overwrite`` is not set; none of ``inputs`` is ever replaced.
    """
    written = write_whole(
        folder, lambda inside: _write(sheet, inside, progress), overwrite=overwrite, inputs=inputs,
        expected=("bom.csv",),
    )  # fmt: skip
    progress(1.0)
    return written


def _write(sheet: BuildSheet, folder: Path, progress: Callable[[float], None]) -> list[str]:
    from voicer.sheet.pages import write_pages, write_response

    texts = {
        "bom.csv": bom_text(sheet.nominal.parts, sheet.actives, sheet.choice.tolerances),
        "circuit.cir": path_netlist(sheet.board),
        "clock.cir": clock_netlist(sheet.board),
        "lfo.cir": lfo_netlist(sheet.board),
    }
    for name, text in texts.items():
        (folder / name).write_text(text, encoding="utf-8", newline="\n")
    write_pages(sheet, folder / "sheet.pdf", progress)
    write_response(sheet, folder / "response.svg")
    return ["sheet.pdf", *texts, "response.svg"]
