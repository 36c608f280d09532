"""Electronics: the circuit of a voicing, the parts that make it, and what they say about the sound."""

from voicer.circuit.advice import Remark, remarks
from voicer.circuit.board import Board, board
from voicer.circuit.circuit import Circuit
from voicer.circuit.design import PartChoice, design
from voicer.circuit.facts import fact_lines, facts

__all__ = ["Board", "Circuit", "PartChoice", "Remark", "board", "design", "fact_lines", "facts", "remarks"]
