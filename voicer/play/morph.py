"""The way from one voicing to another: every parameter along its own curve, and never louder than both ends. Pure.

Times and frequencies move in proportion, levels in decibels, feedback by its distance to the edge of self-oscillation,
all other numbers evenly. Switches, choices, whole numbers and the line change over in the middle. Name and notes stay
those of the first voicing. Both ends are the voicings themselves.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from voicer.board import PartChoice
from voicer.errors import VoicerError, VoicingError
from voicer.voicing import RATE_SPAN_HZ, Parameter, Voicing, parameters

MIDDLE = 0.5
"""Where what cannot move changes over."""

PLAY = 0.02
"""It changes back this much further on the way back, so that a hand held at the middle does not switch to and fro."""

EDGE = 1.0
"""Feedback at which the echo sustains itself."""


@dataclass(frozen=True)
class Morph:
    """Two voicings and how far one has become the other."""

    start: Voicing
    end: Voicing
    end_name: str
    position: float = 0.0
    """0 is the first, 1 the second."""
    is_beyond: bool = False
    """Whether what cannot move is the second's."""

    def moved(self, position: float) -> Morph:
        """The same morph at another position 0..1."""
        turn = MIDDLE - PLAY if self.is_beyond else MIDDLE + PLAY
        is_beyond = position == 1.0 or (position != 0.0 and position > turn)
        return replace(self, position=position, is_beyond=is_beyond)

    def with_both(self, values: dict[str, Any]) -> Morph:
        """The same morph with parameters that are alike at both ends, where both can have them; else as it is."""
        try:
            return replace(self, start=self.start.changed(values), end=self.end.changed(values))
        except VoicerError:
            return self

    def voicing(self, parts: PartChoice) -> Voicing:
        """The voicing at this position.

        Its loop gain, at its loudest pitch and for loud and soft sounds, is never above the greater of both ends'.

        Raises
        ------
        VoicingError
            Where no voicing lies in between, neither with the one's stages and switches nor with the other's.
        """
        if self.position in (0.0, 1.0):
            end = self.end if self.position else self.start
            return end.changed({"name": self.start.name, "notes": self.start.notes})
        refusal: VoicerError | None = None
        for is_beyond in (self.is_beyond, not self.is_beyond):
            try:
                return self._held(self._between(is_beyond), parts)
            except VoicerError as error:
                refusal = refusal or error
        raise VoicingError(f"no voicing lies at {100 * self.position:.0f} % of the way to '{self.end_name}': {refusal}")

    def _between(self, is_beyond: bool) -> Voicing:
        values: dict[str, Any] = {}
        for key, known in parameters().items():
            if known.kind == "text":
                continue
            a, b = self.start.get(key), self.end.get(key)
            if known.kind == "number":
                values[key] = a if a == b else float(f"{_mixed(known, a, b, self.position):.6g}")
            else:
                values[key] = b if is_beyond else a
        low_hz, high_hz = RATE_SPAN_HZ[values["modulation.range"]]
        values["modulation.rate_hz"] = min(max(values["modulation.rate_hz"], low_hz), high_hz)
        shortest_ms, longest_ms = values["delay.shortest_ms"], values["delay.longest_ms"]
        values["delay.time_ms"] = min(max(values["delay.time_ms"], shortest_ms), longest_ms)
        return self.start.changed(values)

    def _held(self, voicing: Voicing, parts: PartChoice) -> Voicing:
        most = max(_loop_gain(self.start, parts), _loop_gain(self.end, parts))
        for _ in range(4):
            gain = _loop_gain(voicing, parts)
            if gain <= most:
                return voicing
            feedback = voicing.repeats.feedback * most / gain * (1 - 1e-6)
            voicing = voicing.changed({"repeats.feedback": float(f"{feedback:.6g}")})
        return voicing.changed({"repeats.feedback": min(voicing.repeats.feedback, 0.0)})


def _mixed(known: Parameter, a: float, b: float, share: float) -> float:
    if known.key == "repeats.feedback":
        return _feedback(a, b, share)
    if known.unit in ("Hz", "ms") and a > 0 and b > 0:
        return float(a * (b / a) ** share)
    return a + (b - a) * share


def _feedback(a: float, b: float, share: float) -> float:
    """By the distance to the edge, in proportion, where both ends are on one side of it; evenly across it."""
    first, second = EDGE - a, EDGE - b
    if first * second <= 0:
        return a + (b - a) * share
    return float(EDGE - first * (second / first) ** share)


def _loop_gain(voicing: Voicing, parts: PartChoice) -> float:
    circuit = parts.fitted(voicing)[0].circuit(voicing)
    return max(circuit.loop_gain(circuit.clock_hz), circuit.loop_gain_in_silence(circuit.clock_hz))
