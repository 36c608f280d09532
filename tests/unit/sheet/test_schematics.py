"""Every part is drawn once, in the drawing of its block, with its value beside it, and can be read."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from functools import cache
from itertools import combinations, pairwise
from pathlib import Path
from typing import Any, get_args

import matplotlib.pyplot as plt
import numpy as np
import pytest
import schemdraw.elements as elm
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.path import Path as Outline
from matplotlib.transforms import Bbox

from tests.unit.sheet.drawn import labels, texts
from tests.unit.sheet.drawn import parts as drawn_parts
from voicer.board.actives import list_actives
from voicer.board.blocks.sallen_key import SecondOrder
from voicer.board.board import Board, design_board
from voicer.errors import CircuitError
from voicer.library import shelf
from voicer.sheet.pages import SPANS
from voicer.sheet.pen import FONT_POINTS, PAPER_INCHES, draw_on, picture, save, units_high, units_wide
from voicer.sheet.schematics import draw_block_diagram, draw_schematic
from voicer.voicing import Compander, Delay, Filters, Line, LowPass, Shape, Voicing

SHIPPED = [entry.name for entry in shelf.listing() if entry.shipped]
ORDERS, SHAPES = range(2, 7), get_args(Shape)

HALF_A4_MM, WHOLE_A4_MM = 87.0, 178.0
"""Width of a column, and of both, on an A4 page with margins of 16 mm and 4 mm between the columns. Chosen."""

LEAST_POINTS, LEAST_BOX_POINTS = 5.8, 5.5
"""Of letters in a schematic at half an A4 page's width, and in the block diagram at its whole width. Chosen: small
print of a data sheet."""


@cache
def shipped(name: str, series: Any = "E24") -> Board:
    return design_board(shelf.load(name), series)


@cache
def filtered(order: int, shape: Any) -> Board:
    low_pass = LowPass(order=order, shape=shape, cutoff_hz=2600.0)
    return design_board(Voicing(name="Tide mill", filters=Filters(anti_alias=low_pass, reconstruction=low_pass)), "exact")


def long_line(enabled: bool) -> Board:
    """The most devices there may be, so the longest references, with and without a compander."""
    delay = Delay(time_ms=150, shortest_ms=20, longest_ms=200)
    line = Line(stages=1024, devices=8)
    return design_board(Voicing(name="Rope walk", line=line, delay=delay, compander=Compander(enabled=enabled)), "exact")


def check_parts(made: Board) -> None:
    """Each part once, in its block's drawing; the double pot once as a and once as b."""
    told = {(part.block, part.ref): part for part in made.parts}
    seen: Counter[tuple[str, str, str]] = Counter()
    for key in made.blocks.by_name:
        drawing = draw_schematic(made, key)
        for ref, track, value in labels(drawing):
            assert (key, ref) in told, f"{ref} is drawn in {key}"
            assert value == pytest.approx(told[key, ref].value, rel=5.1e-4)
            seen[key, ref, track] += 1
        named = re.findall(r"\b(?:RV|R|C)\d+\b", "\n".join(texts(drawing)))
        assert len(named) == len(labels(drawing)), f"{key}: a reference without its value"
    wanted: Counter[tuple[str, str, str]] = Counter()
    for part in made.parts:
        double = part.name == "blend_pot_ohm"
        wanted.update((part.block, part.ref, track) for track in (("a", "b") if double else ("",)))
    assert seen == wanted


@pytest.mark.parametrize("name", SHIPPED)
def test_every_part_of_a_shipped_voicing_is_drawn_once(name: str) -> None:
    """Reference and value in the drawing of its block and in no other."""
    check_parts(shipped(name))


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("order", ORDERS)
def test_every_part_of_any_filter_is_drawn_once(order: int, shape: Any) -> None:
    """The same for each order and shape of the low-passes, with exact values."""
    check_parts(filtered(order, shape))


@pytest.mark.parametrize("enabled", [True, False])
def test_every_part_of_a_long_line_is_drawn_once(enabled: bool) -> None:
    """The same for eight devices, with a compander and without."""
    check_parts(long_line(enabled))


@pytest.mark.parametrize("name", SHIPPED)
def test_a_symbol_is_of_its_parts_kind(name: str) -> None:
    """A resistor's words stand at a resistor, a pot's at one with a wiper, a capacitor's at two plates."""
    made = shipped(name)
    kinds = {part.ref: part.kind for part in made.parts}
    symbols = {"resistor": elm.ResistorIEC, "pot": elm.PotentiometerIEC, "capacitor": elm.Capacitor}
    for key in made.blocks.by_name:
        found = list(drawn_parts(draw_schematic(made, key)))
        assert len(found) == len(labels(draw_schematic(made, key)))
        for symbol, ref, _, _ in found:
            assert type(symbol) is symbols[kinds[ref]], ref


def test_swapped_values_are_drawn() -> None:
    """A part with another value is drawn with that."""
    made = design_board(shelf.load(SHIPPED[0]), swaps={"R4": 820e3})
    assert "R4\n820k" in texts(draw_schematic(made, "input"))


