"""Netlists of a board for a SPICE program: the audio path, the clock and the LFO, as plain text."""

from voicer.board.netlist.clock import clock_netlist
from voicer.board.netlist.lfo import lfo_netlist
from voicer.board.netlist.path import path_netlist

__all__ = ["clock_netlist", "lfo_netlist", "path_netlist"]
