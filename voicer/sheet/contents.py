"""The contents of a build sheet, computed once for the terminal, for JSON and for the printed pages."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

from voicer.board.actives import Active, list_actives
from voicer.board.board import Board, design_board
from voicer.board.figures import Compared, compare_figures
from voicer.board.part_choice import PartChoice
from voicer.board.parts import Part
from voicer.board.readback import differences, voicing_of
from voicer.board.spread import UNITS, Sensitivity, Spread, compute_sensitivities, compute_spread
from voicer.circuit.advice import remarks
from voicer.circuit.circuit import Circuit
from voicer.circuit.tails import Tail, predict_tails
from voicer.voicing import Voicing

CAUTIONS = (
    "These values are a starting point, to be verified on the bench; this is not a tested product.",
    "Use only a low-voltage, isolated supply: a 9 V battery, or an isolated wall supply with a current limit. Never "
    "open mains-powered equipment, or connect this board to any.",
    "Before applying power, check the polarity of the diode, electrolytic capacitors and bucket-brigade devices, and "
    "every part's ratings.",
    "Solder with fume extraction and eye protection, and keep the iron in its stand; wash your hands afterwards.",
    "Self-oscillation gets loud suddenly: power up for the first time with the monitor turned down, repeats at zero "
    "and no headphones on.",
    "Local electrical codes and licensed practice take precedence.",
)

BLOCK_TITLES = {
    "supply": "Supply and bias node", "input": "Input buffer", "sum": "Input sum and repeats", "low_cut": "Low cut",
    "compander": "Compressor and expander", "line_level": "Make-up amplifier",
    "output_coupling": "Output coupling", "mixer": "Output mixer", "clock": "Two-phase clock",
    "lfo": "Low-frequency oscillator", "depth": "Modulation depth",
}  # fmt: skip


@dataclass(frozen=True)
class BuildSheet:
    """The board of one voicing: what was asked for, and what its parts make of it."""

    voicing: Voicing
    choice: PartChoice
    asked: Board
    """With exact values."""
    board: Board
    """With the values on the sheet: those of one unit, or measured ones, if that is asked for."""
    nominal: Board
    """With the nominal values, around which the spread lies."""
    units: int = UNITS

    @property
    def says(self) -> str:
        """Which parts these are, such as ``E24 parts, unit 3``."""
        return replace(self.choice, series=self.choice.series_name).describe(self.nominal.parts)

    @cached_property
    def parts(self) -> list[Part]:
        """Resistors, pots and capacitors."""
        return self.board.parts

    @cached_property
    def actives(self) -> list[Active]:
        """Everything else that is bought."""
        return list_actives(self.board)

    @cached_property
    def circuit(self) -> Circuit:
        """The circuit these parts make, as it is heard."""
        return self.board.circuit()

    @cached_property
    def figures(self) -> list[Compared]:
        """Each figure as asked for and as these parts make it."""
        return compare_figures(self.asked, self.board)

    @cached_property
    def spread(self) -> Spread:
        """The spread over many units of this board."""
        return compute_spread(self.nominal, self.choice.tolerances, self.units)

    @cached_property
    def sensitivities(self) -> dict[str, list[Sensitivity]]:
        """Which parts affect each figure, and how much."""
        return compute_sensitivities(self.nominal, self.choice.tolerances)

    @cached_property
    def made(self) -> tuple[Voicing, list[str]]:
        """The voicing these parts make, and a line for each number held at the limit of its range."""
        return voicing_of(self.board, self.choice.series_name, capacitors=self.choice.capacitors)

    @cached_property
    def tails(self) -> list[tuple[Tail, Tail]]:
        """Tails at both ends and the middle of the time control, asked and got; empty without repeats."""
        if not self.voicing.repeats.feedback:
            return []
        return list(zip(predict_tails(self.asked.circuit()), predict_tails(self.circuit), strict=True))

    @cached_property
    def notes(self) -> list[str]:
        """What a builder should know about this board."""
        modulation = self.voicing.modulation
        found = [remark.line for remark in remarks(self.circuit)]
        off = sum(not row.ok for row in self.figures)
        if off:
            found.append(f"{off} of {len(self.figures)} figures are out of tolerance (marked \"off\")")
        if modulation.range != "off" and modulation.shape == "sine":
            found.append("the LFO on this board makes a triangle; a sine needs a shaper after it")
        if modulation.range == "off":
            found.append("modulation is off in this voicing, so the LFO and depth blocks can be left out")
        found += self.made[1]
        found.append("the board inverts polarity, of the dry sound and the echo alike")
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
            "tails": [
                {"time_s": got.time_s, "loudest_hz": got.f_hz, "loop_gain": got.loop_gain,
                 "db_per_repeat": got.db_per_repeat, "db_per_s": got.db_per_s,
                 "asked_db_per_repeat": asked.db_per_repeat, "asked_db_per_s": asked.db_per_s}
                for asked, got in self.tails
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
        Series, unit, swaps and tolerances; with nothing chosen, E24.
    measured : mapping of reference to value, optional
        Values measured on a real board, ohm or farad, to be used in place of the nominal ones.
    units : int
        Number of units in the spread.

    Raises
    ------
    CircuitError
        When the board cannot be built, or no part has one of the references.
    """
    heard = choice.board(voicing)
    if measured:
        heard = heard.with_values(measured)
    exact = design_board(voicing, "exact", capacitors=choice.capacitors)
    return BuildSheet(voicing, choice, exact, heard, choice.nominal(voicing), units)


def block_title(key: str) -> str:
    """Title of a block, such as ``Anti-alias filter, section 1``."""
    if key in BLOCK_TITLES:
        return BLOCK_TITLES[key]
    name, _, number = key.rpartition("_")
    if name == "line":
        return f"Delay line, device {number}"
    return f"{name.replace('_', '-').capitalize()} filter, section {number}"
