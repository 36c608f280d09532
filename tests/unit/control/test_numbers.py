"""RPN, NRPN, bank select: the rules of the MIDI 1.0 Detailed Specification (1996), section "Control Change"."""

from __future__ import annotations

import pytest

from voicer.control.messages import ControlChange
from voicer.control.numbers import Bank, Entry, ParameterNumbers

SELECT_300 = [(99, 2), (98, 44)]
"""NRPN 300 = 2 x 128 + 44."""


def entered(*sent: tuple[int, int], channel: int = 1) -> list[Entry]:
    numbers = ParameterNumbers()
    found = (numbers.take(ControlChange(channel, *pair)) for pair in sent)
    return [entry for entry in found if entry is not None]


@pytest.mark.parametrize("order", [1, -1])
def test_number_in_either_order(order: int) -> None:
    """Both halves of the number may come first; data is 14 bits, its coarse half sets the fine half to zero."""
    found = entered(*SELECT_300[::order], (6, 64), (38, 127), (6, 64))
    assert [(entry.number, entry.value) for entry in found] == [(300, 8192), (300, 8319), (300, 8192)]


def test_null_ends_data_entry() -> None:
    """After 127, 127 neither data nor steps change anything."""
    assert entered(*SELECT_300, (99, 127), (98, 127), (6, 1), (38, 2), (96, 0), (97, 0)) == []


def test_registered_null_ends_it_too() -> None:
    """Null of either kind leaves nothing selected."""
    assert entered(*SELECT_300, (101, 127), (100, 127), (6, 1)) == []


@pytest.mark.parametrize(("number", "halves"), [(0, (0, 0)), (1, (0, 1)), (2, (0, 2))])
def test_registered_numbers(number: int, halves: tuple[int, int]) -> None:
    """Bend range, fine and coarse tuning: RPN 0, 1 and 2."""
    (entry,) = entered((101, halves[0]), (100, halves[1]), (6, 12))
    assert (entry.kind, entry.number, entry.value) == ("rpn", number, 12 * 128)


def test_increment_and_decrement_are_steps() -> None:
    """Controllers 96 and 97 are one step each, whatever value they carry."""
    assert [entry.step for entry in entered(*SELECT_300, (96, 0), (96, 127), (97, 5))] == [1, 1, -1]


def test_half_a_number_selects_nothing() -> None:
    """Data before the number is whole is not guessed at."""
    assert entered((99, 2), (6, 64)) == []


def test_interleaved_channels_do_not_mix() -> None:
    """Each channel has its own number and its own coarse half."""
    numbers = ParameterNumbers()
    sent = [(1, 99, 0), (2, 99, 1), (1, 98, 5), (2, 98, 6), (1, 6, 10), (2, 6, 20), (1, 38, 1), (2, 38, 2)]
    found = [entry for entry in (numbers.take(ControlChange(*one)) for one in sent) if entry]
    assert [(entry.channel, entry.number, entry.value) for entry in found] == [
        (1, 5, 1280), (2, 134, 2560), (1, 5, 1281), (2, 134, 2562),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("sent", "expected"),
    [([], 0), ([(0, 1)], 1), ([(0, 0), (32, 3)], 3), ([(0, 1), (32, 0)], 128), ([(0, 1), (32, 2), (0, 0)], 0)],
)
def test_banks(sent: list[tuple[int, int]], expected: int) -> None:
    """A fine half counts when it came after the coarse one."""
    bank = Bank()
    for pair in sent:
        bank.take(ControlChange(1, *pair))
    assert [bank.number(1), bank.number(2)] == [expected, 0]
