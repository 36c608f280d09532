"""Schematics: every part once, with its reference and its value, in the drawing of its block."""

from __future__ import annotations

import re
from collections import Counter
from pathlib import Path
from typing import Any, get_args

import pytest
from schemdraw.segments import SegmentText

from voicer import library
from voicer.circuit import Board, board
from voicer.circuit.actives import actives
from voicer.circuit.values import short_value
from voicer.errors import CircuitError
from voicer.sheet.pen import save
from voicer.sheet.schematics import block_diagram, schematic
from voicer.voicing import Shape

SHIPPED = [entry.name for entry in library.listing()]
FILTERS = [(shape, order) for shape in get_args(Shape) for order in range(2, 7)]
REFERENCE = re.compile(r"\b((?:RV|R|C)\d+)\b")


def texts(drawing: Any) -> list[str]:
    return [s.text for element in drawing.elements for s in element.segments if isinstance(s, SegmentText)]


def assert_complete(made: Board) -> None:
    """Each part of each block stands once in the block's drawing and in no other, its value behind it."""
    for key in made.blocks:
        shown = texts(schematic(made, key))
        parts = {part.ref: part for part in made.parts if part.block == key}
        seen = Counter(match for text in shown for match in REFERENCE.findall(text))
        for ref, part in parts.items():
            assert seen.pop(ref) == (2 if part.name == "blend_pot_ohm" else 1), (key, ref)
            value = re.escape(short_value(part.value))
            assert any(re.search(rf"\b{ref}( [ab])?[ \n]{value}(?![\w.])", text) for text in shown), (key, ref)
        assert not seen, (key, seen)


@pytest.mark.parametrize("name", SHIPPED)
@pytest.mark.parametrize("series", ["exact", "E24"])
def test_every_part_is_drawn_once(name: str, series: Any) -> None:
    """Shipped voicings, exact and bought."""
    assert_complete(board(library.load(name), series))


@pytest.mark.parametrize(("shape", "order"), FILTERS)
def test_every_filter_is_drawn(shape: str, order: int) -> None:
    """All shapes and orders, several devices, no compander."""
    voicing = library.load("net-loft").changed({
        "filters.anti_alias.shape": shape, "filters.anti_alias.order": order, "filters.reconstruction.shape": shape,
        "filters.reconstruction.order": order, "line.devices": 2, "compander.enabled": False, "line.stages": 512,
    })  # fmt: skip
    assert_complete(board(voicing))


def test_everything_else_has_its_reference() -> None:
    """Amplifiers, devices, gain cells, switches and the diode carry the numbers of the parts list."""
    made = board(library.load("harbour-dusk"))
    for key in made.blocks:
        shown = " ".join(texts(schematic(made, key)))
        for other in actives(made):
            if other.block == key:
                assert re.search(rf"\b{other.ref}\b", shown), (key, other)


@pytest.mark.parametrize("name", ["harbour-dusk", "gull-vibrato"])
def test_drawings_can_be_saved(name: str, tmp_path: Path) -> None:
    """Each as a picture that is not empty; the block diagram too."""
    made = board(library.load(name))
    for number, drawing in enumerate([block_diagram(made), *(schematic(made, key) for key in made.blocks)]):
        save(drawing, tmp_path / f"{number}.svg")
        assert "<path" in (tmp_path / f"{number}.svg").read_text()


def test_a_block_that_is_not_there_is_refused() -> None:
    """With the nearest name."""
    with pytest.raises(CircuitError, match=r"no block 'lfx' is on the board; did you mean 'lfo'\?"):
        schematic(board(library.load("quay-slap")), "lfx")
