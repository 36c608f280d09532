"""Learning while playing: choose a parameter or an action, move a control, it is bound. For every face alike.

Thread: control. While something is learnt the messages of the port that is moved do nothing else.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import get_args

from voicer.control.controller import Came
from voicer.control.learning import Found, Recogniser, Request
from voicer.control.map_edit import bind, file_for, undo
from voicer.control.mapfile import Action
from voicer.control.messages import TimeMessage
from voicer.control.targets import SESSION, target
from voicer.errors import VoicerError, VoicingError, did_you_mean
from voicer.voicing import parameters

ACTIONS: tuple[str, ...] = get_args(Action)


@dataclass(frozen=True)
class Told:
    """A line for the player."""

    line: str
    bad: bool = False


class Binder:
    """What is being learnt, and what was.

    Parameters
    ----------
    now_s : callable
        `time.monotonic`, the clock of messages.
    """

    def __init__(self, now_s: Callable[[], float] = time.monotonic) -> None:
        self._now_s = now_s
        self.wanted = ""
        """What is to be bound; empty while nothing is learnt."""
        self.pending: Found | None = None
        """A control that has another use, until `replace` or another `begin`."""
        self._port = ""
        self._recogniser = Recogniser()
        self._asked = ""
        self._last: Path | None = None

    def begin(self, wanted: str) -> str:
        """Learn what is to move this parameter or do this action; `VoicingError` for neither."""
        if wanted not in ACTIONS:
            known = [*parameters(), *SESSION]
            if wanted not in known:
                raise VoicingError(f"there is no parameter or action '{wanted}'",
                                   remedy=did_you_mean(wanted, [*known, *ACTIONS]))
            if target(wanted).kind == "text":
                raise VoicingError(f"{wanted} is a text and cannot be moved by a control")
        self.wanted, self.pending, self._port, self._asked = wanted, None, "", ""
        self._recogniser = Recogniser(wants_button=self.is_action)
        return f"{'press a button' if self.is_action else 'turn a control up and down'} for {wanted}"

    @property
    def is_action(self) -> bool:
        """Whether an action is to be bound."""
        return self.wanted in ACTIONS

    def cancel(self) -> str:
        """Learn nothing any more."""
        self.wanted, self.pending = "", None
        return "nothing is learnt"

    def hear(self, came: Came) -> bool:
        """Take a message, if it belongs to what is learnt (`controller.Controller.taken`)."""
        if not self.wanted or self.pending or came.message is None or isinstance(came.message, TimeMessage):
            return False
        if self._port in ("", came.port):
            self._port = came.port
            self._recogniser.take(came.message, came.at_s)
            return True
        return False

    def look(self) -> list[Told]:
        """What there is to say by now; binds as soon as the control is known. Call it some ten times a second."""
        if not self.wanted or self.pending:
            return []
        found = self._recogniser.found(self._now_s())
        if found is None:
            return []
        if isinstance(found, Request):
            if found.line == self._asked:
                return []
            self._asked = found.line
            return [Told(found.line)]
        return [self._bound(found, replace=False)]

    def replace(self) -> Told:
        """Give up the other use of the control that was moved."""
        if self.pending is None:
            return Told("there is nothing to replace")
        found, self.pending = self.pending, None
        return self._bound(found, replace=True)

    def undo(self) -> Told:
        """Bring back the map as it was before the last binding."""
        if self._last is None:
            return Told("nothing was learnt yet")
        try:
            return Told(undo(self._last))
        except VoicerError as error:
            return Told(str(error), bad=True)

    def _bound(self, found: Found, *, replace: bool) -> Told:
        path = file_for(self._port)
        try:
            line = bind(path, self._port, found, self.wanted, self.is_action, replace=replace)
        except VoicerError as error:
            if "is already on" in str(error):
                self.pending = found
            else:
                self.begin(self.wanted)
            return Told(str(error), bad=True)
        self._last, self.wanted = path, ""
        return Told(f"{line} ({found.told.partition(', ')[2]})")
