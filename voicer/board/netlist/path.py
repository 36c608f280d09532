"""The audio path for an AC analysis: from the input through the line to the output mixer.

Nodes worth a look: ``in``, ``buffered``, ``line_in``, ``made_up``, ``wet`` (before the mixer) and ``out``. Pots stand
where the board has them, but for the repeats: ``.param repeats`` is 0, so that the response is one pass.

Three amplifiers invert on the way of the echo and one on that of the dry sound: both leave ``out`` upside down.
"""

from __future__ import annotations

from dataclasses import fields
from typing import Literal

from voicer.board.blocks.supply import LINE_V
from voicer.board.board import Board
from voicer.board.netlist.common import AMPLIFIER_GAIN, END_OHM, Sheet, number, plain
from voicer.board.netlist.device import device_lines
from voicer.board.netlist.filters import low_pass_lines
from voicer.circuit.limiter import EMISSION_V, SATURATION_A
from voicer.circuit.mixing import dry_share, echo_share

THERMAL_V = 0.025865
"""kT/q at 27 degC, where SPICE programs compute by default."""

TRIM = 0.5
"""Where the bias and balance trims stand: in their middle, for a device as its class has it."""

SHOWN_HZ = (100, 300, 1000, 3000)
"""Frequencies whose levels are printed, Hz."""


def path_netlist(board: Board) -> str:
    """Netlist of the audio path, its line at the clock of the board's time control.

    Parameters
    ----------
    board : Board
        With plain numbers as values.

    Returns
    -------
    str
        Runs as it is: ``ngspice -b`` prints a few levels of ``wet`` and ``out``, in dB.
    """
    sheet = Sheet(board)
    clock_hz = float(board.clock_hz(board.controls.time))
    sheet.note(f"Linear path at a clock of {number(clock_hz)} Hz; amplifiers are ideal.")
    sheet.note("For one pass the repeats pot is at 0; this voicing has it at the position in the next line.")
    sheet.note(f".param repeats={number(board.controls.repeats)}")
    sheet.add(".param repeats=0.0", *device_lines(board, clock_hz))
    _supply(sheet)
    _input(sheet)
    _line(sheet, _low_pass(sheet, "anti_alias", "cut"))
    _behind_the_line(sheet)
    _mixer(sheet)
    levels = [f"meas ac {node}_{at} find vdb({node}) at={at}" for node in ("wet", "out") for at in SHOWN_HZ]
    return sheet.text("audio path", ("ac dec 100 20 20000", *levels))


def _supply(sheet: Sheet) -> None:
    sheet.note("supply behind the polarity diode, bias node")
    sheet.add(f"VLINE line 0 {number(LINE_V)}")
    sheet.part("supply", "reservoir_farad", "line", "0")
    sheet.part("supply", "bias_top_ohm", "line", "divider")
    sheet.part("supply", "bias_bottom_ohm", "divider", "0")
    sheet.part("supply", "bias_farad", "divider", "0")
    sheet.follower("bias", "divider", "bias")


def _input(sheet: Sheet) -> None:
    sheet.note("input buffer")
    sheet.add("VIN in 0 DC 0.0 AC 1.0")
    sheet.part("input", "coupling_farad", "in", "gate")
    sheet.part("input", "bias_ohm", "gate", "bias")
    sheet.follower("buffer", "gate", "buffered")
    sheet.note("input sum: inverts; repeats pot with its amplifier, limiter of two diodes")
    repeats, whole = sheet.ref("sum", "repeats_pot_ohm"), number(sheet.value("sum", "repeats_pot_ohm"))
    sheet.part("sum", "dry_in_ohm", "buffered", "sum_minus")
    sheet.part("sum", "feedback_ohm", "sum_minus", "sum")
    sheet.inverter("sum", "sum_minus", "sum")
    sheet.add(f"{repeats}a wet repeats_wiper {{{whole}*(1-repeats)+{number(END_OHM)}}}")
    sheet.add(f"{repeats}b repeats_wiper bias {{{whole}*repeats+{number(END_OHM)}}}")
    sheet.add(f"Eboost boosted 0 repeats_wiper boost_minus {number(AMPLIFIER_GAIN)}")
    sheet.part("sum", "boost_ohm", "boost_minus", "boosted")
    sheet.part("sum", "boost_bias_ohm", "boost_minus", "bias")
    sheet.part("sum", "limiter_ohm", "boosted", "return")
    sheet.part("sum", "diode_ohm", "return", "knee")
    sheet.add("Dlimit1 knee bias limiting", "Dlimit2 bias knee limiting")
    emission = EMISSION_V / THERMAL_V
    sheet.add(f".model limiting D(IS={number(SATURATION_A)} N={number(emission)})")
    sheet.part("sum", "return_stop_ohm", "return", "sum_minus")
    sheet.note("low cut")
    sheet.part("low_cut", "coupling_farad", "sum", "cut_gate")
    sheet.part("low_cut", "load_ohm", "cut_gate", "bias")
    sheet.follower("cut", "cut_gate", "cut")
    if sheet.board.blocks.compander:
        sheet.note("compander left out: its two halves together are transparent at small signals")


