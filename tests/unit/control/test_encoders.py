"""Endless encoders: every cell of the published table, and no click that skips the edge of self-oscillation."""

from __future__ import annotations

from itertools import pairwise

import pytest

from tests.hands import At
from voicer.control.encoders import ENCODINGS, MOST, Acceleration, Encoding, clicks, value_for
from voicer.control.maps import read_map
from voicer.control.messages import ControlChange
from voicer.voicing import Voicing

TABLE: dict[Encoding, dict[int, int]] = {
    "twos-complement": {0x00: 0, 0x01: 1, 0x3F: 63, 0x40: -64, 0x41: -63, 0x7F: -1},
    "binary-offset": {0x00: -64, 0x01: -63, 0x3F: -1, 0x40: 0, 0x41: 1, 0x7F: 63},
    "sign-magnitude": {0x00: 0, 0x01: 1, 0x3F: 63, 0x40: 0, 0x41: -1, 0x7F: -63},
}
"""Source: documentation of a general-purpose MIDI library, its table of relative encodings."""


@pytest.mark.parametrize(
    ("encoding", "value", "expected"),
    [(encoding, value, expected) for encoding, row in TABLE.items() for value, expected in row.items()],
)
def test_published_table(encoding: Encoding, value: int, expected: int) -> None:
    """All eighteen cells."""
    assert clicks(encoding, value) == expected


def test_next_address_counts_down_on_the_controller_above() -> None:
    """The fourth row: clicks up on controller n, clicks down on n + 1."""
    assert [clicks("next-address", 3), clicks("next-address", 3, is_next=True)] == [3, -3]


@pytest.mark.parametrize("encoding", ENCODINGS)
def test_what_is_sent_is_what_is_read(encoding: Encoding) -> None:
    """Encoding and decoding are inverses over the whole range that all have."""
    for turned in range(-63, 64):
        value, is_next = value_for(encoding, turned)
        assert clicks(encoding, value, is_next=is_next) == turned


def endless(encoding: Encoding = "twos-complement"):
    return read_map(
        'schema = 2\nname = "t"\n[[control]]\ncontroller = 20\nparameter = "repeats.feedback"\n'
        f'encoder = "{encoding}"', where="t.toml",
    )  # fmt: skip


@pytest.mark.parametrize("gap_s", [0.0, 0.001, 0.02, 0.2])
@pytest.mark.parametrize("burst", [1, 7, 63])
def test_no_click_skips_the_edge(gap_s: float, burst: int) -> None:
    """However fast it is turned, up and down again, feedback stops at 1.0 before it is beyond."""
    steer, at = endless(), At(Voicing(name="Quay").changed({"repeats.feedback": 0.9}))
    seen = [0.9]
    for count in range(400):
        up = count < 200
        message = ControlChange(1, 20, burst if up else 128 - burst)
        at.take(steer.route(message, at, count * gap_s))
        seen.append(at.value_of("repeats.feedback"))
    assert max(seen) == pytest.approx(1.5) or gap_s == 0.2
    assert all((a - 1) * (b - 1) >= 0 for a, b in pairwise(seen))
    assert 1.0 in seen


def test_a_slow_click_is_a_small_step_and_a_fast_one_a_larger() -> None:
    """One slow click moves feedback by 1/256 of its range; ten fast ones by more, up to the stated limit."""
    acceleration = Acceleration()
    assert acceleration.factor(1, 0.0) == 1.0
    assert acceleration.factor(1, 1.0) == 1.0
    assert 1.0 < acceleration.factor(1, 1.02) <= MOST
    assert acceleration.factor(-1, 1.03) == 1.0  # the other way
