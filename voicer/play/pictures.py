"""Pictures of a performance and of a voicing's repeats, in the look of a drawing sheet."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from voicer.circuit import Circuit
from voicer.drawing.paper import GUIDE, INK, PAPER, SCREEN, pyplot
from voicer.drawing.repeats import LOWEST_HZ, RepeatCurves, draw_repeats
from voicer.measure import predict

_TEXT_AT = (0.85, 0.6, -0.62, -0.87)  # heights of the notes, in turn


@dataclass(frozen=True)
class Happening:
    """Something the player did while the sound went on."""

    at_s: float
    what: str


def write_performance(
    path: Path, dry: NDArray[Any], heard: NDArray[Any], sample_rate_hz: int, happenings: list[Happening], title: str
) -> None:
    """Input, output, its spectrum over time, and what the player did; ``.png`` or ``.svg``.

    Parameters
    ----------
    dry, heard : array [shape=(frames,)]
        Full scale 1.0.
    """
    plt = pyplot()
    with plt.rc_context(SCREEN):
        figure, (top, middle, bottom) = plt.subplots(
            3, 1, figsize=(11, 7.2), sharex=True, height_ratios=(1, 1, 2), constrained_layout=True
        )
        time_s = np.arange(dry.size) / sample_rate_hz
        for axes, signal, name in ((top, dry, "in: the lap steel"), (middle, heard, "out: dry and echo")):
            axes.plot(time_s, signal, color=INK, linewidth=0.4)
            axes.set_ylim(-1, 1)
            axes.set_ylabel("full scale")
            axes.set_title(name)
        _spectrum_over_time(bottom, heard, sample_rate_hz)
        for row, happening in enumerate(happenings):
            for axes in (top, middle, bottom):
                axes.axvline(happening.at_s, color=GUIDE, linewidth=0.8, linestyle="--")
            middle.text(
                happening.at_s + 0.06, _TEXT_AT[row % 4], happening.what, fontsize=7.5, va="center",
                bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 0.8},
            )  # fmt: skip
        bottom.set_xlabel("time, s")
        bottom.set_xlim(0, time_s[-1])
        figure.suptitle(title, x=0.01, ha="left", fontsize=12)
        figure.savefig(path, dpi=120, metadata={"Date": None} if path.suffix == ".svg" else None)
        plt.close(figure)


def write_repeats(path: Path, circuit: Circuit, count: int = 5) -> None:
    """Response of each repeat below half the clock, from the circuit."""
    plt = pyplot()
    f_hz = np.geomspace(LOWEST_HZ, min(circuit.clock_hz / 2, 20_000), 400)
    gains_db = 20 * np.log10(predict.repeat_gains(circuit, f_hz, count) + 1e-9)
    with plt.rc_context(SCREEN):
        figure, axes = plt.subplots(figsize=(8, 4.6), constrained_layout=True)
        draw_repeats(axes, RepeatCurves(f_hz, gains_db, circuit.clock_hz / 2), ink=INK, guide=GUIDE, text=8)
        which = f"repeats 1 to {len(gains_db)}, compander held" if len(gains_db) > 1 else "the one repeat"
        axes.set_title(f"{circuit.name}: response of {which}")
        figure.savefig(path, dpi=120, metadata={"Date": None} if path.suffix == ".svg" else None)
        plt.close(figure)


def _spectrum_over_time(axes: Any, signal: NDArray[Any], sample_rate_hz: int) -> None:
    _, _, _, image = axes.specgram(
        np.asarray(signal) + 1e-9, NFFT=2048, noverlap=1536, Fs=sample_rate_hz, cmap="Greys", vmin=-130, vmax=-40
    )
    axes.set_ylim(60, 6000)
    axes.set_ylabel("frequency, Hz")
    axes.set_title("out: spectrum over time (darker ink is louder)")
    axes.figure.colorbar(image, ax=axes, label="dB", pad=0.01, fraction=0.025)
