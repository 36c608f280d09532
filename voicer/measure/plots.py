"""Plots of a circuit on the bench: lines are predicted, dots are measured; black on white."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from voicer.circuit.filters import half_power_hz
from voicer.drawing.axes import label_log, scale_frequency
from voicer.drawing.paper import PRINT, hertz, pyplot
from voicer.drawing.repeats import RepeatCurves, draw_repeats
from voicer.measure import predict, probes
from voicer.measure.bench import FOLDED_AT, HIGHEST_TONE_HZ, REPEATS, Bench
from voicer.measure.meters import spectrum

DOT = {
    "linestyle": "none", "marker": "o", "markersize": 2.6, "markeredgewidth": 0.6, "fillstyle": "none",
    "color": "black",
}  # fmt: skip
LINE = {"color": "black"}
GUIDE = {"color": "black", "linestyle": "--", "linewidth": 0.7}

TEXT = 5.8
"""Size of numbers and notes, points."""

SEGMENT_S = 0.085
"""Noise is averaged over segments of this."""

LOWEST_DB = -60.0
DECAY_REPEATS = 6


def draw_response(axes: Any, bench: Bench) -> None:
    """Every repeat against frequency, half the clock marked."""
    gains_db = _db(predict.repeat_gains(bench.circuit, bench.f_hz, REPEATS))
    curves = RepeatCurves(
        bench.f_hz, gains_db, bench.circuit.clock_hz / 2, bench.f_hz[::4], _db(np.abs(bench.wet[::4]))[None]
    )
    draw_repeats(axes, curves, ink="black", guide="0.35", text=TEXT)
    count = len(gains_db)
    axes.set_title(f"Response of repeats 1 to {count}, compander held" if count > 1 else "Response of the one repeat")


def draw_folding(axes: Any, bench: Bench) -> None:
    """Frequency in against frequency out; the darker, the louder; measured tones as dots with their levels."""
    clock_hz = bench.circuit.clock_hz
    into = np.linspace(20, min(1.6 * clock_hz, HIGHEST_TONE_HZ), 400)
    out = np.array([predict.folded_hz(float(f), clock_hz) for f in into])
    level_db = _db(np.array([predict.folded_gain(bench.circuit, float(f)) for f in into]))
    shade = np.clip(level_db / -LOWEST_DB, -0.95, 0)
    axes.scatter(into, out, c=-shade, cmap="Greys_r", vmin=0, vmax=1, s=1.6)
    for share in FOLDED_AT:
        f_hz = share * clock_hz
        if f_hz < HIGHEST_TONE_HZ and predict.folded_gain(bench.circuit, f_hz) > 10 ** (LOWEST_DB / 20):
            found_hz, gain = bench.folded(f_hz)
            axes.plot([f_hz], [found_hz], **DOT)
            axes.annotate(f" {20 * np.log10(gain):.0f} dB", (f_hz, found_hz), fontsize=TEXT, va="bottom")
    axes.axvline(clock_hz / 2, **GUIDE)
    axes.text(clock_hz / 2, out.max() * 1.06, "half the clock", fontsize=TEXT, ha="center")
    axes.set(xlim=(0, into[-1]), ylim=(0, 1.15 * out.max()), title="Folding")
    axes.set(xlabel="tone in, Hz", ylabel="tone out, Hz")
    axes.xaxis.set_major_formatter(hertz)
    axes.yaxis.set_major_formatter(hertz)


def draw_loop(axes: Any, bench: Bench) -> None:
    """Loop gain against frequency, the edge of self-oscillation marked."""
    circuit, held = bench.circuit, predict.held(bench.circuit)
    once = held.round_gain(bench.f_hz, np.array(circuit.clock_hz))
    feedback = circuit.mixer.feedback_gain
    if not feedback:
        axes.text(0.5, 0.5, "no repeats: feedback is 0", ha="center", transform=axes.transAxes, fontsize=7)
        axes.set(xlabel="frequency, Hz", ylabel="loop gain", title="Loop gain")
        return
    settled = circuit.round_gain(bench.f_hz, np.array(circuit.clock_hz))
    axes.plot(bench.f_hz, feedback * settled, **LINE, label="settled")
    if circuit.compander.enabled:
        axes.plot(bench.f_hz, feedback * once, **LINE, linestyle=":", label="compander held")
    axes.plot(bench.f_hz[::6], bench.loop_gains[::6], **DOT, label="compander held, measured")
    axes.axhline(1.0, **GUIDE)
    axes.text(32, 1.0, "edge of self-oscillation", fontsize=TEXT, va="bottom")
    _scale(axes, 30, float(bench.f_hz[-1]))
    axes.set(ylim=(0, max(1.6, 1.35 * feedback * float(settled.max()))), ylabel="loop gain", title="Loop gain")
    axes.legend(loc="upper right", frameon=False)


def draw_decay(axes: Any, bench: Bench) -> None:
    """Level of the repeats of a burst at the loudest pitch."""
    circuit, at = bench.circuit, bench.loudest_hz
    axes.set(xlabel="time, s", ylabel="level, dB", title=f"Decay at {at:.0f} Hz")
    if not circuit.mixer.feedback_gain:
        axes.text(0.5, 0.5, "one repeat", ha="center", transform=axes.transAxes, fontsize=7)
        return
    slope_db = predict.decay_db(circuit, at, circuit.mixer.feedback_gain)
    count = np.arange(0, DECAY_REPEATS)
    axes.plot((count + 1) * circuit.time_s, slope_db * count, **LINE, label=f"predicted, {slope_db:.2f} dB a repeat")
    if slope_db < 0 and bench.repeats_settle(at):
        levels = probes.repeat_levels(circuit, at, DECAY_REPEATS)
        axes.plot((count + 1) * circuit.time_s, _db(levels / levels[0]), **DOT, label="measured")
    axes.set_xlim(0, (DECAY_REPEATS + 1) * circuit.time_s)
    axes.legend(loc="lower left", frameon=False)


def draw_noise(axes: Any, bench: Bench) -> None:
    """Noise density with the compander held, measured and predicted, and where the clock stands."""
    circuit, y = bench.circuit, bench.silence
    f_hz, density = spectrum(y, probes.RATE_HZ, SEGMENT_S)
    axes.plot(f_hz[2:], 10 * np.log10(density[2:] + 1e-30), color="0.6", linewidth=0.5, label="measured")
    grid = np.geomspace(30, 20_000, 300)
    level_db = 10 * np.log10(predict.noise_density(circuit, grid) + 1e-30)
    axes.plot(grid, level_db, **LINE, label="predicted")
    axes.axvline(circuit.clock_hz, **GUIDE)
    residue_db = 20 * np.log10(max(predict.residue_v(circuit), 1e-12))
    top = float(level_db.max())
    if circuit.clock_hz < 20_000:
        told = f"clock, {residue_db:.0f} dB re 1 V"
        axes.text(circuit.clock_hz, top - 52, told, fontsize=TEXT, rotation=90, ha="right")
    _scale(axes, 30, 20_000)
    axes.set(ylim=(top - 60, top + 8), ylabel="dB re 1 V²/Hz", title="Noise, compander held")
    axes.legend(loc="lower left", frameon=False)


def draw_delay(axes: Any, bench: Bench) -> None:
    """Delay against clock over the time control's span, where it folds, where the device is rated."""
    circuit = bench.circuit
    times_s = np.geomspace(circuit.shortest_s, circuit.longest_s, 60)
    clocks = np.array([circuit.clock_for(float(time_s)) for time_s in times_s])
    axes.plot(clocks, 1e3 * times_s, **LINE)
    axes.plot([circuit.clock_hz], [1e3 * circuit.time_s], **DOT | {"fillstyle": "full"})
    axes.annotate(f" {1e3 * circuit.time_s:.4g} ms", (circuit.clock_hz, 1e3 * circuit.time_s), fontsize=TEXT)
    limit_hz = 2 * half_power_hz(circuit.anti_alias)
    axes.axvline(limit_hz, **GUIDE)
    told = "folds left of here "
    axes.text(limit_hz, 1e3 * circuit.shortest_s, told, fontsize=TEXT, rotation=90, ha="right", va="bottom")
    device = circuit.line.device
    axes.axvspan(device.rated_clock_low_hz, device.rated_clock_high_hz, color="0.93", label="rated clock")
    axes.set(xscale="log", yscale="log", xlabel="clock, Hz", ylabel="delay, ms", title="Delay and clock")
    axes.set_xlim(min(clocks.min(), limit_hz) / 1.2, clocks.max() * 1.2)
    for axis, low, high in ((axes.xaxis, *axes.get_xlim()), (axes.yaxis, *axes.get_ylim())):
        label_log(axis, low, high)
    axes.legend(loc="upper right", frameon=False)


