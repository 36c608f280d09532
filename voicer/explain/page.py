"""A set for showing others why a voicing sounds as it does: pictures, snippets and a page that tells about them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from html import escape
from pathlib import Path
from typing import Any

import numpy as np

from voicer.board import design
from voicer.circuit import Circuit
from voicer.drawing.paper import SCREEN, pyplot
from voicer.errors import CircuitError, VoicingError
from voicer.explain import pictures, sounds
from voicer.files import recording
from voicer.files.whole_folder import write_whole
from voicer.measure import probes
from voicer.voicing import Voicing

CAUTION = (
    "Caution: the runaway gets loud suddenly. Start with the volume low, headphones lowest; all other snippets are at "
    "one loudness."
)

FOLDED_AT = 0.8
"""The tone of the folding picture, as a share of the clock."""

HIGHEST_HZ = 20_000.0


@dataclass(frozen=True)
class Shown:
    """One picture or sound of the page."""

    file: str
    title: str
    caption: str


def explain(
    voicing: Voicing, folder: Path, progress: Callable[[float], None] = lambda done: None,
    tone_hz: float | None = None, *, overwrite: bool = False,
) -> list[Path]:  # fmt: skip
    """Write the set into a folder, all of it or nothing.

    Parameters
    ----------
    voicing : Voicing
    folder : Path
    progress : callable
        Told the share done, 0..1.
    tone_hz : float, optional
        Of the sampling picture; a fifth of the clock, at most 2 kHz, if left out.

    Raises
    ------
    CircuitError, VoicingError
        When no circuit can be made, or the tone lies above half the clock.
    FileError
        When the folder cannot be written, or a file is in the way and ``overwrite`` is not set.
    """
    circuit = design(voicing)
    tone_hz = tone_hz or min(circuit.clock_hz / 5, 2000.0)
    if not 20 <= tone_hz < circuit.clock_hz / 2:
        raise VoicingError(
            f"--tone-hz must be in 20..{circuit.clock_hz / 2:.0f} Hz, half the clock (got {tone_hz:g})",
            remedy="the picture of folding shows what lies above",
        )
    tone = float(tone_hz)
    return write_whole(
        folder, lambda inside: _write(voicing, circuit, tone, inside, progress), overwrite=overwrite,
        expected=("index.html",),
    )  # fmt: skip


def _write(
    voicing: Voicing, circuit: Circuit, tone_hz: float, folder: Path, progress: Callable[[float], None]
) -> list[str]:
    drawn: list[Shown] = []
    ran = sounds.runaway(voicing)
    for number, (name, title, size, draw) in enumerate(_pictures(voicing, circuit, tone_hz, ran)):
        drawn.append(Shown(f"{name}.svg", title, _draw(folder, name, title, size, circuit, draw)))
        progress(0.08 * (number + 1))
    heard = []
    for snippet in sounds.flaw_snippets(voicing):
        recording.write(folder / f"{snippet.name}.wav", snippet.samples, probes.RATE_HZ)
        heard.append(Shown(f"{snippet.name}.wav", snippet.name.replace("-", " "), snippet.words))
    progress(0.9)
    recording.write(folder / "runaway.wav", 0.7 * ran[0] / np.abs(ran[0]).max(), probes.RATE_HZ)
    heard.append(Shown("runaway.wav", "the runaway", "LOUD: what the last picture shows, its peak at -3 dB"))
    (folder / "index.html").write_text(_page(voicing, circuit, drawn, heard), encoding="utf-8")
    progress(1.0)
    return ["index.html", *(one.file for one in heard),
            *(f"{Path(one.file).stem}.{ending}" for one in drawn for ending in ("svg", "png"))]  # fmt: skip


def _pictures(voicing: Voicing, circuit: Circuit, tone_hz: float, ran: tuple[Any, ...]) -> list[tuple[Any, ...]]:
    found: list[tuple[Any, ...]] = [
        ("sampling", "Sampling at the clock's instants", (8, 7), lambda f: pictures.sampling(f, circuit, tone_hz)),
    ]
    high_hz = FOLDED_AT * circuit.clock_hz
    if high_hz < HIGHEST_HZ:
        title = "A tone above half the clock"
        found.append(("folding", title, (8, 5), lambda f: pictures.folding(f, circuit, high_hz)))
    found.append(("repeats", "Each repeat is darker", (8, 4.6), lambda f: pictures.repeats(f, circuit)))
    pair = _one_and_many(voicing)
    if pair is not None:
        title = "One long device or many short ones"
        found.append(("devices", title, (9, 4.4), lambda f: pictures.two_lines(f, *pair)))
    found.append(("runaway", "Runaway, and its end", (8, 4.2), lambda f: pictures.runaway(f, *ran)))
    return found


def _one_and_many(voicing: Voicing) -> tuple[Circuit, Circuit] | None:
    """One device of 4096 stages and eight of 512 at the voicing's time; None where no clock can run them."""
    try:
        one = voicing.changed({"line.stages": 4096, "line.devices": 1})
        return design(one), design(voicing.changed({"line.stages": 512, "line.devices": 8}))
    except (VoicingError, CircuitError):
        return None


