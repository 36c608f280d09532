"""Published filters and lists of values, each beside its source, against the blocks and the series."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from voicer.board.blocks.low_pass import SecondOrder, ThirdOrder, blocks_for
from voicer.board.blocks.sallen_key import pole_pair
from voicer.board.series import decade, nearest, values_between
from voicer.circuit.filters import Section, half_power_hz, low_pass_sections, response


def decibels(ratio: float) -> float:
    return float(20 * np.log10(ratio))


# Unity-gain Sallen-Key, B. Carter and R. Mancini, "Op Amps for Everyone", 5th ed., chapter 16.


def test_three_kilohertz_with_three_decibel_ripple() -> None:
    """Example 16-2: a = 1.0650, b = 1.9305, 22 nF and 150 nF, 1.26 k and 1.30 k. With the capacitor ratio at its least
    the resistors are hypersensitive to rounding, so poles are compared: 2164.7 Hz and 1.3054 as printed (computed),
    for a target of 2159.2 Hz and 1.3046.
    """
    target_hz, target_q = 3000 / np.sqrt(1.9305), np.sqrt(1.9305) / 1.0650
    f0_hz, q = SecondOrder(1.26e3, 1.30e3, 22e-9, 150e-9).f0_q()
    assert (target_hz, target_q) == pytest.approx((2159.2, 1.3046), abs=0.06)
    assert (float(f0_hz), float(q)) == pytest.approx((2164.7, 1.3054), rel=3e-5)
    assert (float(f0_hz), float(q)) == pytest.approx((target_hz, target_q), rel=3e-3)
    assert 4 * target_q**2 * 22e-9 == pytest.approx(150e-9, rel=2e-3)


def test_fifth_order_butterworth_at_fifty_kilohertz() -> None:
    """Figure 16-22: 3.16 k and 1 nF; 1.87 k, 4.42 k, 820 pF, 1.5 nF; 1.47 k, 4.53 k, 330 pF, 4.7 nF. The printed 1 %
    values give -3.052 dB at 50 kHz, half power at 49 908 Hz, -30.28 dB at 100 kHz (computed).
    """
    single = Section(1 / (2 * np.pi * 3.16e3 * 1e-9), 0.0)
    blocks = [SecondOrder(1.87e3, 4.42e3, 820e-12, 1.5e-9), SecondOrder(1.47e3, 4.53e3, 330e-12, 4.7e-9)]
    sections = (single, *(section for block in blocks for section in block.sections()))
    gains = np.abs(response(sections, np.array([50e3, 100e3])))
    assert [decibels(gain) for gain in gains] == pytest.approx([-3.052, -30.28], abs=6e-3)
    assert half_power_hz(sections) == pytest.approx(49_908, abs=2)


@pytest.mark.parametrize(
    ("a", "ground", "feedback", "exact", "least_feedback"),
    [(1.6180, 820e-12, 1.5e-9, (1865.8, 4415.0), 1.2529e-9), (0.6180, 330e-12, 4.7e-9, (1447.3, 4513.8), 3.4562e-9)],
)
def test_resistors_of_the_fifth_order_example(
    a: float, ground: float, feedback: float, exact: tuple[float, float], least_feedback: float
) -> None:
    """The same figure in exact arithmetic (computed): these resistors hit the table's Q, and C2 >= 4 Q^2 C1."""
    f0_hz, q = SecondOrder(*exact, ground, feedback).f0_q()
    assert (float(f0_hz), float(q)) == pytest.approx((50e3, 1 / a), rel=1e-4)
    assert 4 / a**2 * ground == pytest.approx(least_feedback, rel=1e-4)


# Three poles around one follower, R = 1, half power at w = 1. The Butterworth row is a handbook's 3.546, 1.392, 0.2024
# (from memory), the others are computed. In the usual notation C1 is the feedback, C2 the first capacitor.
THREE_POLES = [
    ("butterworth", 3.5468, 1.3926, 0.20245),
    ("bessel", 1.4284, 0.9914, 0.25476),
    ("chebyshev-0.5db", 11.1697, 2.2368, 0.08899),
    ("chebyshev-1db", 16.1873, 2.5669, 0.06429),
]


@pytest.mark.parametrize(("shape", "feedback", "first", "ground"), THREE_POLES)
def test_three_pole_table(shape: Any, feedback: float, first: float, ground: float) -> None:
    """The table's capacitors give the prototype's poles to the digits it has."""
    got = ThirdOrder(1.0, 1.0, 1.0, first, feedback, ground).sections()
    wanted = low_pass_sections(shape, 3, 1 / (2 * np.pi))
    assert [section.f0_hz for section in got] == pytest.approx([section.f0_hz for section in wanted], rel=2e-4)
    assert got[1].q == pytest.approx(wanted[1].q, rel=2e-4)


