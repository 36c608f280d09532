"""Preferred values against the standard's lists, and choosing among them."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from voicer.board.series import decade, nearest, neighbours, values_between
from voicer.errors import CircuitError

ALL = ["E6", "E12", "E24", "E48", "E96"]


@pytest.mark.parametrize(("series", "members"), [("E6", 6), ("E12", 12), ("E24", 24), ("E48", 48), ("E96", 96)])
def test_a_decade_has_as_many_members_as_the_name_says(series: Any, members: int) -> None:
    """E24 has 24 values a decade, and the next decade repeats them."""
    values = values_between(series, 1e3, 99.9e3)
    assert values.size == 2 * members
    assert np.allclose(values[members:], 10 * values[:members], rtol=1e-15)
    assert decade(series).size == members


@pytest.mark.parametrize("series", ALL)
def test_values_are_the_floats_a_user_types(series: Any) -> None:
    """No 4.7000000000000004e-09: each value is what its own short decimal reads as."""
    values = values_between(series, 1e-10, 1e6)
    assert [float(f"{value:.3g}") for value in values] == values.tolist()


def test_both_ends_are_included() -> None:
    """From 100 pF to 1 uF in E12: four decades and the last value, rising."""
    values = values_between("E12", 100e-12, 1e-6)
    assert (values[0], values[-1], values.size) == (100e-12, 1e-6, 49)
    assert np.all(np.diff(values) > 0)


def test_a_list_that_is_kept_cannot_be_written_to() -> None:
    """The lists are shared between callers."""
    with pytest.raises(ValueError, match="read-only"):
        values_between("E24", 1.0, 10.0)[0] = 2


@pytest.mark.parametrize(
    ("series", "value", "expected"),
    [
        ("E24", 17_882.0, 18e3), ("E24", 5_000.0, 5.1e3), ("E12", 1.0e-9, 1e-9), ("E6", 12.2e-9, 10e-9),
        ("E6", 12.3e-9, 15e-9), ("E96", 220e3, 221e3), ("E12", 9.2, 10.0), ("E12", 9.0, 8.2), ("E48", 1.74, 1.78),
    ],
)  # fmt: skip
def test_nearest_is_by_ratio(series: Any, value: float, expected: float) -> None:
    """The change from 10 to 15 is at their geometric mean, 12.247, and so across a decade's end."""
    assert nearest(series, value) == expected


@given(st.sampled_from(ALL), st.floats(1e-12, 1e9))
def test_no_member_is_nearer_than_the_nearest(series: Any, value: float) -> None:
    """Against a search through all members, one decade to either side."""
    members = values_between(series, value / 10, value * 10)
    least = np.abs(np.log(members / value)).min()
    assert abs(np.log(nearest(series, value) / value)) == pytest.approx(least, abs=1e-12)


def test_nearest_works_on_arrays() -> None:
    """Element by element, in the same shape."""
    values = np.array([[990.0, 4_800.0], [51_000.0, 1.2e6]])
    got = nearest("E12", values)
    assert got.tolist() == [[1e3, 4.7e3], [47e3, 1.2e6]]


@pytest.mark.parametrize(
    ("count", "expected"),
    [(1, [4.7e3]), (2, [4.7e3, 5.1e3]), (3, [4.3e3, 4.7e3, 5.1e3]), (4, [4.3e3, 4.7e3, 5.1e3, 5.6e3])],
)
def test_neighbours_lie_on_both_sides(count: int, expected: list[float]) -> None:
    """As many below as above; the middle one of an odd count is the nearest."""
    assert neighbours("E24", 4.8e3, count).tolist() == expected


def test_neighbours_of_an_array_stand_in_the_last_axis() -> None:
    """One row per value, across the end of a decade."""
    assert neighbours("E6", np.array([9e3, 2e3]), 2).tolist() == [[6.8e3, 10e3], [1.5e3, 2.2e3]]


@pytest.mark.parametrize("value", [0.0, -4.7e3, float("nan"), float("inf")])
def test_what_is_no_value_is_refused(value: float) -> None:
    """Zero, negative and unbounded values have no neighbour."""
    with pytest.raises(CircuitError, match=r"a part must be above 1e-15 and below 1e\+12 \(got "):
        nearest("E24", value)
