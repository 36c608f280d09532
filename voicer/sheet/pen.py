"""A pen for schematics: parts of one block put at places, each with its reference and value beside it.

Places are in units, x to the right and y up; a resistor's body is one unit long. `PAPER_INCHES` is how large a unit
is where nobody asks for another size; letters and lines are sized for that and shrink with the drawing (`draw_on`).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any, Literal

import matplotlib
import schemdraw
import schemdraw.elements as elm
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from schemdraw.segments import SegmentText

from voicer.board.actives import ActiveKind, list_actives
from voicer.board.board import Board
from voicer.board.parts import Part
from voicer.board.values import short_value

Place = tuple[float, float]
Side = Literal["above", "below", "left", "right"]
Across = Literal["left", "center", "right"]
Up = Literal["bottom", "center", "top"]

FONT, FONT_POINTS, LINE_POINTS = "DejaVu Sans", 14.0, 1.5
PAPER_INCHES = 0.5
"""Length of a unit at the full size of the letters, inches."""

MARGIN = 0.2
"""White around a drawing, units."""

AMPLIFIER_SCALE = 0.8
AMPLIFIER_LENGTH, INPUT_OFFSET = 2.5 * 3**0.5 / 2 * AMPLIFIER_SCALE, 2.5 / 4 * AMPLIFIER_SCALE
"""Of the triangle, and of its inputs from its middle, units."""

_ALIGNED: dict[Side, tuple[float, float, Across, Up]] = {
    "above": (0.0, 0.38, "center", "bottom"),
    "below": (0.0, -0.38, "center", "top"),
    "left": (-0.42, 0.0, "right", "center"),
    "right": (0.42, 0.0, "left", "center"),
}


@dataclass(frozen=True)
class Amplifier:
    """Where an amplifier that has been drawn is to be connected."""

    minus: Place
    plus: Place
    out: Place


def new_drawing() -> schemdraw.Drawing:
    """An empty sheet: black lines, one font."""
    drawing = schemdraw.Drawing(show=False)
    drawing.config(
        inches_per_unit=PAPER_INCHES, font=FONT, fontsize=FONT_POINTS, lw=LINE_POINTS, color="black", margin=MARGIN
    )
    return drawing


class Pen:
    """Draws one block of a board."""

    def __init__(self, board: Board, key: str) -> None:
        self.drawing = new_drawing()
        self.parts: dict[str, Part] = {part.name: part for part in board.parts if part.block == key}
        self._others = [other for other in list_actives(board) if other.block == key]

    def other(self, *kinds: ActiveKind) -> str:
        """Reference of the block's next part of such a kind; drawings take them in the order of the list."""
        found = next(other for other in self._others if other.kind in kinds)
        self._others.remove(found)
        return found.ref

    def wire(self, *places: Place) -> Place:
        """Straight wires from place to place; gives the last."""
        for start, end in pairwise(places):
            self.drawing.add(elm.Line().at(start).to(end))
        return places[-1]

    def arrow(self, start: Place, end: Place) -> Place:
        """A wire with its direction."""
        self.drawing.add(elm.Arrow().at(start).to(end))
        return end

    def dot(self, *places: Place) -> None:
        """Where wires are joined."""
        for place in places:
            self.drawing.add(elm.Dot(radius=0.07).at(place))

    def words(
        self, place: Place, text: str, across: Across = "center", up: Up = "center", points: float = FONT_POINTS
    ) -> None:
        """Text; ``across`` and ``up`` say which of its points lies at the place."""
        element = elm.Element().theta(0)
        element.segments.append(SegmentText((0, 0), text, align=(across, up), fontsize=points, font=FONT))
        self.drawing.add(element.at(place))

    def resistor(self, name: str, start: Place, end: Place, side: Side | None = None) -> Place:
        """The resistor of that field; gives its end."""
        self.drawing.add(elm.ResistorIEC().at(start).to(end))
        return self._told(name, start, end, side or _beside(start, end))

    def capacitor(self, name: str, start: Place, end: Place, side: Side | None = None, word: str = "") -> Place:
        """The capacitor of that field, a word behind its value; gives its end."""
        self.drawing.add(elm.Capacitor().at(start).to(end))
        return self._told(name, start, end, side or _beside(start, end), word=word)

    def diode(self, start: Place, end: Place, side: Side) -> Place:
        """The block's next diode, from anode to cathode; gives its end."""
        self.drawing.add(elm.Diode().at(start).to(end))
        across, up, left, bottom = _ALIGNED[side]
        middle = ((start[0] + end[0]) / 2 + across, (start[1] + end[1]) / 2 + up)
        self.words(middle, self.other("diode"), left, bottom)
        return end

    def pot(self, name: str, start: Place, end: Place, knob: str, *, track: str = "") -> Place:
        """The pot of that field; gives its wiper, on the left of the way from start to end.

        The wiper of a track drawn downwards is therefore on the right; the words stand on the other side.
        """
        drawn = self.drawing.add(elm.PotentiometerIEC().at(start).to(end))
        upright = abs(start[0] - end[0]) < 1e-9
        side: Side = ("left" if end[1] < start[1] else "right") if upright else "below"
        self._told(name, start, end, side, track=f" {track}" if track else "", word=f"\n{knob}")
        return float(drawn.tap[0]), float(drawn.tap[1])

    def rheostat(self, name: str, start: Place, end: Place, knob: str) -> Place:
        """A pot drawn from left to right whose wiper is joined to its end."""
        joint = (end[0] - 0.25, end[1])
        wiper = self.pot(name, start, joint, knob)
        self.wire(wiper, (joint[0], wiper[1]), joint, end)
        self.dot(joint)
        return end

    def ground(self, place: Place) -> None:
        """Ground, below a place."""
        self.drawing.add(elm.Ground().at(place))

    def rail(self, place: Place, name: str = "V+") -> None:
        """Supply, above a place."""
        self.drawing.add(elm.Vdd().at(place))
        self.words((place[0], place[1] + 0.58), name, up="bottom")

    def half(self, place: Place, side: Side = "below") -> None:
        """The bias node, half the supply, at the end of a wire."""
        across, up, left, bottom = _ALIGNED[side]
        end = (place[0] + across, place[1] + up)
        self.wire(place, end)
        self.drawing.add(elm.Dot(open=True, radius=0.09).at(end))
        self.words((end[0] + across / 2, end[1] + up / 2), "VB", left, bottom)

    def come(self, place: Place, text: str, length: float = 2.0) -> Place:
        """An arrow from another block, beginning at a place; gives its end."""
        self.words((place[0], place[1] + 0.18), text, "left", "bottom")
        return self.wire(self.arrow(place, (place[0] + length * 0.6, place[1])), (place[0] + length, place[1]))

    def go(self, place: Place, text: str, length: float = 2.0) -> Place:
        """An arrow to another block, beginning at a place; gives its end."""
        self.words((place[0] + length, place[1] + 0.18), text, "right", "bottom")
        return self.arrow(place, (place[0] + length, place[1]))

    def box(self, corner: Place, width: float, height: float, text: str = "") -> None:
        """A box with its lower left corner at a place, and words in its middle."""
        self.drawing.add(elm.Rect(corner1=(0, 0), corner2=(width, height)).at(corner).theta(0))
        if text:
            self.words((corner[0] + width / 2, corner[1] + height / 2), text)

    def amplifier(self, place: Place, *, plus_at_place: bool, plus_above: bool = False) -> Amplifier:
        """An amplifier with one input at a place: plus or minus, the upper or the lower one."""
        upper = plus_above == plus_at_place
        x, middle = place[0], place[1] + (-INPUT_OFFSET if upper else INPUT_OFFSET)
        symbol = elm.Opamp().scale(AMPLIFIER_SCALE).theta(0)
        self.drawing.add((symbol.flip() if plus_above else symbol).at((x, middle)))
        above, below = (x, middle + INPUT_OFFSET), (x, middle - INPUT_OFFSET)
        out = (x + AMPLIFIER_LENGTH, middle)
        ref = self.other("amplifier", "comparator")
        self.words((x + 0.62 * AMPLIFIER_LENGTH, middle), ref, "right", points=0.72 * FONT_POINTS)
        return Amplifier(below, above, out) if plus_above else Amplifier(above, below, out)

    def follower(self, place: Place) -> Place:
        """A follower with its input at a place; gives its output, 0.4 behind the triangle."""
        made = self.amplifier(place, plus_at_place=True)
        out, top = (made.out[0] + 0.4, made.out[1]), made.out[1] + 1.35
        self.wire(made.out, out, (out[0], top), (place[0] - 0.35, top), (place[0] - 0.35, made.minus[1]), made.minus)
        self.dot(out)
        return out

    def inverter(self, place: Place) -> Place:
        """An amplifier with its minus input at a place and plus at half the supply; gives its output."""
        made = self.amplifier(place, plus_at_place=False)
        self.half(self.wire(made.plus, (made.plus[0] - 0.4, made.plus[1])))
        return made.out

    def _told(self, name: str, start: Place, end: Place, side: Side, *, track: str = "", word: str = "") -> Place:
        """Reference and value beside a part: in one line along a lying one, else below each other."""
        part = self.parts[name]
        across, up, left, bottom = _ALIGNED[side]
        between = " " if side in ("above", "below") else "\n"
        middle = ((start[0] + end[0]) / 2 + across, (start[1] + end[1]) / 2 + up)
        self.words(middle, f"{part.ref}{track}{between}{short_value(part.value)}{word}", left, bottom)
        return end


