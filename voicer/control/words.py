"""MIDI messages in words, for screens and for the monitor. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING

from voicer.control.events import Beat, Event, Move, Press, Recall, SongPosition, Transport
from voicer.control.messages import (
    Clock,
    Continue,
    ControlChange,
    Message,
    Note,
    PitchBend,
    ProgramChange,
    Start,
    Stop,
)  # fmt: skip
from voicer.control.messages import SongPosition as Pointer
from voicer.control.targets import target

if TYPE_CHECKING:
    from voicer.control.mapfile import Place


def place_of(message: Message) -> Place | None:
    """What a message was sent on; None for timing."""
    if isinstance(message, ControlChange):
        return "cc", message.controller
    if isinstance(message, Note):
        return "note", message.note
    if isinstance(message, ProgramChange):
        return "program", message.program
    return ("bend", 0) if isinstance(message, PitchBend) else None


def told(message: Message) -> str:
    """A message in short words: ``cc 102 = 87``."""
    if isinstance(message, ControlChange):
        return f"cc {message.controller} = {message.value}"
    if isinstance(message, ProgramChange):
        return f"program {message.program}"
    if isinstance(message, Note):
        return f"note {message.note} " + (f"on, velocity {message.velocity}" if message.velocity else "off")
    if isinstance(message, PitchBend):
        return f"pitch bend {message.value - 8192:+d}"
    if isinstance(message, Pointer):
        return f"song position {message.sixteenths}"
    return {Clock: "clock", Start: "start", Continue: "continue", Stop: "stop"}[type(message)]


def told_event(event: Event) -> str:
    """What was done, in words: ``delay.time_ms 212 ms``."""
    if isinstance(event, Press):
        return event.action
    if isinstance(event, Recall):
        return f"voicing {event.slot}"
    if isinstance(event, Beat):
        return f"{60_000 / event.interval_ms:.1f} beats a minute"
    if isinstance(event, Transport):
        return f"clock: {event.kind}"
    if isinstance(event, SongPosition):
        return f"song position {event.sixteenths}"
    return told_move(event)


def told_move(move: Move) -> str:
    """A parameter's new value with its unit."""
    value, unit = move.value, target(move.key).unit
    shown = f"{float(f'{value:.3g}'):g}" if isinstance(value, float) else str(value)
    return f"{move.key} {shown}" + (f" {unit}" if unit else "")
