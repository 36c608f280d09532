"""Pictures, in the look of a drawing sheet: ink on paper, every axis with its unit."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from voicer.circuit import Circuit
from voicer.drawing.paper import GUIDE, INK, PAPER, SCREEN, pyplot

_TOLD_AT = (0.85, 0.6, -0.62, -0.87)  # heights at which happenings are written, in turn


@dataclass(frozen=True)
class Happening:
    """Something done by hand while the sound went on."""

    at_s: float
    what: str


def performance(
    path: Path, dry: NDArray[Any], heard: NDArray[Any], sample_rate_hz: int, happenings: list[Happening], title: str
) -> None:
    """What went in, what came out, its spectrum over time, and what the hand did; ``.png`` or ``.svg``.

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
                happening.at_s + 0.06, _TOLD_AT[row % 4], happening.what, fontsize=7.5, va="center",
                bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 0.8},
            )  # fmt: skip
        bottom.set_xlabel("time, s")
        bottom.set_xlim(0, time_s[-1])
        figure.suptitle(title, x=0.01, ha="left", fontsize=12)
        figure.savefig(path, dpi=120, metadata={"Date": None} if path.suffix == ".svg" else None)
        plt.close(figure)


def repeats(path: Path, circuit: Circuit, count: int = 5) -> None:
    """Response of each repeat below half the clock, from the circuit: every repeat darker than the one before."""
    plt = pyplot()
    f_hz = np.geomspace(30, 20_000, 600)
    with plt.rc_context(SCREEN):
        figure, axes = plt.subplots(figsize=(8, 4.6), constrained_layout=True)
        once = np.abs(circuit.wet_response(f_hz, circuit.clock_hz))
        below = f_hz < circuit.clock_hz / 2
        for k in range(1, count + 1):
            level_db = 20 * np.log10(once**k * circuit.mixer.feedback_gain ** (k - 1) + 1e-9)
            axes.semilogx(f_hz[below], level_db[below], color=INK, alpha=1 - 0.15 * (k - 1))
            peak = int(np.argmax(level_db[below]))
            axes.annotate(str(k), (f_hz[peak], level_db[peak]), (0, 2), textcoords="offset points", fontsize=8)
        axes.axvline(circuit.clock_hz / 2, color=GUIDE, linestyle="--", linewidth=0.8)
        axes.text(circuit.clock_hz / 2 * 1.03, -4, f"half the clock\n{circuit.clock_hz / 2e3:.2f} kHz", fontsize=8)
        axes.set(xlim=(30, 20_000), ylim=(-60, 3), xlabel="frequency, Hz", ylabel="level, dB")
        axes.grid(visible=True, which="both", color=GUIDE, alpha=0.2, linewidth=0.5)
        axes.set_title(f"{circuit.name}: response of repeats 1 to {count}")
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