def draw_on(axes: Axes, drawing: schemdraw.Drawing, largest_inches: float = PAPER_INCHES) -> float:
    """Draws at the upper left of a matplotlib axes, letters and lines shrunk with the rest.

    Parameters
    ----------
    axes : Axes
        Of a figure that has its size; what was drawn there stays.
    largest_inches : float
        A unit is drawn no larger than this, inches. The same number gives several drawings letters of one size.

    Returns
    -------
    float
        How large a unit has become, inches.
    """
    dpi, box = axes.figure.dpi, drawing.get_bbox()
    width, height = axes.bbox.width / dpi, axes.bbox.height / dpi
    unit = min(width / units_wide(drawing), height / units_high(drawing), largest_inches)
    before = set(axes.get_children())
    drawing.draw(canvas=axes, show=False)
    for artist in set(axes.get_children()) - before:
        _shrink(artist, unit / PAPER_INCHES)
    axes.set_xlim(box.xmin - MARGIN, box.xmin - MARGIN + width / unit)
    axes.set_ylim(box.ymax + MARGIN - height / unit, box.ymax + MARGIN)
    axes.set_axis_off()
    return unit


def units_wide(drawing: schemdraw.Drawing) -> float:
    """Width of a drawing with its white, units."""
    box = drawing.get_bbox()
    return float(box.xmax - box.xmin) + 2 * MARGIN


