"""What the bench writes: plots, data sheet and the figures as JSON, all of them or none."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from pathlib import Path

from voicer.files.whole_folder import write_whole
from voicer.measure.bench import Bench, Reading, as_json
from voicer.measure.datasheet import write_datasheet
from voicer.measure.plots import write_plots


def write_bench(
    bench: Bench, readings: list[Reading], folder: Path, told: str,
    progress: Callable[[float], None] = lambda done: None, *, overwrite: bool = False, inputs: Iterable[Path] = (),
) -> list[Path]:  # fmt: skip
    """Write ``datasheet.pdf``, ``figures.json`` and every plot as SVG and PNG.

    `FileError` when the folder cannot be written, or a file is in the way and ``overwrite`` is not set; none of
    ``inputs`` is ever replaced.
    """

    def write(inside: Path) -> list[str]:
        (inside / "figures.json").write_text(json.dumps(as_json(readings), indent=2, ensure_ascii=False) + "\n")
        names = write_plots(bench, inside, lambda done: progress(0.8 * done))
        write_datasheet(bench, readings, inside / "datasheet.pdf", told)
        return ["datasheet.pdf", "figures.json", *names]

    written = write_whole(folder, write, overwrite=overwrite, inputs=inputs, expected=("figures.json",))
    progress(1.0)
    return written
