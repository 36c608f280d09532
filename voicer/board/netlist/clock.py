"""The clock oscillator for a transient analysis, its time pot where the board has it and the LFO at rest.

The control voltage across the stop, its padder and the time pot sets a current, which is mirrored into or out of the
timing capacitor as the window comparator demands. The divide-by-two is done by arithmetic.
"""

from __future__ import annotations

from voicer.board.blocks.supply import LINE_V
from voicer.board.board import Board
from voicer.board.netlist.common import END_OHM, OPEN_OHM, Sheet, number

SKIPPED, COUNTED = 2, 20
"""Periods skipped, and periods measured."""

STEPS = 1000
"""Time steps per period: the comparator is late by one at the most, twice a period."""


def clock_netlist(board: Board) -> str:
    """Netlist of the clock: ``ngspice -b`` prints ``osc_hz`` and ``clock_hz``.

    Parameters
    ----------
    board : Board
        With plain numbers as values.
    """
    sheet = Sheet(board)
    sheet.note("The LFO is at rest: the control voltage is the lower threshold.")
    _supply(sheet)
    _current(sheet)
    _comparator(sheet)
    _measures(sheet, float(board.blocks.clock.oscillator_hz(board.controls.time)))
    return sheet.text("clock", ("run",))


def _supply(sheet: Sheet) -> None:
    sheet.note("supply after the protection diode, filtered for the clock")
    sheet.add(f"VLINE line 0 {number(LINE_V)}")
    sheet.part("supply", "decoupling_ohm", "line", "branch")
    sheet.part("supply", "decoupling_farad", "branch", "0", LINE_V)
    sheet.part("clock", "top_ohm", "branch", "high")
    sheet.part("clock", "middle_ohm", "high", "low")
    sheet.part("clock", "bottom_ohm", "low", "0")


def _current(sheet: Sheet) -> None:
    sheet.note("current from the control voltage, read by VSENSE and mirrored without error")
    start_v = float(sheet.board.blocks.clock.control_v)
    sheet.add("ECONTROL control 0 low 0 1.0", "VSENSE control stop 0.0")
    sheet.part("clock", "stop_ohm", "stop", "padder")
    sheet.part("clock", "stop_padder_ohm", "padder", "track")
    sheet.rheostat("clock", "time_pot_ohm", "track", "wiper", sheet.board.controls.time)
    sheet.add("VFOOT wiper 0 0.0", "BMIRROR 0 timing I=i(VSENSE)*v(way)")
    sheet.part("clock", "timing_farad", "timing", "0", start_v)
    sheet.part("clock", "padder_farad", "timing", "0", start_v)


def _comparator(sheet: Sheet) -> None:
    sheet.note("window comparator: a switch with hysteresis, open while the capacitor is charged")
    sheet.add(
        "BWINDOW window 0 V=(v(timing)-v(low))/(v(high)-v(low))",
        f".model schmitt sw vt=0.5 vh=0.5 ron={number(END_OHM)} roff={number(OPEN_OHM)}",
        "VLOGIC logic 0 1.0",
        "RPULL logic charging 1000.0",
        "SSCHMITT charging 0 window 0 schmitt off",
        "BWAY way 0 V=2.0*v(charging)-1.0",
    )


def _measures(sheet: Sheet, oscillator_hz: float) -> None:
    clock, step_s = sheet.board.blocks.clock, 1 / (oscillator_hz * STEPS)
    start_v = float(clock.control_v)
    stop_s = (SKIPPED + COUNTED + 2) / oscillator_hz
    sheet.add(
        f".ic v(timing)={number(start_v)}",
        f".tran {number(step_s)} {number(stop_s)} 0.0 {number(step_s)} uic",
        f".meas tran first_s when v(window)=0.5 rise={SKIPPED}",
        f".meas tran last_s when v(window)=0.5 rise={SKIPPED + COUNTED}",
        f".meas tran osc_hz param='{COUNTED}/(last_s-first_s)'",
        ".meas tran clock_hz param='osc_hz/2'",
    )