def draw_modulation(axes: Any, bench: Bench) -> None:
    """Pitch deviation over time."""
    circuit = bench.circuit
    axes.set(xlabel="time, s", ylabel="cents", title="Pitch deviation")
    if not circuit.lfo.deviation:
        axes.text(0.5, 0.5, "modulation is off", ha="center", transform=axes.transAxes, fontsize=7)
        return
    time_s, deviation = predict.cents_over_time(circuit)
    axes.plot(time_s, deviation, **LINE, label="predicted from the clock law")
    at_s, measured = probes.cents_over_time(circuit, float(np.clip(bench.loudest_hz, 200, 800)))
    step = max(1, at_s.size // 60)
    axes.plot(at_s[::step], measured[::step], **DOT, label="measured")
    axes.set_xlim(time_s[0], min(time_s[-1], at_s[-1]))
    reach = 1.5 * max(np.abs(deviation).max(), 1.0)
    axes.set_ylim(-reach, reach)
    axes.legend(loc="upper right", frameon=False)


PLOTS: dict[str, Callable[[Any, Bench], None]] = {
    "response": draw_response, "folding": draw_folding, "loop": draw_loop, "decay": draw_decay, "noise": draw_noise,
    "delay": draw_delay, "modulation": draw_modulation,
}  # fmt: skip
"""By file name."""


def write_plots(bench: Bench, folder: Path, progress: Callable[[float], None] = lambda done: None) -> list[str]:
    """Write every plot as SVG and PNG; gives the file names."""
    plt, names = pyplot(), []
    with plt.rc_context(PRINT):
        for number, (name, draw) in enumerate(PLOTS.items(), start=1):
            figure, axes = plt.subplots(figsize=(5.2, 3.4), layout="constrained")
            draw(axes, bench)
            axes.set_title(f"{bench.circuit.name}: {axes.get_title(loc='left') or axes.get_title()}")
            for ending in ("svg", "png"):
                metadata = {"Date": None} if ending == "svg" else None
                figure.savefig(folder / f"{name}.{ending}", dpi=160, metadata=metadata)
                names.append(f"{name}.{ending}")
            plt.close(figure)
            progress(number / len(PLOTS))
    return names


def page_axes(page: Any, number: int) -> Any:
    """Place of the n-th plot on a data sheet: four rows of two, the last place is free for text."""
    row, column = divmod(number, 2)
    wide, high = 0.385, 0.118
    return page.add_axes((0.085 + column * 0.475, 0.800 - row * 0.168, wide, high))


def _scale(axes: Any, low_hz: float, high_hz: float) -> None:
    scale_frequency(axes, low_hz, high_hz)
    axes.grid(which="both", color="0.9", linewidth=0.4)


def _db(level: NDArray[Any]) -> NDArray[np.float64]:
    return np.asarray(20 * np.log10(np.maximum(level, 1e-9)))

