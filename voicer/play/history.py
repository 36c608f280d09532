"""Undo and redo: what stood before each thing the player did. Thread of everything: control."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from voicer.board import PartChoice
    from voicer.play.morph import Morph
    from voicer.voicing import Voicing

STEPS = 500
"""Steps that can be undone; the oldest go first."""

JOINED_S = 1.0
"""Moves of a control that follow each other within this time are one step."""


@dataclass(frozen=True)
class Copy:
    """One of two working copies."""

    voicing: Voicing
    parts: PartChoice


@dataclass(frozen=True)
class Mark:
    """Everything that undo brings back."""

    name: str
    voicing: Voicing
    parts: PartChoice
    song: int | None
    division: str
    """The session's note value."""
    label: str
    """Which copy is played, ``A`` or ``B``."""
    other: Copy | None
    morph: Morph | None


@dataclass
class _Step:
    before: Mark
    what: str
    keys: dict[str, float]
    """Parameters moved, with the time of the last move of each; empty for anything but moves."""


class History:
    """Steps back and forth."""

    def __init__(self) -> None:
        self._past: deque[_Step] = deque(maxlen=STEPS)
        self._future: list[_Step] = []

    @property
    def depth(self) -> int:
        """How many steps can be undone."""
        return len(self._past)

    def note(self, before: Mark, what: str) -> None:
        """Something was done; ``before`` is what stood before it."""
        self._future.clear()
        self._past.append(_Step(before, what, {}))

    def note_moves(self, before: Mark, keys: list[str], at_s: float) -> None:
        """Parameters were moved. With moves of one of them less than `JOINED_S` ago it is one step.

        Steps of other controls in between, as when two hands turn two knobs, join it.
        """
        self._future.clear()
        step = self._joined(keys, at_s)
        if step is None:
            step = _Step(before, "", {})
            self._past.append(step)
        step.keys |= dict.fromkeys(keys, at_s)
        step.what = " and ".join(list(step.keys)[:2]) + (" and more" if len(step.keys) > 2 else "")

    def note_tempo(self, before: Mark) -> None:
        """The clock moved the delay time: one step, however often, until something else is done."""
        if self._past and self._past[-1].what == "the clock's tempo":
            self._future.clear()
            return
        self.note(before, "the clock's tempo")

    def undo(self, now: Mark) -> tuple[Mark, str] | None:
        """What stood before the last step, and what is undone; None at the start."""
        if not self._past:
            return None
        step = self._past.pop()
        self._future.append(_Step(now, step.what, {}))
        return step.before, step.what

    def redo(self, now: Mark) -> tuple[Mark, str] | None:
        """What stood after the step undone last, and what is done again; None at the end."""
        if not self._future:
            return None
        step = self._future.pop()
        self._past.append(_Step(now, step.what, {}))
        return step.before, step.what

    def _joined(self, keys: list[str], at_s: float) -> _Step | None:
        """The step that moves of these parameters belong to, all later steps of moves folded into it."""
        for back, step in enumerate(reversed(self._past)):
            if not step.keys or max(step.keys.values()) < at_s - JOINED_S:
                return None
            if any(step.keys.get(key, float("-inf")) >= at_s - JOINED_S for key in keys):
                for _ in range(back):
                    step.keys |= self._past.pop().keys
                return step
        return None