def _low_pass(sheet: Sheet, name: Literal["anti_alias", "reconstruction"], into: str) -> str:
    """One low-pass behind a node; gives the node of its output."""
    sheet.note(f"{name.replace('_', '-')} low-pass")
    blocks = sheet.board.blocks
    for place, block in enumerate(blocks.anti_alias if name == "anti_alias" else blocks.reconstruction, start=1):
        key = f"{name}_{place}"
        refs = {item.name: sheet.ref(key, item.name) for item in fields(block)}
        sheet.add(*low_pass_lines(key, block, refs, into, key))
        into = key
    return into


def _line(sheet: Sheet, into: str) -> None:
    """Devices with what stands around them, then the make-up amplifier, up to ``made_up``."""
    for block in sheet.board.blocks.line:
        sheet.note(f"line, {plain(block.note)}: bias, device, balance with its follower")
        device = "device" if block.device == block.devices else "inner_device"
        into = _stage(sheet, f"line_{block.device}", into, device)
    sheet.note("make-up amplifier: inverts; trimmed at the middle of the time control")
    level = sheet.board.blocks.line_level
    sheet.part("line_level", "level_in_ohm", into, "level_minus")
    sheet.part("line_level", "level_stop_ohm", "level_minus", "level_stop")
    sheet.rheostat(
        "line_level", "level_trim_pot_ohm", "level_stop", "made_up", level.level_position_for(sheet.board.makeup)
    )
    sheet.inverter("level", "level_minus", "made_up")


def _stage(sheet: Sheet, key: str, into: str, device: str) -> str:
    """One device behind a node; gives the node of its output."""
    sheet.part(key, "input_farad", into, f"{key}_in")
    sheet.part(key, "feed_ohm", f"{key}_in", f"{key}_bias")
    sheet.part(key, "bias_top_ohm", "line", f"{key}_high")
    sheet.pot(key, "bias_trim_pot_ohm", (f"{key}_high", f"{key}_bias", f"{key}_low"), TRIM)
    sheet.part(key, "bias_bottom_ohm", f"{key}_low", "0")
    sheet.add(f"X{key} {key}_in {key}_a {key}_b {device}")
    sheet.part(key, "phase_a_ohm", f"{key}_a", f"{key}_from_a")
    # at position 1 the wiper stands at the second phase's end
    sheet.pot(key, "balance_trim_pot_ohm", (f"{key}_from_b", f"{key}_wiper", f"{key}_from_a"), TRIM)
    sheet.part(key, "phase_b_ohm", f"{key}_from_b", f"{key}_b")
    sheet.follower(key, f"{key}_wiper", key)
    return key


def _behind_the_line(sheet: Sheet) -> None:
    filtered = _low_pass(sheet, "reconstruction", "made_up")
    sheet.note("output coupling with its follower")
    sheet.part("output_coupling", "coupling_farad", filtered, "wet_gate")
    sheet.part("output_coupling", "load_ohm", "wet_gate", "bias")
    sheet.follower("wet", "wet_gate", "wet")


def _mixer(sheet: Sheet) -> None:
    controls = sheet.board.controls
    sheet.note("output mixer: inverts; balance pot with followers (a and b dry, c and d echo)")
    dry, echo = float(dry_share(controls.blend)), float(echo_share(controls.blend))
    sheet.pot("mixer", "blend_pot_ohm", ("buffered", "dry_wiper", "bias"), dry)
    sheet.pot("mixer", "blend_pot_ohm", ("wet", "wet_wiper", "bias"), echo, "cd")
    sheet.follower("dry_share", "dry_wiper", "dry_share")
    sheet.follower("wet_share", "wet_wiper", "wet_share")
    sheet.part("mixer", "dry_in_ohm", "dry_share", "mix_minus")
    sheet.part("mixer", "wet_in_ohm", "wet_share", "mix_minus")
    sheet.part("mixer", "feedback_ohm", "mix_minus", "mix_stop")
    sheet.rheostat("mixer", "level_pot_ohm", "mix_stop", "mixed", controls.level)
    sheet.inverter("mix", "mix_minus", "mixed")
    sheet.part("mixer", "output_farad", "mixed", "out")
    sheet.part("mixer", "bleed_ohm", "out", "0")
