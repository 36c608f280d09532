"""The bucket-brigade device as a linear subcircuit, for small signals below half the clock.

| symbol | name    | unit | meaning                                                                        |
|--------|---------|------|--------------------------------------------------------------------------------|
| T      | period  | s    | one clock period                                                               |
| P      |         | 1    | periods of this device: half its stages                                        |
| N, e   |         | 1    | its stages, and what is left behind at a transfer                              |
| a      | left    | 1    | of a lump, which stands for N / `LUMPS` transfers                              |

- Delay: a lossless line of P T, matched at its far end.
- Hold: ``(1 - exp(-s T)) / (s T)``, exact: the present less what was a period ago, as a current into T farad. Only
  the last device holds: those before it are sampled by the next at the same clock.
- Transfers: ``((1 - e) / (1 - e z^-1))^N`` as lumps ``(1 - a)(1 + a z^-1) / ((1 + a)(1 - a z^-1))`` with
  ``2 a / (1 - a^2) = N e / ((1 - e) K)``: the same mean delay, and no error of the order of ``a``, which a lump
  without a zero has (it would lose 0.1 dB too little at 0.45 of the clock with N e = 0.65, K = 64).
- Gain: followers that settle, charge that fades.

What folds at half the clock, the images above it, noise and the soft limit are beyond a linear circuit.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from voicer.board.board import Board
from voicer.board.netlist.common import OPEN_OHM, number
from voicer.circuit.ideal import line_parts

LUMPS = 64
"""K. Chosen: the loss of 10000 transfers with N e = 2 is then right to 0.01 dB."""

LINE_OHM = 50.0
"""Of the lossless lines and their matched ends; any value will do."""


def lump_left(stages: int, transfer_loss: float) -> float:
    """The a of a lump, see above."""
    periods = stages * transfer_loss / (1 - transfer_loss)
    return periods / (LUMPS + float(np.hypot(LUMPS, periods)))


def device_lines(board: Board, clock_hz: float) -> list[str]:
    """Subcircuits ``lump``, ``device`` and ``inner_device`` (nodes: input, two output phases) at a clock, Hz."""
    whole, period_s = replace(line_parts(board.voicing), makeup=1.0), 1 / clock_hz
    at = np.array(clock_hz)
    stages, loss = whole.device.stages, float(whole.transfer_loss_at(at))
    gain = float(whole.gain_at(at)) ** (1 / whole.devices)
    return [
        *_lump(lump_left(stages, loss), period_s, f"{stages // LUMPS} of {stages} transfers, {number(loss)} left"),
        *_device("device", stages / 2 / clock_hz, gain, period_s),
        *(_device("inner_device", stages / 2 / clock_hz, gain) if whole.devices > 1 else []),
    ]


def _device(name: str, delay_s: float, gain: float, hold_s: float | None = None) -> list[str]:
    """One device; without a hold where the next one samples it at the same clock."""
    hold = [
        *_delay("hold", "sampled", "before", hold_s),
        "Ghold 0 held sampled before 1.0",
        f"Chold held 0 {number(hold_s)}",
        f"Rhold held 0 {number(OPEN_OHM)}",
    ] if hold_s else ["Ehold held 0 sampled 0 1.0"]  # fmt: skip
    return [
        f"* {name}: delay, {'hold, ' if hold_s else ''}transfers, gain; both output phases carry the same small signal",
        f".subckt {name} in a b",
        "Esample driven 0 in 0 1.0",
        *_delay("line", "driven", "arrived", delay_s),
        "Earrive sampled 0 arrived 0 1.0",
        *hold,
        *_chain(),
        f"Ea a 0 lump_{LUMPS} 0 {number(gain)}",
        f"Eb b 0 lump_{LUMPS} 0 {number(gain)}",
        f".ends {name}",
    ]


def _lump(left: float, period_s: float, what: str) -> list[str]:
    scale = (1 - left) / (1 + left)
    return [
        f"* lump: {what}",
        ".subckt lump in out",
        "Ein sum back in 0 1.0",
        f"Eback back 0 late 0 {number(left)}",
        *_delay("lump", "sum", "late", period_s),
        f"Eout out far sum 0 {number(scale)}",
        f"Efar far 0 late 0 {number(scale * left)}",
        ".ends lump",
    ]


def _delay(name: str, into: str, out: str, delay_s: float) -> list[str]:
    """A matched lossless line; what drives it has no impedance, what reads it takes no current."""
    return [
        f"T{name} {into} 0 {out} 0 Z0={number(LINE_OHM)} TD={number(delay_s)}",
        f"R{name}_end {out} 0 {number(LINE_OHM)}",
    ]


def _chain() -> list[str]:
    ends = ["drive", *(f"lump_{count}" for count in range(1, LUMPS + 1))]
    lumps = [f"X{count} {ends[count - 1]} {ends[count]} lump" for count in range(1, LUMPS + 1)]
    return ["Edrive drive 0 held 0 1.0", *lumps]
