"""The command for recorded playing: takes."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from voicer import library
from voicer.cli.common import PREPARING, AsJson, Overwrite, app, print_columns, print_json, progress_bar, say
from voicer.cli.part_options import Capacitors, Resistors, Swaps, Unit, part_choice
from voicer.errors import FileError, VoicerError
from voicer.library.takes import delete_take, export_take, list_takes, load_take

if TYPE_CHECKING:
    from voicer.library.takes import Take

Do = Literal["list", "show", "play", "render", "export", "delete"]


@app.command("takes")
def takes_command(
    what: Annotated[Do, typer.Argument(metavar="list|show|play|render|export|delete")] = "list",
    take: Annotated[str | None, typer.Argument(metavar="[TAKE]", help="A name of the list, or a folder.")] = None,
    target: Annotated[
        Path | None, typer.Argument(metavar="[OUT]", help="File to render to; folder to export to.")
    ] = None,
    voicing: Annotated[str | None, typer.Option("--voicing", help="Render through another voicing.")] = None,
    dry: Annotated[bool, typer.Option("--dry", help="Play the dry sound.")] = False,
    series: Resistors = None,
    capacitors: Capacitors = None,
    unit: Unit = None,
    swaps: Swaps = None,
    overwrite: Overwrite = False,
    as_json: AsJson = False,
) -> None:
    """List, show, play, render, export or delete what was recorded while playing.

    Example: voicer takes render 2031-05-01-22-14-09 again.wav --voicing lamp-lane
    """
    if what == "list":
        _list(as_json)
        return
    if take is None:
        raise FileError(f"takes {what} needs the name of a take", remedy="see voicer takes")
    if what == "delete":
        say(f"{delete_take(take)}: deleted")
    elif what == "export":
        say(f"{export_take(take, _needed(target, what))}: exported")
    elif what == "show":
        _show(load_take(take), as_json)
    elif what == "play":
        _play(load_take(take), "dry" if dry else "wet")
    else:
        parts_for = None
        if series or capacitors or unit or swaps:
            parts_for = lambda heard: part_choice(heard, series, capacitors, unit, swaps)  # noqa: E731
        other = None if voicing is None else library.load(voicing)
        _render(load_take(take), _needed(target, what), other, parts_for, overwrite)


def _needed(target: Path | None, what: str) -> Path:
    if target is None:
        raise FileError(f"takes {what} needs a place to write to", remedy="name a file or a folder")
    return target


def _list(as_json: bool) -> None:
    found: list[dict[str, Any]] = []
    for name in list_takes():
        try:
            take = load_take(name)
            found.append({"name": name, "began": take.file.began, "seconds": round(take.seconds, 2),
                          "voicings": _voicings(take)})  # fmt: skip
        except VoicerError as error:
            found.append({"name": name, "error": str(error)})
    if as_json:
        print_json(found)
    elif not found:
        say("there are none; voicer play --record makes one, and the key k keeps what was just played")
    else:
        rows = [("take", "length", "voicings")]
        rows += [(one["name"], f"{one['seconds']:.1f} s" if "seconds" in one else "",
                  ", ".join(one.get("voicings", [])) or one.get("error", "")) for one in found]  # fmt: skip
        print_columns(rows)


def _voicings(take: Take) -> list[str]:
    """Titles of the voicings that were heard, in order, each once in a row."""
    found: list[str] = []
    for _, sound in take.sounds:
        title = str(sound.get("voicing", {}).get("name", ""))
        if not found or found[-1] != title:
            found.append(title)
    return found


def _show(take: Take, as_json: bool) -> None:
    import numpy as np

    from voicer.measure.meters import BLOCK_S, loudness_lufs

    rate_hz = take.file.sample_rate_hz
    facts: dict[str, Any] = {"name": take.name, "folder": str(take.path), "began": take.file.began}
    facts["voicings"] = _voicings(take)
    for which in ("dry", "wet"):
        samples = take.samples(which)
        facts.setdefault("seconds", round(samples.size / rate_hz, 3))
        loud = samples.size > BLOCK_S * rate_hz and bool(np.abs(samples).max() > 0)
        loudness = loudness_lufs(samples, rate_hz) if loud else -np.inf
        facts[f"{which}_lufs"] = round(float(loudness), 1) if np.isfinite(loudness) else None
        facts[f"{which}_clipped_samples"] = int((np.abs(samples) >= 1.0 - 2**-22).sum())
    facts |= {"late_blocks": take.count("late"), "gaps": take.count("gap"), "failed_blocks": take.count("failed")}
    facts["moves"] = take.count("done")
    if as_json:
        print_json(facts)
        return
    for key, value in facts.items():
        say(f"{key}: {', '.join(value) if isinstance(value, list) else value}")


def _play(take: Take, which: Literal["dry", "wet"]) -> None:
    from voicer.devices.listening import Player

    samples = take.samples(which)
    player = Player()
    player.play(samples, take.file.sample_rate_hz)
    say(f"playing {samples.size / take.file.sample_rate_hz:.1f} s of '{take.name}'; Ctrl-C ends it")
    try:
        time.sleep(samples.size / take.file.sample_rate_hz)
    except KeyboardInterrupt:
        pass
    finally:
        player.stop()


def _render(take: Take, target: Path, voicing: Any, parts_for: Any, overwrite: bool) -> None:
    import numpy as np

    from voicer.files import recording
    from voicer.play.revoice import render_take

    recording.check_writable(target, overwrite=overwrite, inputs=[take.path / "wet.flac", take.path / "dry.flac"])
    with progress_bar() as bar:
        task = bar.add_task(PREPARING, total=1.0)

        def progress(share: float) -> None:
            bar.update(task, completed=share, description="rendering")

        heard = render_take(take, voicing=voicing, parts_for=parts_for, progress=progress)
    recording.write(target, heard.astype(np.float64), round(take.file.sample_rate_hz), overwrite=overwrite)
    line = f"{target}: {heard.size / take.file.sample_rate_hz:.1f} s"
    if voicing is None and parts_for is None:
        wet = take.samples("wet")[: heard.size]
        worst = float(np.abs(heard[: wet.size] - wet).max(initial=0.0))
        line += f", {'the same as' if worst < 1e-6 else 'not the same as'} what was heard"
        if worst >= 1e-6 and take.count("late") + take.count("gap") + take.count("failed") + take.count("engine") > 1:
            line += " (blocks were late or an engine was restarted)"
    say(line)
