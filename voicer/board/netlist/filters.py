"""Sallen-Key blocks as SPICE lines."""

from __future__ import annotations

from collections.abc import Mapping

from voicer.board.blocks.sallen_key import SecondOrder, ThirdOrder
from voicer.board.netlist.common import number

_WIRING: dict[type, dict[str, tuple[str, str]]] = {
    SecondOrder: {
        "r1_ohm": ("in", "knot"), "r2_ohm": ("knot", "top"),
        "ground_farad": ("top", "ground"), "feedback_farad": ("knot", "out"),
    },
    ThirdOrder: {
        "r1_ohm": ("in", "first"), "r2_ohm": ("first", "knot"), "r3_ohm": ("knot", "top"),
        "first_farad": ("first", "ground"), "feedback_farad": ("knot", "out"), "ground_farad": ("top", "ground"),
    },
}  # fmt: skip
"""The two nodes of each part; the follower's input is ``top``."""


def low_pass_lines(
    key: str, block: SecondOrder | ThirdOrder, refs: Mapping[str, str], into: str, out: str, ground: str = "bias"
) -> list[str]:
    """Lines of one block.

    Parameters
    ----------
    key : str
        Of the block; its inner nodes and its follower are named for it.
    block : SecondOrder or ThirdOrder
    refs : mapping of field name to reference
    into, out, ground : str
        Nodes.
    """
    outer = {"in": into, "out": out, "ground": ground}

    def node(name: str) -> str:
        return outer.get(name, f"{key}_{name}")

    lines = [
        f"{refs[field]} {node(first)} {node(second)} {number(getattr(block, field))}"
        for field, (first, second) in _WIRING[type(block)].items()
    ]
    return [*lines, f"E{key} {out} 0 {key}_top 0 1.0"]
