"""What tests of controls share: a voicing as it stands, and events without who sent them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from voicer.control.events import Beat, Event, Move, Press, SongPosition, Transport

if TYPE_CHECKING:
    from voicer.voicing import Voicing


class At:
    """A voicing as it stands, last moved by nobody in particular; `take` lets moves change it."""

    def __init__(self, voicing: Voicing) -> None:
        self.voicing = voicing
        self.movers: dict[str, str] = {}
        self.session: dict[str, Any] = {"morph.position": 0.0, "tempo.bpm": 120.0}

    def value_of(self, key: str) -> Any:
        return self.session[key] if key in self.session else self.voicing.get(key)

    def mover_of(self, key: str) -> str:
        return self.movers.get(key, "")

    def take(self, events: Iterable[Event]) -> None:
        for event in events:
            if isinstance(event, Move):
                if event.key in self.session:
                    self.session[event.key] = event.value
                else:
                    self.voicing = self.voicing.changed({event.key: event.value})
                self.movers[event.key] = event.by


def bare(events: Iterable[Event]) -> list[Event]:
    """The events without who sent them and how the sound is to follow."""
    found: list[Event] = []
    for event in events:
        if isinstance(event, Move):
            found.append(Move(event.key, event.value))
        elif isinstance(event, Press | Beat | Transport | SongPosition):
            found.append(replace(event, by=""))
        else:
            found.append(event)
    return found
