"""MIDI bytes to the two messages voicer listens to, and values to fractions. Pure: no port is needed.

Everything else (notes, SysEx, real-time, damaged bytes) decodes to None. The MIDI driver expands running status, so
each byte string is one whole message.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import mido

FINE_OFFSET = 32
"""Controllers 32..63 carry the fine half of 0..31 (MIDI 1.0, control change numbers)."""

FULL_SCALE = {7: 127, 14: 16_383}
"""Largest value by resolution in bits."""


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


Message = ControlChange | ProgramChange


def decode(data: bytes) -> Message | None:
    """Decode one MIDI message; None for anything but a control or program change. Any thread.

    Parameters
    ----------
    data : bytes
        One message with its status byte; any bytes at all are accepted.
    """
    try:
        message = mido.Message.from_bytes(data)
    except (ValueError, LookupError):
        return None
    if message.type == "control_change":
        return ControlChange(message.channel + 1, message.control, message.value)
    if message.type == "program_change":
        return ProgramChange(message.channel + 1, message.program)
    return None


def fraction(value: int, resolution: int = 7) -> float:
    """Position of a controller value in its travel, 0..1: ``v/127`` for 7 bits, ``v/16383`` for 14."""
    return value / FULL_SCALE[resolution]


@dataclass
class Fine:
    """Joins the two halves of 14-bit controllers, separately for each channel.

    A coarse half sets the fine half to zero: "Setting the MSB on a continuous controller resets the LSB to
    zero" (MIDI 1.0 Detailed Specification, 1996). A fine half with no coarse half before it is dropped.
    """

    _coarse: dict[tuple[int, int], int] = field(default_factory=dict)

    def join(self, message: ControlChange) -> tuple[int, int] | None:
        """Give (controller 0..31, value 0..16383), or None if there is no whole value yet. Control thread."""
        if message.controller < FINE_OFFSET:
            self._coarse[message.channel, message.controller] = message.value
            return message.controller, message.value * 128
        controller = message.controller - FINE_OFFSET
        coarse = self._coarse.get((message.channel, controller))
        if coarse is None or controller >= FINE_OFFSET:
            return None
        return controller, coarse * 128 + message.value
