"""The sheet's files, written together: all of them or none."""

from __future__ import annotations

import os
import secrets
import shutil
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from voicer.circuit.netlist import clock_netlist, lfo_netlist, path_netlist
from voicer.errors import FileError
from voicer.sheet.bom import bom_text
from voicer.sheet.contents import BuildSheet


def write_sheet(sheet: BuildSheet, folder: Path, progress: Callable[[float], None] = lambda done: None) -> list[Path]:
    """Write ``sheet.pdf``, ``bom.csv``, ``response.svg`` and the netlists into a folder, which is made if need be.

    ``circuit.cir`` is the audio path, ``clock.cir`` and ``lfo.cir`` the two oscillators. Older files of these names
    are replaced only when all new ones are complete.

    Returns
    -------
    list of Path
        What was written.

    Raises
    ------
    FileError
        When the folder cannot be made or written; it then holds what it held before.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        inside = folder / f".writing-{secrets.token_hex(4)}"
        inside.mkdir()
    except OSError as error:
        raise _not_written(folder, error) from error
    try:
        names = _write(sheet, inside, progress)
        for name in names:
            os.replace(inside / name, folder / name)
    except OSError as error:
        raise _not_written(folder, error) from error
    finally:
        with suppress(OSError):
            shutil.rmtree(inside)
    progress(1.0)
    return [folder / name for name in names]


def _write(sheet: BuildSheet, folder: Path, progress: Callable[[float], None]) -> list[str]:
    from voicer.sheet.pages import write_pages, write_response

    texts = {
        "bom.csv": bom_text(sheet.parts, sheet.actives, sheet.choice.tolerances),
        "circuit.cir": path_netlist(sheet.board),
        "clock.cir": clock_netlist(sheet.board),
        "lfo.cir": lfo_netlist(sheet.board),
    }
    for name, text in texts.items():
        (folder / name).write_text(text, encoding="utf-8", newline="\n")
    write_pages(sheet, folder / "sheet.pdf", progress)
    write_response(sheet, folder / "response.svg")
    return ["sheet.pdf", *texts, "response.svg"]


def _not_written(folder: Path, error: OSError) -> FileError:
    reason = error.strerror or str(error)
    return FileError(
        f"the folder must be writable ({reason})", where=str(folder), remedy="give a folder of your own with --out"
    )
