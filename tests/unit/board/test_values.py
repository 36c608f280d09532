"""Values of parts as text, written and read."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from voicer.board.board import design_board
from voicer.board.values import parse_swaps, parse_value, short_value, value_text
from voicer.errors import CircuitError
from voicer.library import load


@pytest.mark.parametrize(
    ("value", "text"),
    [(4.7e-9, "4.7n"), (12_000, "12k"), (1e6, "1M"), (220e-6, "220u"), (12_345.6, "12.35k"), (999.96, "1k"), (47, "47"),
     (82e-12, "82p"), (0.5, "500m")],
)  # fmt: skip
def test_short_values(value: float, text: str) -> None:
    """SI prefix, four digits at most, no trailing noughts."""
    assert short_value(value) == text


def test_value_with_its_unit() -> None:
    """As a reader wants it."""
    assert (value_text(2.2e-6, "capacitor"), value_text(47, "resistor")) == ("2.2 µF", "47 Ω")


READ: list[tuple[str, Any, float]] = [
    # letter code of IEC 60062: the letter stands for the point
    ("4k7", "resistor", 4700), ("4K7", "resistor", 4700), ("4R7", "resistor", 4.7), ("470R", "resistor", 470),
    ("47K3", "resistor", 47_300), ("4M7", "resistor", 4.7e6), ("2n2", "capacitor", 2.2e-9), ("1u5", "capacitor", 1.5e-6),
    ("330p", "capacitor", 330e-12),
    ("12k", "pot", 12e3), ("1M", "resistor", 1e6), ("12000", "resistor", 12e3), ("47 kΩ", "resistor", 47e3),
    ("47 ohm", "resistor", 47), ("4.7n", "capacitor", 4.7e-9), ("100 nF", "capacitor", 100e-9),
    ("4.7e-9", "capacitor", 4.7e-9), ("0,1u", "capacitor", 0.1e-6), ("2.2 µF", "capacitor", 2.2e-6), (" 1k ", "resistor", 1e3),
]  # fmt: skip


@pytest.mark.parametrize(("text", "kind", "value"), READ)
def test_values_as_people_write_them(text: str, kind: Any, value: float) -> None:
    """Prefixes, letter code, units, decimal comma."""
    assert parse_value(text, kind) == value


@given(st.floats(1e-12, 1e-3), st.sampled_from(["capacitor"]))
def test_what_is_written_is_read_again(value: float, kind: Any) -> None:
    """To the four digits that are written."""
    assert parse_value(short_value(value), kind) == pytest.approx(value, rel=6e-4)


@pytest.mark.parametrize(
    ("text", "kind"),
    [("4n7", "resistor"), ("", "resistor"), ("x", "capacitor"), ("12k", "capacitor"), ("4.7k7", "resistor"),
     ("1e99", "resistor"), ("100nΩ", "capacitor"), ("-5k", "resistor"), ("0", "resistor"), ("1m", "resistor"),
     ("nan", "capacitor"), ("5 MF", "capacitor"), ("47kF", "resistor")],
)  # fmt: skip
def test_what_is_no_value_is_refused(text: str, kind: Any) -> None:
    """Kind, range, what was given and how to write it, in one line."""
    with pytest.raises(CircuitError) as caught:
        parse_value(text, kind)
    assert f"a {kind} must have a value in" in str(caught.value)
    assert f"(got '{text}')" in str(caught.value)
    assert caught.value.remedy


def test_swaps() -> None:
    """A reference and a value of its kind; each part once."""
    parts = design_board(load("quay-slap")).parts
    keys = {part.ref: part.key for part in parts}
    assert parse_swaps(["R7=12k", "C4 = 47n"], parts) == {keys["R7"]: 12e3, keys["C4"]: 47e-9}
    assert parse_swaps([f"{keys['R7']}=12k"], parts) == {keys["R7"]: 12e3}
    for texts, told in (
        (["R7"], "a swap must be REF=VALUE (got 'R7'); for example --swap R7=12k"),
        (["R7=12k", "R7=13k"], "part R7 must be swapped only once (got 'R7=13k' too); keep one of them"),
        (["Q9=1k"], "no part 'Q9' on this board"),
        (["C4=12k"], "a capacitor must have a value in"),
    ):
        with pytest.raises(CircuitError) as caught:
            parse_swaps(texts, parts)
        assert str(caught.value).startswith(told)
