"""What a press does: the name of each action, and the session's verb for it."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from voicer.control.events import Press
    from voicer.control.mapfile import Action
    from voicer.play.session import Session

Verb = Callable[["Session", "Press"], str]

ACTIONS: dict[Action, Verb] = {
    "tap-tempo": lambda session, press: session.tap(press.at_s),
    "panic": lambda session, _: session.panic(),
    "bypass": lambda session, _: session.switch_bypass("cut"),
    "bypass-tail": lambda session, _: session.switch_bypass("tail"),
    "next-voicing": lambda session, _: session.step(1),
    "previous-voicing": lambda session, _: session.step(-1),
    "next-division": lambda session, _: session.next_division(),
    "save": lambda session, _: session.save(),
    "save-new": lambda session, _: session.save_new(),
    "undo": lambda session, _: session.undo(),
    "redo": lambda session, _: session.redo(),
    "other-copy": lambda session, _: session.copies.switch(session),
    "hear-saved": lambda session, press: session.copies.hear_saved(session, press.held),
    "match-levels": lambda session, _: session.copies.switch_matching(session),
    "recall-tail": lambda session, _: session.switch_tail(),
    "morph-from-here": lambda session, _: session.morph_from_here(),
    "morph-to-next": lambda session, _: session.morph_to_next(),
    "record": lambda session, _: session.record(),
    "keep": lambda session, _: session.keep(),
    "modulation-range": lambda session, _: session.next_modulation(),
    "parts": lambda session, _: session.next_parts(),
    "put-back": lambda session, _: session.put_back_units(),
}
"""Every action a button, a key or a panel can ask for; `control.mapfile.Action` lists the same names."""