def units_high(drawing: schemdraw.Drawing) -> float:
    """Height of a drawing with its white, units."""
    box = drawing.get_bbox()
    return float(box.ymax - box.ymin) + 2 * MARGIN


def picture(drawing: schemdraw.Drawing, inches: float = PAPER_INCHES) -> Figure:
    """A figure that the drawing fills, a unit as large as asked; not known to pyplot, so nothing need be closed."""
    figure = Figure(figsize=(units_wide(drawing) * inches, units_high(drawing) * inches), facecolor="white")
    draw_on(figure.add_axes((0, 0, 1, 1)), drawing, inches)
    return figure


def save(drawing: schemdraw.Drawing, path: Path, dpi: float = 150) -> None:
    """Write a drawing as ``.png``, ``.svg`` or ``.pdf``; an SVG is the same whenever it is written."""
    with matplotlib.rc_context({"svg.hashsalt": "voicer"}):
        picture(drawing).savefig(path, dpi=dpi, metadata={"Date": None} if path.suffix == ".svg" else None)


def _shrink(artist: Any, factor: float) -> None:
    artist.set_snap(False)  # rounded to whole pixels one by one, the ends of a level wire may differ
    if hasattr(artist, "set_fontsize"):
        artist.set_fontsize(artist.get_fontsize() * factor)
    elif hasattr(artist, "set_linewidth"):
        artist.set_linewidth(artist.get_linewidth() * factor)


def _beside(start: Place, end: Place) -> Side:
    return "right" if abs(start[0] - end[0]) < 1e-9 else "above"
