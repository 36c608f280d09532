"""Sentences whose numbers are data: a claim is rendered to text from the very values it was decided by."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

from voicer.board import design
from voicer.circuit import Circuit
from voicer.voicing import Voicing, parameters


@dataclass(frozen=True)
class Claim:
    """One sentence about a picture or a sound."""

    key: str
    """What is claimed, for whoever checks it: ``folding.copy``."""
    template: str
    """The sentence, its values in braces."""
    values: Mapping[str, float | str] = field(default_factory=dict)

    @property
    def text(self) -> str:
        """The sentence."""
        return self.template.format(**self.values)


@dataclass(frozen=True)
class Subject:
    """What a chapter is shown on: the voicing itself, or a changed copy of it."""

    original: Voicing
    shown: Voicing
    reason: str = ""
    """Why a copy is shown: ``it has no repeats``."""

    @cached_property
    def circuit(self) -> Circuit:
        """Circuit of what is shown."""
        return design(self.shown)

    @property
    def changes(self) -> dict[str, str]:
        """Every parameter that was changed, in words: ``delay.time_ms 40 instead of 12``."""
        return changes_between(self.original, self.shown)

    @property
    def note(self) -> str:
        """Names the copy and lists exactly what was changed; empty for the voicing itself."""
        if not self.changes:
            return ""
        return f"Changed copy, not the voicing itself: {self.reason}. Changed: {'; '.join(self.changes.values())}."

    def changed(self, values: Mapping[str, float | str], reason: str = "") -> Subject:
        """A copy of what is shown with these parameters, its reason added to those before.

        Raises `VoicingError` or `CircuitError` if it cannot be made.
        """
        reasons = "; ".join(one for one in (self.reason, reason) if one)
        copy = Subject(self.original, self.shown.changed(dict(values)), reasons)
        _ = copy.circuit
        return copy


LEAST_BLEND, GIVEN_BLEND = 0.05, 0.5
"""With less echo in the output than the first, a copy with the second is heard."""


def with_echo(subject: Subject) -> Subject:
    """What is shown, or a copy of it with some echo in its output."""
    if subject.shown.output.blend >= LEAST_BLEND:
        return subject
    return subject.changed({"output.blend": GIVEN_BLEND}, "its output holds hardly any echo")


def subject_of(voicing: Voicing) -> Subject:
    """The voicing itself."""
    return Subject(voicing, voicing)


def changes_between(before: Voicing, after: Voicing) -> dict[str, str]:
    """Every parameter that differs, by key, in words: ``delay.time_ms 40 instead of 12``."""
    return {
        key: f"{key} {_plain(after.get(key))} instead of {_plain(before.get(key))}"
        for key in parameters()
        if after.get(key) != before.get(key)
    }


def _plain(value: object) -> str:
    return f"{value:.4g}" if isinstance(value, float) else str(value).lower() if isinstance(value, bool) else str(value)