def _draw(folder: Path, name: str, title: str, size: tuple[float, float], circuit: Circuit, draw: Any) -> str:
    plt = pyplot()
    with plt.rc_context(SCREEN):
        figure = plt.figure(figsize=size, layout="constrained")
        caption: str = draw(figure)
        figure.suptitle(f"{circuit.name}: {title.lower()}", x=0.01, ha="left", fontsize=11)
        for ending in ("svg", "png"):
            metadata = {"Date": None} if ending == "svg" else None
            figure.savefig(folder / f"{name}.{ending}", dpi=130, metadata=metadata)
        plt.close(figure)
    return caption


def _page(voicing: Voicing, circuit: Circuit, drawn: list[Shown], heard: list[Shown]) -> str:
    parts = [
        f"<h1>{escape(voicing.name)}</h1>", f"<p>{escape(voicing.notes)}</p>" if voicing.notes else "",
        f"<p>{circuit.line.devices} × {circuit.line.device.stages} stages, {1e3 * circuit.time_s:.4g} ms, clock "
        f"{circuit.clock_hz / 1e3:.2f} kHz, loop gain {circuit.loop_gain(circuit.clock_hz):.2f}.</p>",
    ]  # fmt: skip
    for one in drawn:
        parts.append(
            f'<h2>{escape(one.title)}</h2><figure><img src="{one.file}" alt="{escape(one.title)}">'
            f"<figcaption>{escape(one.caption)}</figcaption></figure>"
        )
    parts.append(f'<h2>One flaw at a time</h2><p class="caution">{escape(CAUTION)}</p><table>')
    for one in heard:
        parts.append(
            f'<tr><th>{escape(one.title)}</th><td><audio controls preload="none" src="{one.file}"></audio></td>'
            f"<td>{escape(one.caption)}</td></tr>"
        )
    parts.append("</table>")
    return PAGE.format(title=escape(voicing.name), body="\n".join(part for part in parts if part))


PAGE = """<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width">
<title>{title}: why it sounds as it does</title>
<style>
body {{ font: 16px/1.45 "DejaVu Sans", sans-serif; color: #1d2433; background: #fbf9f2; max-width: 56rem;
  margin: 2rem auto; padding: 0 1rem; border-top: 2px solid; }}
img {{ max-width: 100%; }}
figure {{ margin: 0; }}
table {{ border-collapse: collapse; }}
th, td {{ text-align: left; padding: .3rem .6rem .3rem 0; border-top: 1px solid; vertical-align: middle; }}
.caution {{ border: 2px solid; padding: .5rem .8rem; }}
</style>
</head>
<body>
{body}
</body>
</html>
"""
