"""The live terminal view of `voicer play`."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

import numpy as np
from rich.console import Group
from rich.table import Table
from rich.text import Text

from voicer.circuit import remarks
from voicer.circuit.filters import half_power_hz
from voicer.engine.supervisor import Supervisor
from voicer.play.session import Session

_METER_CELLS = 32
_METER_FLOOR_DB = -60.0
_EDGE_CELLS = 24


@dataclass
class View:
    """Everything a player looks at while playing."""

    session: Session
    player: Supervisor
    inputs: list[str] = field(default_factory=list)
    last_move: str = ""
    said: deque[str] = field(default_factory=lambda: deque(maxlen=4))

    def __rich__(self) -> Group:
        return Group(self._title(), self._figures(), *(Text(f"  {line}") for line in self.said))

    def line(self) -> str:
        """The same in one line, where there is no terminal to draw in."""
        circuit, report = self.session.circuit, self.player.report()
        return (
            f"{self.session.name} {self.session.voicing.delay.time_ms:.0f} ms clock {circuit.clock_hz / 1e3:.2f} kHz "
            f"loop {circuit.loop_gain(circuit.clock_hz):.2f} in {_db(report.in_peak):.0f} dB out "
            f"{_db(report.out_peak):.0f} dB blocks {report.blocks} late {report.late} gaps {report.gaps} "
            f"xruns {report.xruns}"
        )

    def _title(self) -> Text:
        state = {"off": "", "cut": "  BYPASSED", "tail": "  BYPASSED, tail rings out"}[self.session.bypass]
        changed = "  (changed)" if self.session.changed else ""
        return Text(f"{self.session.voicing.name}{changed}{state}", style="bold")

    def _figures(self) -> Table:
        session, circuit, report = self.session, self.session.circuit, self.player.report()
        voicing, half_hz = session.voicing, circuit.clock_hz / 2
        table = Table.grid(padding=(0, 2))
        delay = voicing.delay
        table.add_row("delay", f"{delay.time_ms:.1f} ms  of {delay.shortest_ms:g}..{delay.longest_ms:g}")
        table.add_row("clock", f"{circuit.clock_hz / 1e3:.2f} kHz, serves up to {half_hz:.0f} Hz")
        table.add_row("cutoffs", self._cutoffs(half_hz))
        table.add_row("loop gain", self._edge())
        table.add_row("modulation", self._modulation())
        table.add_row("parts", session.parts.says)
        table.add_row("in", _meter(report.in_peak))
        table.add_row("out", _meter(report.out_peak))
        table.add_row("engine", self._engine())
        table.add_row("controller", f"{', '.join(self.inputs) or 'none'}   {self.last_move}")
        for remark in remarks(circuit):
            table.add_row("mind", remark.line)
        return table

    def _cutoffs(self, half_hz: float) -> str:
        circuit = self.session.circuit
        told = []
        for name, sections in (("anti-alias", circuit.anti_alias), ("reconstruction", circuit.reconstruction)):
            cutoff_hz = half_power_hz(sections)
            told.append(f"{name} {cutoff_hz:.0f} Hz ({cutoff_hz / half_hz:.0%} of half the clock)")
        return ", ".join(told)

    def _edge(self) -> str:
        gain = self.session.circuit.loop_gain(self.session.circuit.clock_hz)
        filled = round(min(gain, 1.5) / 1.5 * _EDGE_CELLS)
        edge = round(_EDGE_CELLS / 1.5)
        bar = "".join("|" if j == edge else "█" if j < filled else "·" for j in range(_EDGE_CELLS))
        return f"{bar} {gain:.2f}, the edge is 1" + ("  SELF-OSCILLATES" if gain >= 1 else "")

    def _modulation(self) -> str:
        modulation = self.session.voicing.modulation
        if modulation.range == "off":
            return "off"
        depth = f"±{modulation.depth_percent:.2f} % of the clock"
        return f"{modulation.range} {modulation.rate_hz:.2f} Hz, {depth}, {modulation.shape}"

    def _engine(self) -> str:
        report, times = self.player.report(), self.player.block_times_us()
        block_us = 1e6 * self.player.frames / self.player.sample_rate_hz
        recent = times[-2000:]
        told = f"{self.player.system} {self.player.sample_rate_hz:.0f} Hz, {self.player.frames} frames"
        if recent.size:
            told += f", block {np.median(recent):.0f} µs, p99 {np.percentile(recent, 99):.0f} of {block_us:.0f}"
        priority = f"priority {report.realtime}" if report.realtime else "NO real-time priority"
        return f"{told}, late {report.late}, gaps {report.gaps}, xruns {report.xruns}, {priority}"


def _db(peak: float) -> float:
    return float(20 * np.log10(max(peak, 1e-6)))


def _meter(peak: float) -> str:
    level_db = _db(peak)
    filled = round((1 - max(min(level_db, 0.0), _METER_FLOOR_DB) / _METER_FLOOR_DB) * _METER_CELLS)
    return "█" * filled + "·" * (_METER_CELLS - filled) + f" {level_db:5.1f} dB"
