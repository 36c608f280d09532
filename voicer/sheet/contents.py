"""Everything a build sheet says, gathered once for the terminal, for JSON and for the printed pages."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

from voicer.board.actives import Active, actives
from voicer.board.board import Board, design_board
from voicer.board.figures import Compared, compared
from voicer.board.part_choice import PartChoice
from voicer.board.parts import Part
from voicer.board.readback import differences, voicing_of
from voicer.board.spread import UNITS, Sensitivity, Spread, sensitivities, spread
from voicer.circuit.advice import remarks
from voicer.circuit.circuit import Circuit
from voicer.voicing import Voicing

CAUTIONS = (
    "These values are a starting point to be verified on the bench, not a tested product.",
    "Low-voltage, isolated supply only: 9 V from a battery or an isolated, current-limited wall supply. Never open "
    "or connect mains-powered equipment for this.",
    "Check polarity (diode, electrolytic capacitors, the line's devices) and every rating before power is applied.",
    "Solder with fume extraction, eyes protected, iron in its stand; wash hands afterwards.",
    "Self-oscillation gets loud suddenly: first power-up with the monitor low, repeats at zero, no headphones.",
    "Local electrical codes and licensed practice come first.",
)

BLOCK_TITLES = {
    "supply": "Supply and bias node", "input": "Input buffer", "sum": "Input sum and repeats", "low_cut": "Low cut",
    "compander": "Compressor and expander", "line_level": "Make-up behind the line",
    "output_coupling": "Output coupling", "mixer": "Output mixer", "clock": "Two-phase clock",
    "lfo": "Slow oscillator", "depth": "Depth into the clock",
}  # fmt: skip


@dataclass(frozen=True)
class BuildSheet:
    """One voicing's board, what was asked of it and what its parts make."""

    voicing: Voicing
    choice: PartChoice
    asked: Board
    """Exact values."""
    board: Board
    """The values on the sheet: of one unit, or measured, if that is asked for."""
    nominal: Board
    """The values as printed on the parts; the spread is around these."""
    units: int = UNITS

    @property
    def says(self) -> str:
        """Which parts these are: ``E24 parts, unit 3``."""
        return replace(self.choice, series=self.choice.series_name).describe(self.nominal.parts)

    @cached_property
    def parts(self) -> list[Part]:
        """Resistors, pots and capacitors."""
        return self.board.parts

    @cached_property
    def actives(self) -> list[Active]:
        """Everything else that is bought."""
        return actives(self.board)

    @cached_property
    def circuit(self) -> Circuit:
        """What these parts make, as it is heard."""
        return self.board.circuit()

    @cached_property
    def figures(self) -> list[Compared]:
        """Asked and got."""
        return compared(self.asked, self.board)

    @cached_property
    def spread(self) -> Spread:
        """Many units of this board."""
        return spread(self.nominal, self.choice.tolerances, self.units)

    @cached_property
    def sensitivities(self) -> dict[str, list[Sensitivity]]:
        """Which parts move which figure."""
        return sensitivities(self.nominal, self.choice.tolerances)

    @cached_property
    def made(self) -> tuple[Voicing, list[str]]:
        """The voicing these parts make, and what of it lies beyond a voicing's ranges."""
        return voicing_of(self.board, self.choice.series_name, capacitors=self.choice.capacitors)

    @cached_property
    def notes(self) -> list[str]:
        """What to mind about this board."""
        modulation = self.voicing.modulation
        found = [remark.line for remark in remarks(self.circuit)]
        off = sum(not row.ok for row in self.figures)
        if off:
            found.append(f"{off} of {len(self.figures)} figures are off by more than what is let pass")
        if modulation.range != "off" and modulation.shape == "sine":
            found.append("the LFO of this board makes a triangle; for a sine a shaper has to follow it")
        if modulation.range == "off":
            found.append("modulation is off in this voicing: the LFO and depth blocks may be left out")
        found += self.made[1]
        found.append("the board inverts, dry sound and echo alike")
        return found

    def as_json(self) -> dict[str, Any]:
        """Plain data, units in the keys."""
        made, beyond = self.made
        return {
            "voicing": self.voicing.model_dump(),
            "series": {"resistors": self.choice.series_name, "capacitors": self.choice.capacitors},
            "parts": [
                {"ref": p.ref, "kind": p.kind, "value": p.value, "unit": "F" if p.kind == "capacitor" else "ohm",
                 "block": p.block, "name": p.name, "note": p.note} for p in self.parts
            ],
            "others": [{"ref": a.ref, "kind": a.kind, "what": a.what, "block": a.block, "note": a.note}
                       for a in self.actives],
            "controls": vars(self.board.controls),
            "figures": [
                {"key": row.figure.key, "label": row.figure.label, "unit": row.figure.unit, "asked": row.asked,
                 "got": row.got, "error": row.error, "rule": row.figure.rule, "ok": row.ok} for row in self.figures
            ],
            "spread": {
                "units": self.spread.units,
                "statement": self.spread.tolerances.statement,
                "percentiles": {key: dict(zip(("p5", "p50", "p95"), values, strict=True))
                                for key, values in self.spread.percentiles().items()},
                "response": {"f_hz": self.spread.f_hz.tolist(),
                             **dict(zip(("p5_db", "p50_db", "p95_db"), self.spread.response_db.tolist(),
                                        strict=True))},
            },
            "sensitivities": {
                key: [{"ref": s.part.ref, "slope": s.slope, "share": s.share} for s in found[:5]]
                for key, found in self.sensitivities.items()
            },
            "made": {"voicing": made.model_dump(), "beyond": beyond,
                     "differs": [{"key": key, "asked": a, "made": b} for key, a, b in differences(self.voicing, made)]},
            "notes": self.notes,
            "cautions": list(CAUTIONS),
        }  # fmt: skip


def build_sheet(
    voicing: Voicing, choice: PartChoice, *, measured: Mapping[str, float] | None = None, units: int = UNITS
) -> BuildSheet:
    """The sheet of a voicing.

    Parameters
    ----------
    voicing : Voicing
    choice : PartChoice
        Series, unit, swaps and tolerances; nothing chosen means E24.
    measured : mapping of reference to value, optional
        Values measured on a board, ohm or farad, in place of those on the sheet.
    units : int
        Of the spread.

    Raises
    ------
    CircuitError
        When the board cannot be built, or a reference is on no part.
    """
    heard = choice.board(voicing)
    if measured:
        heard = heard.with_values(measured)
    exact = design_board(voicing, "exact", capacitors=choice.capacitors)
    return BuildSheet(voicing, choice, exact, heard, choice.nominal(voicing), units)


def block_title(key: str) -> str:
    """Name of a block for people: ``Anti-alias filter, section 1``."""
    if key in BLOCK_TITLES:
        return BLOCK_TITLES[key]
    name, _, number = key.rpartition("_")
    if name == "line":
        return f"Line, device {number}"
    return f"{name.replace('_', '-').capitalize()} filter, section {number}"
