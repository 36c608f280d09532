"""MIDI bytes to messages, and the 14-bit rule."""

from __future__ import annotations

import pytest

from voicer.control.messages import (
    Clock,
    Continue,
    ControlChange,
    Note,
    PitchBend,
    ProgramChange,
    SongPosition,
    Start,
    Stop,
    decode,
    fraction,
)  # fmt: skip
from voicer.control.numbers import Fine


@pytest.mark.parametrize(
    ("data", "expected"),
    [
        (b"\xb0\x66\x40", ControlChange(1, 102, 64)),
        (b"\xbf\x00\x7f", ControlChange(16, 0, 127)),
        (b"\xb3\x7f\x00", ControlChange(4, 127, 0)),
        (b"\xc0\x00", ProgramChange(1, 0)),
        (b"\xcf\x7f", ProgramChange(16, 127)),
        (b"\x90\x40\x7f", Note(1, 64, 127)),
        (b"\x91\x40\x00", Note(2, 64, 0)),
        (b"\x80\x40\x7f", Note(1, 64, 0)),
        (b"\xd0\x10", None),
        (b"\xe0\x00\x40", PitchBend(1, 8192)),
        (b"\xf0\x7d\x01\xf7", None),
        (b"\xf0\x7d\x01", None),
        (b"\xf8", Clock()),
        (b"\xfa", Start()),
        (b"\xfb", Continue()),
        (b"\xfc", Stop()),
        (b"\xf2\x01\x02", SongPosition(257)),
        (b"\xf2\x01", None),
        (b"\xfe", None),
        (b"\xff", None),
        (b"\xf4", None),
        (b"", None),
        (b"\x66\x40", None),
        (b"\xb0", None),
        (b"\xb0\x66", None),
        (b"\xb0\x66\x80", None),
        (b"\xb0\x66\x40\x41", None),
        (b"\xc0\x80", None),
        (b"\xc0\x05\x06", None),
    ],
)
def test_decode(data: bytes, expected: object) -> None:
    """A whole control or program change decodes with channels from 1; all else, whole or damaged, is None."""
    assert decode(data) == expected


@pytest.mark.parametrize(
    ("value", "resolution", "expected"),
    [(0, 7, 0.0), (127, 7, 1.0), (64, 7, 64 / 127), (0, 14, 0.0), (16383, 14, 1.0), (8192, 14, 8192 / 16383)],
)
def test_fraction(value: int, resolution: int, expected: float) -> None:
    """Both ends of the travel are reached exactly, with 7 bits and with 14."""
    assert fraction(value, resolution) == expected


@pytest.mark.parametrize(
    ("sent", "expected"),
    [
        ([(7, 64)], [(7, 8192)]),
        ([(7, 64), (39, 127)], [(7, 8192), (7, 8319)]),
        ([(7, 64), (39, 127), (7, 64)], [(7, 8192), (7, 8319), (7, 8192)]),
        ([(39, 127)], [None]),
        ([(39, 127), (7, 1)], [None, (7, 128)]),
        ([(7, 1), (39, 5), (39, 6)], [(7, 128), (7, 133), (7, 134)]),
        ([(0, 127), (32, 127)], [(0, 16256), (0, 16383)]),
        ([(31, 2), (63, 1)], [(31, 256), (31, 257)]),
        ([(7, 1), (8, 2), (39, 3), (40, 4)], [(7, 128), (8, 256), (7, 131), (8, 260)]),
        ([(31, 9), (64, 1)], [(31, 1152), None]),
    ],
)
def test_coarse_half_resets_the_fine_half(sent: list[tuple[int, int]], expected: list[object]) -> None:
    """A coarse half sets the fine half to 0 and a fine half refines it (MIDI 1.0 Detailed Spec., 1996)."""
    fine = Fine()
    assert [fine.join(ControlChange(1, *pair)) for pair in sent] == expected


def test_halves_of_two_channels_do_not_mix() -> None:
    """A fine half belongs to the coarse half of its own channel."""
    fine = Fine()
    fine.join(ControlChange(1, 7, 10))
    fine.join(ControlChange(2, 7, 20))
    assert fine.join(ControlChange(1, 39, 3)) == (7, 1283)
    assert fine.join(ControlChange(3, 39, 3)) is None
