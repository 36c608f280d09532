"""The session's tempo: from a clock, from taps or set; and the delay time that keeps to it.

The tempo belongs to the session, the note value to the voicing, or to the session where the voicing does not say.
Thread of everything: control.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction
from statistics import median
from typing import TYPE_CHECKING, Literal

from voicer.voicing import DIVISIONS

if TYPE_CHECKING:
    from voicer.control.events import Transport
    from voicer.voicing import Voicing

PAUSE_S = 2.5
"""A gap between taps longer than this starts a new count (24 beats a minute; own choice)."""

INTERVALS = 4
"""The median is taken over this many of the latest intervals, so that one slip does no harm (own choice)."""

LOWEST_BPM, HIGHEST_BPM = 20.0, 400.0

STEPS = ("1/4", "1/8 dotted", "1/8", "1/4 triplet", "1/8 triplet", "1/16", "1/2", "1/4 dotted")
"""The note values that the action next-division goes through (own choice)."""

_WORDS = {1: "whole notes", 2: "half notes", 4: "quarter notes", 8: "eighth notes", 16: "sixteenth notes",
          32: "thirty-second notes", 64: "sixty-fourth notes"}  # fmt: skip


_KINDS = ((Fraction(1), "", ""), (Fraction(3, 2), "dotted ", ""), (Fraction(2, 3), "", " in triplets"))
"""Plain, dotted and triplet: by how much they last, and the words around the plain name."""


class TapTempo:
    """Takes taps and gives the interval between them."""

    def __init__(self) -> None:
        self._taps_s: list[float] = []

    def tap(self, at_s: float) -> float | None:
        """Record a tap and give the tempo so far.

        Parameters
        ----------
        at_s : float
            Time of the tap in seconds, on any monotonic clock. A tap that is not later than the last is dropped.

        Returns
        -------
        float or None
            Median of the last up to 4 intervals in milliseconds; None after a first tap.
        """
        if self._taps_s and at_s - self._taps_s[-1] > PAUSE_S:
            self._taps_s.clear()
        if not self._taps_s or at_s > self._taps_s[-1]:
            self._taps_s = [*self._taps_s[-INTERVALS:], at_s]
        return self.milliseconds

    @property
    def milliseconds(self) -> float | None:
        """Median of the last up to 4 intervals in milliseconds; None with fewer than two taps."""
        pairs = zip(self._taps_s, self._taps_s[1:], strict=False)
        intervals_s = [later - earlier for earlier, later in pairs]
        return 1e3 * median(intervals_s) if intervals_s else None


@dataclass(frozen=True)
class Fitted:
    """A delay time that keeps to a tempo."""

    time_ms: float | None
    """None where neither a half nor a double of the wanted time lies within the voicing's span."""
    wholes: Fraction
    """The note value that is played, in whole notes."""
    line: str
    """What was changed to make it fit, in words; empty where nothing was."""


def told_wholes(wholes: Fraction) -> str:
    """A note value in words: ``dotted eighth notes``."""
    for factor, before, after in _KINDS:
        plain = wholes / factor
        if plain.numerator == 1 and plain.denominator in _WORDS:
            return f"{before}{_WORDS[plain.denominator]}{after}"
    return f"notes of {wholes.numerator}/{wholes.denominator}"


def fit(quarter_ms: float, wholes: Fraction, shortest_ms: float, longest_ms: float) -> Fitted:
    """The delay time of a note value, halved or doubled until the time control reaches it, never without a word.

    Parameters
    ----------
    quarter_ms : float, > 0
        Length of a quarter note.
    wholes : Fraction
        The note value in whole notes.
    shortest_ms, longest_ms : float
        Span of the time control.
    """
    wanted_ms = 4 * quarter_ms * float(wholes)
    octaves = 0
    while wanted_ms * 2.0**octaves > longest_ms:
        octaves -= 1
    while wanted_ms * 2.0**octaves < shortest_ms and octaves >= 0:
        octaves += 1
    if octaves == 0:
        return Fitted(wanted_ms, wholes, "")
    time_ms = wanted_ms * 2.0**octaves
    side, end_ms = ("beyond", longest_ms) if octaves < 0 else ("below", shortest_ms)
    limit = f"{wanted_ms:.4g} ms is {side} this voicing's {end_ms:.4g} ms"
    if not shortest_ms <= time_ms <= longest_ms:
        span = f"{shortest_ms:.4g}..{longest_ms:.4g} ms"
        return Fitted(None, wholes, f"{limit}, and no half or double of it falls within {span}: time unchanged")
    played = wholes * Fraction(2) ** octaves
    return Fitted(time_ms, played, f"{limit}: {told_wholes(wholes)} become {told_wholes(played)} at {time_ms:.4g} ms")


@dataclass
class Tempo:
    """What a session knows of the tempo."""

    bpm: float | None = None
    """Quarter notes a minute; None before any is known."""
    source: Literal["", "taps", "clock", "set", "setlist"] = ""
    division: str = "1/4"
    """The note value where the voicing does not say."""
    is_live: bool = False
    """Whether a clock is heard now."""
    transport: str = ""
    sixteenths: int | None = None
    taps: TapTempo = field(default_factory=TapTempo)

    def division_of(self, voicing: Voicing) -> str:
        """The note value that a voicing plays."""
        return self.division if voicing.delay.division == "session" else voicing.delay.division

    def follows_on_recall(self, voicing: Voicing) -> bool:
        """Whether a voicing that is called up takes its time from the tempo.

        It does while a clock is heard and in a setlist that gives the tempo; after taps only where it says its own note
        value, since a voicing without one was saved with the time it is meant to have.
        """
        if self.bpm is None:
            return False
        return self.is_live or self.source == "setlist" or voicing.delay.division != "session"

    def fitted(self, voicing: Voicing) -> Fitted | None:
        """The delay time of this voicing at this tempo; None without a tempo."""
        if self.bpm is None:
            return None
        delay = voicing.delay
        return fit(60_000 / self.bpm, DIVISIONS[self.division_of(voicing)], delay.shortest_ms, delay.longest_ms)

    def next_division(self, now: str) -> str:
        """The note value after that one."""
        return STEPS[(STEPS.index(now) + 1) % len(STEPS)] if now in STEPS else STEPS[0]

    def note(self, event: Transport) -> str:
        """What a sequencer did, in words."""
        self.transport = event.kind
        if event.kind == "lost":
            self.is_live = False
            at = f"; the tempo stays at {self.bpm:.1f} beats a minute" if self.bpm is not None else ""
            return f"the clock of '{event.by}' is lost{at}"
        if event.kind == "start":
            self.sixteenths = 0
        return {"start": "sequencer started", "continue": "sequencer goes on", "stop": "sequencer stopped"}[event.kind]

    @property
    def told(self) -> str:
        """Tempo and where it comes from, for screens; empty without one."""
        if self.bpm is None:
            return ""
        place = f", bar {self.sixteenths // 16 + 1}" if self.sixteenths is not None and self.is_live else ""
        return f"{self.bpm:.1f}/min ({self.source}{place})"
