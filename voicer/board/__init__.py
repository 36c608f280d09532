"""The board: parts, blocks of parts, the whole board, what follows from its values; netlists of it."""

from voicer.board.board import Board, design_board
from voicer.board.part_choice import PartChoice, design

__all__ = ["Board", "PartChoice", "design", "design_board"]
