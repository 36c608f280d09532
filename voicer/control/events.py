"""What a player did, or a clock told, as the session takes it: from controllers, keys, panels and scripts alike."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    from voicer.control.mapfile import Action


@dataclass(frozen=True)
class Move:
    """The new value of a parameter, in its own unit and within its range."""

    key: str
    """A parameter of the voicing or of the session (`targets.target`)."""
    value: Any
    by: str = ""
    """Which control or face moved it; the session remembers the last one (`Session.mover_of`)."""
    glide_ms: float = 0.0
    """Over how long the sound is to follow, for a control of coarse steps; 0 leaves it to the session."""


@dataclass(frozen=True)
class Press:
    """An action was asked for at ``at_s`` (`time.monotonic`; tap tempo needs it)."""

    action: Action
    at_s: float = 0.0
    by: str = ""
    held: bool | None = None
    """Of a button that acts as long as it is held: whether it went down or came up; None for any other press."""


@dataclass(frozen=True)
class Recall:
    """Recall the voicing in a slot, counted from 0: bank times 128 plus program. The slot may be empty."""

    slot: int


@dataclass(frozen=True)
class Beat:
    """A clock has another tempo: the length of a quarter note."""

    interval_ms: float
    by: str = ""


@dataclass(frozen=True)
class Transport:
    """A clock was started, stopped, continued, or has not been heard for 2 s."""

    kind: Literal["start", "stop", "continue", "lost"]
    by: str = ""


@dataclass(frozen=True)
class SongPosition:
    """Where a sequencer stands, in sixteenth notes from the start of the song (MIDI 1.0, song position pointer)."""

    sixteenths: int
    by: str = ""


Gesture = Move | Press | Recall
"""What a hand does."""

Event = Gesture | Beat | Transport | SongPosition
