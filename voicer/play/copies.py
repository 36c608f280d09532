"""Listening to one thing against another: two working copies, and the player's against the saved. Thread: control."""

from __future__ import annotations

from typing import TYPE_CHECKING

from voicer.circuit.level import level_db
from voicer.errors import VoicingError
from voicer.play.history import Copy

if TYPE_CHECKING:
    from voicer.play.session import Session


class Copies:
    """Two working copies of a voicing, ``A`` and ``B``, and the saved one to compare either with."""

    def __init__(self) -> None:
        self.label = "A"
        self.other: Copy | None = None
        """The copy that is not played; None until one is made."""
        self.mine: Copy | None = None
        """The player's, while the saved one is heard."""
        self.is_matching = False
        """Whether what is compared sounds equally loud: the louder one is turned down."""

    def switch(self, session: Session) -> str:
        """Play the other copy; the first time, make it."""
        self.end_hearing(session)
        mark, now = session.mark(), Copy(session.voicing, session.parts)
        came, self.other = self.other, now
        self.label = "B" if self.label == "A" else "A"
        if came is None:
            session.history.note(mark, f"copy {self.label}")
            return f"copy {self.label}, the same as the one before until you change it"
        trim_db = self._trim_db(came, now)
        told = session.play_copy(came, "copy", trim_db)
        session.history.note(mark, f"copy {self.label}")
        return "; ".join([f"copy {self.label}{self._told(trim_db)}", *told])

    def hear_saved(self, session: Session, held: bool | None = None) -> str:
        """Play the saved voicing, and the player's again at the next call; as long as a button is held, if it tells."""
        if held is False or (held is None and self.mine is not None):
            return "yours again" if self.end_hearing(session) else ""
        if self.mine is not None:
            return ""
        now = Copy(session.voicing, session.parts)
        saved = Copy(session.file.voicing, session.parts)
        trim_db = self._trim_db(saved, now)
        told = session.play_copy(saved, "saved", trim_db)
        self.mine = now
        return "; ".join([f"the saved '{session.name}'{self._told(trim_db)}", *told])

    def end_hearing(self, session: Session) -> bool:
        """Play the player's again, if the saved one is heard."""
        if self.mine is None:
            return False
        mine, saved = self.mine, Copy(session.voicing, session.parts)
        self.mine = None
        session.play_copy(mine, "saved", self._trim_db(mine, saved))
        return True

    def check_own(self) -> None:
        """Refuse to save while the saved voicing is heard."""
        if self.mine is not None:
            raise VoicingError("what is saved must be your own voicing (the saved one is heard); "
                               "press hear-saved again first")

    def switch_matching(self, session: Session) -> str:
        """Compare at equal loudness, or as they are."""
        self.is_matching = not self.is_matching
        now = Copy(session.voicing, session.parts)
        against = self.mine or self.other or Copy(session.file.voicing, session.parts)
        trim_db = self._trim_db(now, against)
        session.play_copy(now, "copy", trim_db)
        if not self.is_matching:
            return "comparing at their own levels"
        difference_db = level_of(now) - level_of(against)
        if abs(difference_db) < 0.05:
            return "comparing at equal loudness; they are equally loud"
        louder, other = ("this one", "the other") if difference_db > 0 else ("the other", "this one")
        return (f"comparing at equal loudness: {louder} is {abs(difference_db):.1f} dB louder than {other} "
                "and is turned down by that")  # fmt: skip

    def forget(self) -> None:
        """Another voicing was called up: there is one copy again."""
        self.label, self.other, self.mine = "A", None, None

    def _trim_db(self, now: Copy, against: Copy) -> float:
        """By how much the one that is to play is turned down, dB."""
        return min(0.0, level_of(against) - level_of(now)) if self.is_matching else 0.0

    def _told(self, trim_db: float) -> str:
        if not self.is_matching:
            return ""
        return f", turned down {-trim_db:.1f} dB to match" if trim_db < -0.05 else ", matched"


def level_of(copy: Copy) -> float:
    """Level of a copy's output, dB, from its circuit."""
    return level_db(copy.parts.fitted(copy.voicing)[0].circuit(copy.voicing))
