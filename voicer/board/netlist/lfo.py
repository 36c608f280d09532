"""The low-frequency oscillator for a transient analysis, with the range and rate of the board."""

from __future__ import annotations

from voicer.board.blocks.lfo import SATURATION_V
from voicer.board.board import Board
from voicer.board.netlist.common import END_OHM, OPEN_OHM, Sheet, number

COUNTED = 3
"""Periods measured, after skipping one."""

STEPS = 2000
"""Time steps per period."""

TRIGGER_GAIN = 1e3
"""Of the comparator, per volt. Chosen."""

SLEW_SHARE = 1e-4
"""Time constant of the comparator's output over a period; it keeps the switching on time. Chosen."""


def lfo_netlist(board: Board) -> str:
    """Netlist of the LFO: ``ngspice -b`` prints ``lfo_hz`` and ``lfo_peak_v``, the triangle's peak about the bias.

    Parameters
    ----------
    board : Board
        With plain numbers as values. With the modulation off, the rate pot is still where the voicing set it.
    """
    sheet, lfo = Sheet(board), board.blocks.lfo
    rate_hz = float(lfo.rate_hz(board.lfo_range, board.controls.rate))
    bias_v = float(board.blocks.supply.bias_v)
    sheet.note(f"Range of the range switch: {board.lfo_range}.")
    sheet.add(f"VBIAS bias 0 {number(bias_v)}")
    _trigger(sheet, SLEW_SHARE / rate_hz)
    _rate(sheet)
    _integrator(sheet)
    _measures(sheet, rate_hz, bias_v)
    return sheet.text("LFO", ("run",))


def _trigger(sheet: Sheet, slew_s: float) -> None:
    swing = f"{number(SATURATION_V)}*tanh({number(TRIGGER_GAIN)}*(v(knot)-v(bias)))"
    sheet.note("trigger: triangle and its own output against the bias node; its output swings about that node")
    sheet.part("lfo", "schmitt_in_ohm", "triangle", "knot")
    sheet.part("lfo", "schmitt_feedback_ohm", "square", "knot")
    sheet.add(
        f"BTRIGGER thrown 0 V=v(bias)+{swing}",
        "RSLEW thrown slow 1000.0",
        f"CSLEW slow 0 {number(slew_s / 1000.0)}",
        "ETRIGGER square 0 slow 0 1.0",
    )


def _rate(sheet: Sheet) -> None:
    shorted = sheet.board.lfo_range == "slow"
    sheet.note("rate pot with its stops and follower; RMODE is the range switch across the second stop")
    sheet.pot("lfo", "rate_pot_ohm", ("square", "rate_wiper", "rate_low"), sheet.board.controls.rate)
    sheet.part("lfo", "stop_ohm", "rate_low", "rate_stop")
    sheet.part("lfo", "fast_stop_ohm", "rate_stop", "bias")
    sheet.add(f"RMODE rate_stop bias {number(END_OHM if shorted else OPEN_OHM)}")
    sheet.follower("rate", "rate_wiper", "rate")


def _integrator(sheet: Sheet) -> None:
    slow = sheet.board.lfo_range == "slow"
    sheet.note("integrator: RSLOW and RFAST are the range switch at its two capacitors")
    sheet.part("lfo", "integrator_ohm", "rate", "integrator_minus")
    for name, switch, closed in (("integrator_farad", "slow", slow), ("fast_range_farad", "fast", not slow)):
        sheet.part("lfo", name, "integrator_minus", f"{switch}_end", 0.0)
        sheet.add(f"R{switch.upper()} {switch}_end triangle {number(END_OHM if closed else OPEN_OHM)}")
    sheet.inverter("integrator", "integrator_minus", "triangle")


def _measures(sheet: Sheet, rate_hz: float, bias_v: float) -> None:
    step_s, stop_s = 1 / (rate_hz * STEPS), (COUNTED + 2) / rate_hz
    sheet.note("the trigger starts thrown to one side")
    sheet.add(
        f".ic v(slow)={number(bias_v + SATURATION_V)} v(triangle)={number(bias_v)}",
        f".tran {number(step_s)} {number(stop_s)} 0.0 {number(step_s)} uic",
        f".meas tran first_s when v(triangle)={number(bias_v)} rise=1",
        f".meas tran last_s when v(triangle)={number(bias_v)} rise={COUNTED + 1}",
        f".meas tran lfo_hz param='{COUNTED}/(last_s-first_s)'",
        f".meas tran top_v max v(triangle) from={number(1 / rate_hz)} to={number(stop_s)}",
        f".meas tran bottom_v min v(triangle) from={number(1 / rate_hz)} to={number(stop_s)}",
        ".meas tran lfo_peak_v param='(top_v-bottom_v)/2'",
    )
