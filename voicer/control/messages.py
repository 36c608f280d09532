"""MIDI bytes to the messages voicer understands, and values to fractions. Pure: no port is needed.

Everything else (pressure, SysEx, active sensing, damaged bytes) decodes to None. The MIDI driver expands running
status and takes real-time messages out of others, so each byte string is one whole message.
"""

from __future__ import annotations

from dataclasses import dataclass

import mido

FULL_SCALE = {7: 127, 14: 16_383}
"""Largest value by resolution in bits."""

CLOCKS_PER_QUARTER = 24
"""MIDI 1.0 Detailed Specification, system real-time: timing clock."""


@dataclass(frozen=True)
class ControlChange:
    """A control change: channel 1..16, controller 0..127, value 0..127."""

    channel: int
    controller: int
    value: int


@dataclass(frozen=True)
class ProgramChange:
    """A program change: channel 1..16, program 0..127 as sent; many displays show one more."""

    channel: int
    program: int


@dataclass(frozen=True)
class Note:
    """A note on or off: channel 1..16, note 0..127, velocity 0..127; 0 is off, whichever message said so."""

    channel: int
    note: int
    velocity: int


@dataclass(frozen=True)
class PitchBend:
    """The bend wheel: channel 1..16, value 0..16383; 8192 is its rest position."""

    channel: int
    value: int


@dataclass(frozen=True)
class Clock:
    """A timing clock, 24 a quarter note; it may run while the sequence is stopped."""


@dataclass(frozen=True)
class Start:
    """The sequence starts from its beginning."""


@dataclass(frozen=True)
class Continue:
    """The sequence goes on from where it is."""


@dataclass(frozen=True)
class Stop:
    """The sequence stops."""


@dataclass(frozen=True)
class SongPosition:
    """Where the sequence will go on from: sixteenths 0..16383 since its beginning, 6 clocks each."""

    sixteenths: int


ChannelMessage = ControlChange | ProgramChange | Note | PitchBend
"""What a player's hands and feet send."""

TimeMessage = Clock | Start | Continue | Stop | SongPosition
"""What a sequencer or drum machine sends."""

Message = ChannelMessage | TimeMessage

_TIME: dict[str, TimeMessage] = {"clock": Clock(), "start": Start(), "continue": Continue(), "stop": Stop()}


def decode(data: bytes) -> Message | None:
    """Decode one MIDI message; None for what voicer has no use for, whole or damaged. Any thread.

    Parameters
    ----------
    data : bytes
        One message with its status byte; any bytes at all, of any length, are accepted.
    """
    if not 1 <= len(data) <= 3:  # SysEx may be a megabyte
        return None
    try:
        message = mido.Message.from_bytes(data)
    except (ValueError, LookupError):
        return None
    if message.type in _TIME:
        return _TIME[message.type]
    if message.type == "songpos":
        return SongPosition(message.pos)
    channel = getattr(message, "channel", -1) + 1
    if message.type == "control_change":
        return ControlChange(channel, message.control, message.value)
    if message.type == "program_change":
        return ProgramChange(channel, message.program)
    if message.type in ("note_on", "note_off"):
        return Note(channel, message.note, message.velocity if message.type == "note_on" else 0)
    if message.type == "pitchwheel":
        return PitchBend(channel, message.pitch + 8192)
    return None


def fraction(value: int, resolution: int = 7) -> float:
    """Position of a controller value in its travel, 0..1: ``v/127`` for 7 bits, ``v/16383`` for 14."""
    return value / FULL_SCALE[resolution]
