"""Commands of the bench: measure, calibrate."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer
from rich.table import Table

from voicer import library
from voicer.board.board import SeriesName
from voicer.board.series import Series
from voicer.cli.common import (
    AsJson,
    Overwrite,
    Settings,
    app,
    changed,
    print_json,
    progress_bar,
    say,
)
from voicer.cli.part_options import Capacitors, Resistors, Swaps, Unit, part_choice
from voicer.drawing.terminal import console
from voicer.errors import VoicingError
from voicer.library.calibrations import full_scale_v

if TYPE_CHECKING:
    from voicer.measure.bench import Bench, Reading
    from voicer.measure.levels import Levels


@dataclass(frozen=True)
class _Asked:
    """What is to be measured of a voicing, and over what."""

    settings: list[str] | None
    series: SeriesName | None
    capacitors: Series | None
    unit: int | None
    swaps: list[str] | None
    source: Path | None
    overwrite: bool

    def write(
        self, bench: Bench, readings: list[Reading], folder: Path, told: str,
        progress: Callable[[float], None] = lambda done: None,
    ) -> list[Path]:  # fmt: skip
        """Write what was found into a folder."""
        from voicer.measure.folder import write_bench

        inputs = [self.source] if self.source else []
        return write_bench(bench, readings, folder, told, progress, overwrite=self.overwrite, inputs=inputs)

    def check_out(self, folder: Path) -> None:
        """Refuse a folder that holds the figures of another run, before any work."""
        from voicer.files.whole_folder import check_free

        inputs = [self.source] if self.source else []
        check_free(folder, ["figures.json"], overwrite=self.overwrite, inputs=inputs)

    def bench(self, name: str) -> tuple[Bench, str]:
        """The bench of a voicing, and which parts and what full scale it has, in words."""
        from voicer.devices.audio import usual_input
        from voicer.measure.bench import Bench

        voicing = changed(library.load(name), self.settings)
        choice = part_choice(voicing, self.series, self.capacitors, self.unit, self.swaps)
        volts, how = full_scale_v(usual_input())
        bench = Bench(choice.circuit(voicing), volts, self.source)
        _ = bench.guitar  # a recording that will not do is told before any work
        return bench, f"{choice.says}; {how}"


@app.command()
def measure(
    voicing: Annotated[str | None, typer.Argument(metavar="[VOICING]", help="A name or a file.")] = None,
    every: Annotated[bool, typer.Option("--all", help="Every voicing in the library, on all cores.")] = False,
    settings: Settings = None,
    series: Resistors = None,
    capacitors: Capacitors = None,
    unit: Unit = None,
    swaps: Swaps = None,
    source: Annotated[
        Path | None, typer.Option("--input", metavar="FILE", help="Guitar recording to use; default: the riff.")
    ] = None,
    out: Annotated[Path | None, typer.Option("--out", metavar="DIR", help="Folder for plots and data sheet.")] = None,
    overwrite: Overwrite = False,
    levels: Annotated[
        bool, typer.Option("--levels", help="Loudness only: echo, dry, bypassed and running away.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Predict every figure of a voicing from its circuit, measure it, and show both.

    Example: voicer measure slow-tide --series E24 --out bench
    """
    if (every and voicing is not None) or not (every or levels or voicing):
        raise VoicingError("give either a voicing or --all (got both or neither)", remedy="voicer measure slow-tide")
    asked = _Asked(settings, series, capacitors, unit, swaps, source, overwrite)
    if levels:
        if out is not None:
            raise VoicingError("--levels writes no files (got --out)", remedy="leave out --out")
        _measure_levels(asked, None if every else voicing, as_json)
        return
    if every:
        _measure_all(asked, as_json, out)
        return
    from voicer.measure.bench import as_json as plain

    written: list[Path] = []
    if out is not None:
        asked.check_out(out)
    bench, told = asked.bench(str(voicing))
    with progress_bar() as bar:
        task = bar.add_task("measuring", total=1.0)
        readings = bench.readings(lambda done: bar.update(task, completed=done))
        if out is not None:
            bar.update(task, description="drawing", completed=0.0)
            written = asked.write(bench, readings, out, told, lambda done: bar.update(task, completed=done))
    if as_json:
        print_json(plain(readings))
        return
    screen = console()
    screen.print(f"{bench.circuit.name}: {told}", style="bold")
    screen.print(_table(readings))
    for path in written:
        screen.print(str(path), soft_wrap=True)
    _tell_failures(readings)


def _table(readings: list[Reading]) -> Table:
    from voicer.measure.datasheet import difference_text, number_text

    table = Table(box=None, pad_edge=False)
    for column in ("figure", "predicted", "measured", "difference", "unit"):
        table.add_column(column)
    for one in readings:
        table.add_row(
            one.label, number_text(one.predicted), number_text(one.measured), difference_text(one), one.unit
        )
    return table


def _tell_failures(readings: list[Reading]) -> None:
    wrong = [one for one in readings if one.ok is False]
    judged = sum(one.ok is not None for one in readings)
    say(f"{judged - len(wrong)} of {judged} figures agree within their tolerance")


