"""The figures of a circuit, for people and for programs."""

from __future__ import annotations

from typing import Any

import numpy as np

from voicer.circuit.advice import remarks
from voicer.circuit.circuit import Circuit
from voicer.circuit.filters import Section, half_power_hz


def collect_facts(circuit: Circuit) -> dict[str, Any]:
    """Figures of a circuit as plain data, units in the keys."""
    clock_hz = circuit.clock_hz
    return {
        "name": circuit.name,
        "time_ms": circuit.time_s * 1e3,
        "stages": circuit.line.stages,
        "clock_hz": clock_hz,
        "half_clock_hz": clock_hz / 2,
        "slowest_clock_hz": circuit.slowest_clock_hz,
        "fastest_clock_hz": circuit.fastest_clock_hz,
        "line_delay_ms": 1e3 * circuit.line.periods / clock_hz,
        "filter_delay_ms": 1e3 * circuit.filter_delay_s,
        "anti_alias": _filter(circuit.anti_alias),
        "reconstruction": _filter(circuit.reconstruction),
        "feedback_gain": circuit.mixer.feedback_gain,
        "loop_gain": circuit.loop_gain(clock_hz),
        "transfer_loss": float(circuit.line.transfer_loss_at(np.array(clock_hz))),
        "compander_time_constant_ms": 1e3 * circuit.compander.send_s if circuit.compander.enabled else None,
        "remarks": [remark.line for remark in remarks(circuit)],
    }


def fact_lines(circuit: Circuit) -> list[tuple[str, str]]:
    """The same for reading: what, and its value with its unit."""
    f = collect_facts(circuit)
    device = circuit.line.device
    lines = [
        ("line", f"{circuit.line.devices} × {device.stages} stages"),
        ("delay", f"{f['time_ms']:.4g} ms = line {f['line_delay_ms']:.4g} + filters {f['filter_delay_ms']:.3g} + hold"),
        ("clock", f"{f['clock_hz'] / 1e3:.2f} kHz; {_span_khz(circuit)} over the time control"),
        ("half the clock", f"{f['half_clock_hz']:.0f} Hz: anything above it folds"),
    ]
    for name in ("anti_alias", "reconstruction"):
        sections = "; ".join(
            f"{part['f0_hz']:.0f} Hz" + (f" Q {part['q']:.3f}" if part["q"] else " first order")
            for part in f[name]["sections"]
        )
        lines.append((name.replace("_", "-"), f"-3 dB at {f[name]['cutoff_hz']:.0f} Hz: {sections}"))
    lines.append(("feedback", f"gain {f['feedback_gain']:.3f}; loop gain {f['loop_gain']:.3f} here, the edge is 1"))
    return lines + [("note", line) for line in f["remarks"]]


def _span_khz(circuit: Circuit) -> str:
    return f"{circuit.slowest_clock_hz / 1e3:.2f}..{circuit.fastest_clock_hz / 1e3:.2f} kHz"


def _filter(sections: tuple[Section, ...]) -> dict[str, Any]:
    return {
        "cutoff_hz": half_power_hz(sections),
        "sections": [{"f0_hz": section.f0_hz, "q": section.q or None} for section in sections],
    }
