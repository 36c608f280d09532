"""What each repeat loses: the response of one repeat after the other."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from voicer.drawing.paper import GUIDE, INK
from voicer.drawing.repeats import LOWEST_DB, LOWEST_HZ, RepeatCurves, draw_repeats
from voicer.errors import CircuitError, VoicingError
from voicer.explain.chapter import TEXT, Array, Chapter, Omission, decibels
from voicer.explain.claims import Claim, Subject
from voicer.measure import predict, probes

FEWEST, MOST = 2, 5
"""Repeats that are shown, as far as they are louder than the bottom of the picture."""

GIVEN_FEEDBACK = 0.5
"""Of a copy of a voicing that has no repeats."""

STEADY_DB = 0.05
"""A change per repeat below this is called none."""


@dataclass(frozen=True)
class Repeats(Chapter):
    """Responses of repeats 1, 2, 3 …, the feedback amplifier's gain in them, compander held."""

    subject: Subject
    f_hz: Array
    measured_db: Array
    """[shape=(repeats, frequencies)]"""
    predicted_hz: Array
    predicted_db: Array
    loudest: int
    """Index in ``f_hz`` at which the last repeat is loudest."""

    name = "repeats"
    title = "What each repeat loses"

    @property
    def widths_hz(self) -> list[float]:
        """Upper -3 dB point of each measured repeat."""
        return [predict.corners_hz(self.f_hz, 10 ** (level_db / 20))[1] for level_db in self.measured_db]

    @property
    def claims(self) -> tuple[Claim, ...]:
        """How wide each is, whether each is darker than the one before, and how much softer."""
        widths = self.widths_hz
        names = [f"w{number}_hz" for number in range(1, len(widths) + 1)]
        text = ", ".join(f"{{{name}:.0f}}" for name in names[:-1]) + f" and {{{names[-1]}:.0f}} Hz"
        wide = Claim(
            "repeats.widths", f"Repeats 1 to {len(widths)} reach up to {text} (3 dB below each one's peak).",
            dict(zip(names, widths, strict=True)),
        )  # fmt: skip
        losses = "the filters, the hold and the lossy transfers" if self.subject.shown.flaws.transfer_loss else (
            "the filters and the hold"
        )  # fmt: skip
        darker = Claim(
            "repeats.darker", "Each has passed {losses} once more than the one before, and is darker for it.",
            {"losses": losses},
        )  # fmt: skip
        wider = Claim("repeats.not_darker", "They do not get darker one after the other.")
        falls = all(after < before for before, after in pairwise(widths))
        return (wide, darker if falls else wider, self._level(), *self._held())

    def _level(self) -> Claim:
        step_db = float(np.diff(self.measured_db[:, self.loudest]).mean())
        where = {"f_hz": float(self.f_hz[self.loudest])}
        if abs(step_db) < STEADY_DB:
            return Claim("repeats.steady", "At {f_hz:.0f} Hz, the last one's peak, all have the same level.", where)
        words = "softer" if step_db < 0 else "louder"
        return Claim(
            "repeats.level",
            "At {f_hz:.0f} Hz, the last one's peak, each is on average {step_db:.1f} dB {words} than the one before.",
            where | {"step_db": abs(step_db), "words": words},
        )

    def _held(self) -> tuple[Claim, ...]:
        if not self.subject.circuit.compander.enabled:
            return ()
        return (Claim("repeats.held", "The compander's gain is held here, so that the shapes can be compared."),)

    def draw(self, figure: Any) -> None:
        """Lines from the circuit, dots as measured."""
        axes = figure.subplots()
        curves = RepeatCurves(
            self.predicted_hz, self.predicted_db, self.subject.circuit.clock_hz / 2, self.f_hz, self.measured_db
        )
        draw_repeats(axes, curves, ink=INK, guide=GUIDE, text=TEXT)
        axes.set_title("lines: from the circuit; dots: as measured")


def demonstrate_repeats(subject: Subject) -> list[Repeats | Omission]:
    """Measure pass after pass; of a voicing without feedback, on a copy that has some."""
    try:
        if not subject.shown.repeats.feedback:
            subject = subject.changed({"repeats.feedback": GIVEN_FEEDBACK}, "it has no repeats")
        return [_measure(subject)]
    except (VoicingError, CircuitError) as error:
        return [Omission(Repeats.title, str(error))]


def _measure(subject: Subject) -> Repeats:
    circuit = subject.circuit
    highest_hz = min(0.45 * circuit.clock_hz, 20_000.0)
    lines_hz = np.geomspace(LOWEST_HZ, min(0.5 * circuit.clock_hz, 20_000.0), 300)
    predicted_db = decibels(predict.repeat_gains(circuit, lines_hz, MOST))
    count = max(FEWEST, int((predicted_db.max(axis=1) > LOWEST_DB + 3).sum()))
    f_hz = np.geomspace(40.0, highest_hz, 60)
    passes = probes.pass_responses(probes.echo_alone(probes.linear(circuit)), f_hz, count)
    gains = np.abs(np.array(passes)) * circuit.mixer.feedback_gain ** np.arange(count)[:, None]
    measured_db = decibels(gains)
    loudest = int(np.argmax(measured_db[-1]))
    return Repeats(subject, f_hz, measured_db, lines_hz, predicted_db[:count], loudest)