def _measure_all(asked: _Asked, as_json: bool, out: Path | None) -> None:
    names = [entry.name for entry in library.listing() if entry.error is None]
    if out is not None:
        for name in names:
            asked.check_out(out / name)
    found: dict[str, Any] = {}
    with progress_bar() as bar, ProcessPoolExecutor() as pool:
        task = bar.add_task("measuring", total=len(names))
        jobs = {name: pool.submit(_measured, asked, name, out) for name in names}
        for name, job in jobs.items():
            found[name] = job.result()
            bar.advance(task)
    if as_json:
        print_json(found)
        return
    table = Table(box=None, pad_edge=False)
    for column in ("voicing", "agree", "largest error, as a share of its tolerance"):
        table.add_column(column)
    for name, rows in found.items():
        judged = {key: row for key, row in rows.items() if row["ok"] is not None}
        shares = {key: abs(row["measured"] - row["predicted"]) / row["tolerance"] for key, row in judged.items()}
        worst = max(shares, key=lambda key: shares[key])
        right = sum(row["ok"] for row in judged.values())
        table.add_row(name, f"{right} of {len(judged)}", f"{rows[worst]['label']}: {shares[worst]:.2f}")
    console().print(table)


def _measure_levels(asked: _Asked, voicing: str | None, as_json: bool) -> None:
    from voicer.measure.levels import as_data

    names = [voicing] if voicing else [entry.name for entry in library.listing() if entry.error is None]
    with progress_bar() as bar, ProcessPoolExecutor() as pool:
        task = bar.add_task("measuring", total=len(names))
        jobs = {name: pool.submit(_levels, asked, name) for name in names}
        found = {}
        for name, job in jobs.items():
            found[name] = job.result()
            bar.advance(task)
    if as_json:
        print_json({name: as_data(one) for name, one in found.items()})
        return
    table = Table(box=None, pad_edge=False)
    table.add_column("voicing", no_wrap=True)
    for column in ("output", "dry", "bypass", "runaway", "at", "peak", "ceiling", "folds"):
        table.add_column(column, justify="right")
    for name, one in found.items():
        values = (
            one.over_guitar_lu, one.dry_db, one.bypass_db, one.runaway_over_guitar_lu,
            one.runaway_time_ms, one.runaway_peak_dbfs, one.ceiling_reduction_db, one.above_half_clock_db,
        )  # fmt: skip
        table.add_row(name, *(f"{round(value, 1) + 0.0:.1f}" for value in values))
    console().print(table)
    say("output, runaway (feedback at maximum): LU above the guitar alone; at: delay of that runaway, ms; the rest: dB")
    say("ceiling: its gain reduction on the runaway; folds: share of the guitar entering the line above half the clock")


def _levels(asked: _Asked, name: str) -> Levels:
    """One voicing in a process of its own."""
    from voicer.measure.levels import measure_levels

    bench, _ = asked.bench(name)
    voicing = changed(library.load(name), asked.settings)
    choice = part_choice(voicing, asked.series, asked.capacitors, asked.unit, asked.swaps)
    return measure_levels(voicing, bench.guitar, choice)


def _measured(asked: _Asked, name: str, out: Path | None) -> dict[str, Any]:
    """One voicing in a process of its own."""
    from voicer.measure.bench import as_json

    bench, told = asked.bench(name)
    readings = bench.readings()
    if out is not None:
        asked.write(bench, readings, out / name, told)
    return as_json(readings)


@app.command()
def calibrate(
    level_v: Annotated[float, typer.Option("--level-v", min=1e-4, max=50, help="Level of the tone, V rms.")],
    source: Annotated[Path | None, typer.Option("--input", metavar="FILE", help="A recording of the tone.")] = None,
    name: Annotated[
        str | None, typer.Option("--name", metavar="INPUT", help="Input it was recorded from (with --input).")
    ] = None,
    audio: Annotated[Literal["auto", "jack", "portaudio"], typer.Option(help="Audio system.")] = "auto",
    device: Annotated[
        str | None, typer.Option("--input-device", metavar="NAME", help="PortAudio input device, full or partial name.")
    ] = None,
    port: Annotated[str | None, typer.Option("--from", metavar="PORT", help="JACK port to record from.")] = None,
    seconds: Annotated[float, typer.Option(min=0.6, max=30, help="Seconds to record.")] = 2.0,
    as_json: AsJson = False,
) -> None:
    """Measure the full scale of an input in volts, from a tone of known level.

    Example: voicer calibrate --level-v 0.1
    """
    from voicer.library.calibrations import check_key, save_calibration
    from voicer.measure.calibration import tone_found, volts_at_full_scale

    if (source is None) != (name is None):
        raise VoicingError("--input and --name go together: a recording and the input it was made from",
                           remedy="for example --input tone.wav --name 'jack system:capture_1'")  # fmt: skip
    if source is not None:
        from voicer.files import recording

        key = str(name)
        check_key(key)
        x, whole_hz = recording.read(source)
        rate_hz = float(whole_hz)
    else:
        from voicer.devices.capture import record_input

        x, rate_hz, heard = record_input(audio, device, seconds, port)
        key = heard.key
    tone = tone_found(x, rate_hz)
    value = volts_at_full_scale(tone, level_v)
    saved = save_calibration(key, value)
    if as_json:
        print_json({"input": key, "tone_hz": tone.f_hz, "peak": tone.peak, "full_scale_v": value, "file": str(saved)})
        return
    say(f"{key}: {level_v:g} V rms at {tone.f_hz:.1f} Hz reaches {tone.peak:.4f} of full scale")
    say(f"full scale is {value:.4g} V, saved in {saved}")
