"""The order of the blocks along the signal path, in words."""

from __future__ import annotations

from voicer.board.board import Board


def wet_path(board: Board) -> list[str]:
    """Keys of the blocks from the input sum to the output coupling, compressor included, in order."""
    keys = list(board.blocks.by_name)
    return keys[keys.index("sum") : keys.index("output_coupling") + 1]


def before(board: Board, key: str) -> str:
    """Name of the block that drives one of the wet path."""
    path = wet_path(board)
    place = path.index(key)
    return name(path[place - 1]) if place else "input"


def after(board: Board, key: str) -> str:
    """Name of the block that one of the wet path drives."""
    path = wet_path(board)
    return name(path[path.index(key) + 1])


def loop_tap(board: Board) -> str:
    """Name of the block from which the repeats come back."""
    return "expander" if board.blocks.compander else "output\ncoupling"


def name(key: str) -> str:
    """A block of the wet path in words, number and all."""
    words = {"sum": "input sum", "compander": "compressor", "line level": "make-up"}
    broken = {"anti_alias": "anti-alias", "reconstruction": "recon-\nstruction", "output_": "output\n", "_": " "}
    for there, here in broken.items():
        key = key.replace(there, here)
    return words.get(key, key)
