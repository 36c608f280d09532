"""A drawing read back: what is joined to what, and the voltages that follow from it by nodal analysis.

Nothing here knows a block's equations. Places that a wire joins, or that lie on one, are one net; a resistor, pot or
capacitor is told by its symbol and the words written next to it; amplifiers are ideal.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import schemdraw.elements as elm
from schemdraw import Drawing
from schemdraw.segments import SegmentText

Place = tuple[float, float]
LABEL = re.compile(r"\b((?:RV|R|C)\d+)(?: ([ab]))?[ \n]([\d.]+)([pnumkM]?)(?!\S)")
PREFIX = {"p": 1e-12, "n": 1e-9, "u": 1e-6, "m": 1e-3, "": 1.0, "k": 1e3, "M": 1e6}
TWO_ENDS = (elm.ResistorIEC, elm.Capacitor, elm.Line, elm.Switch, elm.Diode)  # pots and arrows are some of these


def place(at: Any) -> Place:
    return round(float(at[0]), 4) + 0.0, round(float(at[1]), 4) + 0.0


def texts(drawing: Drawing) -> list[str]:
    """Every word on a drawing."""
    return [piece.text for piece in drawing.get_segments() if isinstance(piece, SegmentText)]


def labels(drawing: Drawing) -> list[tuple[str, str, float]]:
    """(reference, track or nothing, value) of every label."""
    return [_label(text) for text in texts(drawing) if LABEL.search(text)]


def _label(text: str) -> tuple[str, str, float]:
    ref, track, number, prefix = LABEL.search(text).groups()
    return ref, track or "", float(number) * PREFIX[prefix]


def parts(drawing: Drawing) -> Iterator[tuple[Any, str, str, float]]:
    """Each symbol of a part with the reference, track and value written next after it."""
    for symbol, words in zip(drawing.elements, drawing.elements[1:], strict=False):
        if isinstance(symbol, elm.ResistorIEC | elm.Capacitor):
            yield symbol, *_label(words.segments[0].text)


def ends(drawing: Drawing) -> list[Place]:
    """Both ends of wires and parts, wipers, pins of amplifiers, contacts, grounds and rails."""
    found = []
    for element in drawing.elements:
        names: tuple[str, ...] = ()
        if isinstance(element, elm.Opamp):
            names = ("in1", "in2", "out")
        elif isinstance(element, elm.SwitchSpdt2):
            names = ("a", "b", "c")
        elif isinstance(element, TWO_ENDS):
            names = ("start", "end", "tap") if isinstance(element, elm.PotentiometerIEC) else ("start", "end")
        elif isinstance(element, elm.Ground | elm.Vdd):
            names = ("start",)
        found += [place(element.absanchors[name]) for name in names]
    return found


def wires(drawing: Drawing) -> list[tuple[Place, Place]]:
    return [(place(e.start), place(e.end)) for e in drawing.elements if isinstance(e, elm.Line)]


def inside(at: Place, wire: tuple[Place, Place]) -> bool:
    """Whether a place lies on a wire, its ends left out."""
    (x, y), ((x0, y0), (x1, y1)) = at, wire
    along = (x - x0) * (x1 - x0) + (y - y0) * (y1 - y0)
    beside = (x - x0) * (y1 - y0) - (y - y0) * (x1 - x0)
    length = np.hypot(x1 - x0, y1 - y0)
    return bool(abs(beside) < 1e-3 * length and 1e-3 * length < along < length * (length - 1e-3))


def dots(drawing: Drawing, *, hollow: bool) -> list[Place]:
    """Joints, or with ``hollow`` the ends at the bias node."""
    drawn = [e for e in drawing.elements if type(e) is elm.Dot]
    return [place(e.start) for e in drawn if bool(e.params.get("open")) == hollow]


class Network:
    """Nets of one drawing, ready to be solved."""

    def __init__(self, drawing: Drawing, *, fast: bool = True) -> None:
        self.drawing = drawing
        self._root: dict[Place, Place] = {}
        known = {*ends(drawing), *dots(drawing, hollow=True)}
        for wire in wires(drawing):
            for at in [*wire, *(at for at in known if inside(at, wire))]:
                self._join(wire[0], at)
        for element in drawing.elements:
            if type(element) is elm.SwitchSpdt2:
                self._join(place(element.a), place(element.b if fast else element.c))
            elif type(element) is elm.Switch and not fast:
                self._join(place(element.start), place(element.end))

    def net(self, at: Place) -> Place:
        """The net of a place."""
        at = place(at)
        while self._root.get(at, at) != at:
            at = self._root[at]
        return at

    def _join(self, one: Place, other: Place) -> None:
        self._root[self.net(one)] = self.net(other)

    def of(self, ref: str, track: str = "") -> tuple[Place, Place]:
        """The nets at both ends of a part."""
        symbol = next(s for s, found, told, _ in parts(self.drawing) if (found, told) == (ref, track))
        return self.net(symbol.start), self.net(symbol.end)

    def wiper(self, ref: str) -> Place:
        """The net of a pot's wiper."""
        return self.net(next(symbol.tap for symbol, found, _, _ in parts(self.drawing) if found == ref))

    def amplifiers(self) -> list[tuple[Place, Place, Place]]:
        """Nets of minus, plus and output of each."""
        found = [e for e in self.drawing.elements if isinstance(e, elm.Opamp)]
        return [(self.net(e.in1), self.net(e.in2), self.net(e.out)) for e in found]

    def grounds(self) -> set[Place]:
        """Ground, and the bias node, which stands still for a signal."""
        found = [place(e.start) for e in self.drawing.elements if isinstance(e, elm.Ground)]
        return {self.net(at) for at in [*found, *dots(self.drawing, hollow=True)]}

    def solve(
        self, sources: Mapping[Place, float], f_hz: float = 1e-9, tracks: Mapping[str, float] | None = None
    ) -> dict[Place, complex]:
        """Voltage of every net.

        Parameters
        ----------
        sources : mapping of place to voltage
            An amplifier whose output is a source is left out.
        tracks : mapping of ``ref`` or ``ref track`` to 0..1
            Where a wiper stands on the way from the track's start to its end.
        """
        held = dict.fromkeys(self.grounds(), 0.0) | {self.net(at): volts for at, volts in sources.items()}
        branches = list(self._branches(f_hz, tracks or {}))
        driven = [amplifier for amplifier in self.amplifiers() if amplifier[2] not in held]
        nets = sorted({n for a, b, _ in branches for n in (a, b)} | {n for a in driven for n in a} | set(held))
        index = {net: row for row, net in enumerate(nets)}
        size = len(nets) + len(driven)
        matrix, right = np.zeros((size, size), complex), np.zeros(size, complex)
        for one, other, admittance in branches:
            for here, there in ((one, other), (other, one)):
                if here not in held:
                    matrix[index[here], index[here]] += admittance
                    matrix[index[here], index[there]] -= admittance
        for net, volts in held.items():
            matrix[index[net], index[net]], right[index[net]] = 1.0, volts
        for row, (minus, plus, out) in enumerate(driven, start=len(nets)):
            matrix[index[out], row] = 1.0
            matrix[row, index[plus]], matrix[row, index[minus]] = 1.0, -1.0
        return dict(zip(nets, np.linalg.solve(matrix, right), strict=False))

    def _branches(self, f_hz: float, tracks: Mapping[str, float]) -> Iterator[tuple[Place, Place, complex]]:
        for symbol, ref, track, value in parts(self.drawing):
            start, end = self.net(symbol.start), self.net(symbol.end)
            if isinstance(symbol, elm.Capacitor):
                yield start, end, 2j * np.pi * f_hz * value
            elif isinstance(symbol, elm.PotentiometerIEC):
                share = min(max(tracks.get(f"{ref} {track}".strip(), 0.5), 1e-9), 1 - 1e-9)
                wiper = self.net(symbol.tap)
                yield start, wiper, 1 / (share * value)
                yield wiper, end, 1 / ((1 - share) * value)
            else:
                yield start, end, 1 / value
