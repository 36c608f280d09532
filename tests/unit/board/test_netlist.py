"""The text of netlists: plain numbers, every part under its reference, the same text for the same board."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import pytest

from voicer import library
from voicer.board import Board, design_board
from voicer.board.netlist import clock_netlist, lfo_netlist, path_netlist
from voicer.board.netlist.common import END_OHM, number, plain

WRITERS: tuple[Callable[[Board], str], ...] = (path_netlist, clock_netlist, lfo_netlist)
SHIPPED = [entry.name for entry in library.listing()]
OF: dict[Any, set[str]] = {
    path_netlist: {"supply", "input", "sum", "low_cut", "line_level", "output_coupling", "mixer"},
    clock_netlist: {"clock"},
    lfo_netlist: {"lfo"},
}
ELSEWHERE = {"decoupling_ohm", "decoupling_farad"}
"""Parts of the supply that serve the clock's branch."""


def shipped(name: str) -> Board:
    return design_board(library.load(name))


def parts_of(made: Board, writer: Any) -> list[Any]:
    low_passes = ("anti_alias", "reconstruction", "line_")
    return [
        part for part in made.parts
        if (part.block in OF[writer] or (writer is path_netlist and part.block.startswith(low_passes)))
        and part.name not in ELSEWHERE
    ]  # fmt: skip


@pytest.mark.parametrize("writer", WRITERS)
@pytest.mark.parametrize("name", SHIPPED)
def test_rules_of_the_text(writer: Callable[[Board], str], name: str) -> None:
    """Title first, .end last, ASCII, no number with a suffix (1M would be a thousandth, SPICE manuals say)."""
    text = writer(shipped(name))
    lines = text.splitlines()
    assert lines[0].startswith("voicer ")
    assert lines[-1] == ".end"
    assert text.isascii()
    for line in lines[1:]:
        if not line.startswith("*"):
            assert re.search(r"(?<![\w.])\d+\.?\d*(?:meg|mil|[tgkmunpf])\b", line, re.IGNORECASE) is None, line


@pytest.mark.parametrize("writer", WRITERS)
@pytest.mark.parametrize("name", ["harbour-dusk", "old-dredger"])
def test_every_part_is_there_with_its_very_value(writer: Callable[[Board], str], name: str) -> None:
    """Resistors and capacitors read back as the same float; both pieces of a track make the whole of the pot."""
    made = shipped(name)
    values: dict[str, list[float]] = {}
    for line in writer(made).splitlines():
        if re.match(r"(R|C|RV)\d", line):
            ref, *_, value = line.split("IC=")[0].split()
            values.setdefault(re.sub(r"(?<=\d)[a-d]$", "", ref), []).append(0.0 if "{" in value else float(value))
    for part in parts_of(made, writer):
        if part.kind != "pot":
            assert values[part.ref] == [part.value], part
        elif part.name != "repeats_pot_ohm":
            tracks = 2 if part.name == "blend_pot_ohm" else 1
            assert sum(values[part.ref]) == pytest.approx(tracks * part.value, abs=2 * tracks * END_OHM), part


def test_the_same_board_gives_the_same_text() -> None:
    """Nothing of the day or the machine gets in."""
    for writer in WRITERS:
        assert writer(shipped("slow-tide")) == writer(shipped("slow-tide"))


@pytest.mark.parametrize("value", [4.7e-9, 1e6, 0.1, 1 / 3, 2.2e-12, 470_000.0])
def test_a_number_reads_back(value: float) -> None:
    """To the last bit."""
    assert float(number(value)) == value


def test_a_name_is_made_fit_for_a_title() -> None:
    """One ASCII line whatever the voicing is called."""
    assert plain("Möwe\n.end\n* x") == "M?we?.end?? x"
    made = design_board(library.load("quay-slap").changed({"name": "Brücke .end"}))
    assert path_netlist(made).splitlines()[0] == "voicer audio path: Br?cke .end"