def test_an_unknown_block_is_refused() -> None:
    """One line that names it and the nearest there is."""
    with pytest.raises(CircuitError, match="no block 'mixr' on this board; did you mean 'mixer'"):
        draw_schematic(shipped(SHIPPED[0]), "mixr")


@pytest.mark.parametrize("enabled", [True, False])
def test_tags_follow_the_signal(enabled: bool) -> None:
    """Where one block's drawing says it goes, the next one's says it comes from there."""
    made = design_board(Voicing(name="Slack tide", line=Line(devices=2), compander=Compander(enabled=enabled)))
    keys = list(made.blocks.by_name)
    path = [key for key in keys[keys.index("sum") : keys.index("output_coupling") + 1] if key != "compander"]

    def said(key: str, word: str) -> list[str]:
        found = [" ".join(text.split()).replace("- ", "") for text in texts(draw_schematic(made, key))]
        return [text.removeprefix(f"{word} ") for text in found if text.startswith(f"{word} ")]

    for one, other in pairwise(path):
        between = enabled and one == "low_cut"
        assert said(one, "to") == (["compressor"] if between else [_plain(other)])
        assert said(other, "from")[0] == ("compressor" if between else _plain(one))
    tap = "expander" if enabled else "output coupling"
    assert tap in said("sum", "from")
    assert tap in said("mixer", "from")


def _plain(key: str) -> str:
    words = {"sum": "input sum", "line_level": "make-up"}
    return words.get(key) or key.replace("anti_alias", "anti-alias").replace("_", " ")


def test_the_block_diagram_tells_every_figure() -> None:
    """Order, cutoff, stages and clock span stand in their boxes, in the signal's order from left to right."""
    made = shipped(SHIPPED[0])
    line, filters = made.voicing.line, made.voicing.filters
    words = [" ".join(text.split()) for text in texts(draw_block_diagram(made))]
    assert words.count(f"{line.stages} stages") == min(line.devices, 2)
    assert any(text.startswith(f"order {filters.anti_alias.order} ") for text in words)
    assert any(text.startswith(f"order {filters.reconstruction.order} ") for text in words)
    spans = [re.search(r"clock ([\d.]+) kHz to ([\d.]+) kHz", text) for text in words]
    (span,) = [found for found in spans if found]
    circuit = made.circuit()
    assert float(span[1]) * 1e3 == pytest.approx(circuit.clock_for(circuit.longest_s), rel=6e-3)
    assert float(span[2]) * 1e3 == pytest.approx(circuit.clock_for(circuit.shortest_s), rel=6e-3)


@pytest.mark.parametrize("devices", [1, 2, 3, 8])
@pytest.mark.parametrize("enabled", [True, False])
def test_the_block_diagram_has_its_boxes(devices: int, enabled: bool) -> None:
    """One box for each block of the path; of a long line the first device and the last."""
    line, delay = Line(stages=1024, devices=devices), Delay(time_ms=30 * devices, shortest_ms=22, longest_ms=320)
    if devices == 1:
        delay = Delay(time_ms=30, shortest_ms=22, longest_ms=200)
    drawing = draw_block_diagram(design_board(Voicing(name="Quay", line=line, delay=delay, compander=Compander(enabled=enabled))))
    boxes = [element for element in drawing.elements if type(element) is elm.Rect]
    assert len(boxes) == 8 + (2 if enabled else 0) + min(devices, 2) + 3
    assert ("expander" in texts(drawing)) == enabled


def pictured(made: Board) -> Iterator[tuple[str, Any]]:
    yield from ((key, draw_schematic(made, key)) for key in made.blocks.by_name)
    yield "boxes", draw_block_diagram(made)


@pytest.mark.parametrize(
    "made", [lambda: shipped(SHIPPED[0], "exact"), lambda: filtered(6, "chebyshev-1db"), lambda: long_line(True),
             lambda: long_line(False)], ids=["shipped", "order 6", "long line", "no compander"],
)  # fmt: skip
def test_no_word_lies_on_a_wire_or_another_word(made: Any) -> None:
    """Boxes around the words, as they are rendered, meet neither each other nor a line."""
    seen = set()
    for key, drawing in pictured(made()):
        if re.sub(r"\d+$", "", key) == "line_" and "line" in seen:
            continue
        seen.add(re.sub(r"_\d+$", "", key))
        figure = picture(drawing)
        renderer = FigureCanvasAgg(figure).get_renderer()
        (axes,) = figure.axes
        # the box of a line of text includes room for letters higher and lower than those there are
        boxes = [(text.get_text(), text.get_window_extent(renderer).padded(-1.5)) for text in axes.texts]
        wrong = [f"{one!r} on {other!r}" for (one, a), (other, b) in combinations(boxes, 2) if a.overlaps(b)]
        for outline in _outlines(axes):
            wrong += [f"{word!r} on a line" for word, box in boxes if outline.intersects_bbox(box, filled=False)]
        page = figure.bbox
        wrong += [f"{word!r} leaves the page" for word, box in boxes if Bbox.union([page, box]).bounds != page.bounds]
        assert not wrong, key