def test_equal_resistor_second_order() -> None:
    """C feedback = 2 Q / (w R), C ground = 1 / (2 Q w R): 51.5 nF and 4.92 nF for the sharper section of a fifth-order
    Butterworth at 10 kHz with 1 k (a tutorial's figures: about 0.05 uF and 4.9 nF).
    """
    q, wr = 1 / 0.6180, 2 * np.pi * 10e3 * 1e3
    feedback, ground = 2 * q / wr, 1 / (2 * q * wr)
    assert (feedback, ground) == pytest.approx((51.5e-9, 4.92e-9), rel=2e-3)
    f0_hz, got_q = SecondOrder(1e3, 1e3, ground, feedback).f0_q()
    assert (float(f0_hz), float(got_q)) == pytest.approx((10e3, q), rel=1e-12)


def test_the_larger_capacitor_is_the_feedback() -> None:
    """Texts swap the names C1 and C2; whatever they are called, the larger one goes to the output."""
    for block in blocks_for(low_pass_sections("chebyshev-1db", 6, 3_000.0)):
        assert block.feedback_farad > block.ground_farad
    assert float(pole_pair(np.array(1.0), np.array(1.0))[1]) == 1.0


# IEC 60063:2015, tables 1 and 2, as quoted in its catalogue text.


def test_the_two_digit_series() -> None:
    """E6, what E12 adds to it, and what E24 adds to E12."""
    e6, e12, e24 = (np.round(10 * decade(series)).astype(int).tolist() for series in ("E6", "E12", "E24"))
    assert e6 == [10, 15, 22, 33, 47, 68]
    assert sorted(set(e12) - set(e6)) == [12, 18, 27, 39, 56, 82]
    assert sorted(set(e24) - set(e12)) == [11, 13, 16, 20, 24, 30, 36, 43, 51, 62, 75, 91]


def test_a_formula_would_not_give_e24() -> None:
    """Rounded powers of ten differ at eight members: 26 29 32 35 38 42 46 83 for 27 30 33 36 39 43 47 82 (computed)."""
    powers = [round(10 * 10 ** (k / 24)) for k in range(24)]
    listed = np.round(10 * decade("E24")).astype(int).tolist()
    differ = [(a, b) for a, b in zip(powers, listed, strict=True) if a != b]
    expected = [(26, 27), (29, 30), (32, 33), (35, 36), (38, 39), (42, 43), (46, 47), (83, 82)]
    assert differ == expected


def test_the_three_digit_series() -> None:
    """The beginning and end of E96; E48 is every other member."""
    e96, e48 = (np.round(100 * decade(series)).astype(int).tolist() for series in ("E96", "E48"))
    assert e96[:7] == [100, 102, 105, 107, 110, 113, 115]
    assert e96[-1] == 976
    assert e48 == e96[::2]


def test_subsets() -> None:
    """E6 in E12 in E24, E48 in E96; E24 not in E96, where 120, 220, 330, 470 are 121, 221, 332, 475."""
    members = {
        series: set(values_between(series, 100.0, 999.0).tolist()) for series in ("E6", "E12", "E24", "E48", "E96")
    }
    assert members["E6"] < members["E12"] < members["E24"]
    assert members["E48"] < members["E96"]
    assert {120.0, 220.0, 330.0, 470.0} & members["E96"] == set()
    assert {121.0, 221.0, 332.0, 475.0} < members["E96"]


@pytest.mark.parametrize(
    ("series", "gap", "worst_percent"),
    [
        ("E6", (10, 15), 20.0), ("E12", (12, 15), 11.11), ("E24", (13, 15), 7.14), ("E48", (16.9, 17.8), 2.59),
        ("E96", (13.3, 13.7), 1.48),
    ],
)  # fmt: skip
def test_worst_rounding_error(series: Any, gap: tuple[float, float], worst_percent: float) -> None:
    """Half the widest gap over the target in its middle (computed): a "5 %" series can miss by 7.14 %."""
    values = np.append(decade(series), 10.0)
    errors = np.diff(values) / (values[:-1] + values[1:])
    worst = int(np.argmax(errors))
    assert (10 * values[worst], 10 * values[worst + 1]) == pytest.approx(gap, rel=1e-9)
    assert 100 * errors[worst] == pytest.approx(worst_percent, abs=6e-3)


def test_the_timing_resistor_of_a_textbook_exercise() -> None:
    """17.882 k is made as 18 k in E24 (A. Sedra and K. Smith, exercise on section 17.5; answer computed)."""
    assert nearest("E24", 17_882.0) == 18e3