def _outlines(axes: Any) -> Iterator[Outline]:
    """Every stroke in pixels; a stroke with gaps gives its pieces."""
    for line in axes.lines:
        points = line.get_transform().transform(line.get_xydata())
        pieces = np.split(points, np.flatnonzero(np.isnan(points[:, 0])))
        yield from (Outline(piece[~np.isnan(piece[:, 0])]) for piece in pieces if (~np.isnan(piece[:, 0])).sum() > 1)
    for patch in axes.patches:
        yield patch.get_path().transformed(patch.get_transform())


@pytest.mark.parametrize("name", SHIPPED)
def test_words_are_large_enough_on_the_page(name: str) -> None:
    """A schematic can be read at half the width of an A4 page (the clock at twice that), the block diagram at its whole
    width.
    """
    for key, drawing in pictured(shipped(name)):
        width_mm = WHOLE_A4_MM if key == "boxes" else HALF_A4_MM * SPANS.get(key, 1)
        points = FONT_POINTS * min(1, width_mm / 25.4 / (units_wide(drawing) * PAPER_INCHES))
        assert points >= (LEAST_BOX_POINTS if key == "boxes" else LEAST_POINTS), key


def test_every_drawing_can_be_written(tmp_path: Path) -> None:
    """As SVG with all its words, as PNG with ink on paper; both by our own way and by the drawing's."""
    made = shipped(SHIPPED[0])
    for key, drawing in pictured(made):
        with plt.rc_context({"svg.fonttype": "none"}):
            save(drawing, tmp_path / f"{key}.svg")
        written = (tmp_path / f"{key}.svg").read_text()
        assert all(line in written.replace("&amp;", "&") for text in texts(drawing) for line in text.split("\n"))
        save(drawing, tmp_path / f"{key}.png", dpi=60)
        pixels = plt.imread(tmp_path / f"{key}.png")[..., :3]
        assert 0.01 < (pixels < 0.5).mean() < 0.3
        assert np.ptp(pixels, axis=2).max() == 0  # grey, black and white only
    drawing = draw_schematic(made, "clock")
    drawing.save(str(tmp_path / "clock-own.svg"))
    assert "<svg" in (tmp_path / "clock-own.svg").read_text()
    plt.close("all")


def test_a_written_drawing_is_the_same_each_time(tmp_path: Path) -> None:
    """No date, no random names: two runs give the same bytes."""
    made = shipped(SHIPPED[0])
    for name in ("one.svg", "other.svg"):
        save(draw_schematic(made, "lfo"), tmp_path / name)
    assert (tmp_path / "one.svg").read_bytes() == (tmp_path / "other.svg").read_bytes()


def test_two_drawings_share_a_page() -> None:
    """On one figure each stays in its own axes, its letters as much smaller as its lines, with one size if asked."""
    made = shipped(SHIPPED[0])
    page = Figure(figsize=(8.27, 11.69))
    places = ((0.08, 0.6, 0.4, 0.3), (0.52, 0.6, 0.4, 0.3))
    axes = [page.add_axes(place) for place in places]
    drawings = [draw_schematic(made, "lfo"), draw_schematic(made, "input")]
    first = draw_on(axes[0], drawings[0])
    second = draw_on(axes[1], drawings[1], largest_inches=first)
    assert first == second == pytest.approx(0.4 * 8.27 / units_wide(drawings[0]))
    renderer = FigureCanvasAgg(page).get_renderer()
    for here, drawing in zip(axes, drawings, strict=True):
        sizes = [text.get_fontsize() for text in here.texts]
        whole = FONT_POINTS * first / PAPER_INCHES
        assert {round(size, 3) for size in sizes} <= {round(whole, 3), round(0.72 * whole, 3)}  # in a triangle smaller
        assert max(sizes) == pytest.approx(whole)
        frame = here.get_window_extent(renderer)
        inked = Bbox.union([artist.get_window_extent(renderer) for artist in [*here.texts, *here.lines]])
        assert frame.x0 <= inked.x0 < inked.x1 <= frame.x1 + 1
        assert frame.y0 <= inked.y0 < inked.y1 <= frame.y1 + 1
        scale = here.transData.transform([(0, 0), (1, 1)])
        across, up = np.diff(scale, axis=0)[0] / page.dpi
        assert (across, up) == pytest.approx((first, first))
        assert inked.height / page.dpi <= units_high(drawing) * first


def test_orders_make_the_blocks_that_are_drawn() -> None:
    """Order 2 has one second-order drawing, 3 a third-order one, 5 both: the test voicings reach both drawings."""
    kinds = [[isinstance(b, SecondOrder) for b in filtered(order, "butterworth").blocks.anti_alias] for order in ORDERS]
    assert kinds == [[True], [False], [True, True], [False, True], [True, True, True]]


def test_everything_else_has_its_reference() -> None:
    """Amplifiers, devices, gain cells, switches and the diode carry the numbers of the parts list."""
    made = shipped("harbour-dusk")
    for key in made.blocks.by_name:
        shown = " ".join(texts(draw_schematic(made, key)))
        for other in list_actives(made):
            if other.block == key:
                assert re.search(rf"\b{other.ref}\b", shown), (key, other)

