"""Sallen-Key blocks against their node equations, and the two ways of choosing their parts."""

from __future__ import annotations

from dataclasses import astuple, fields, replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from voicer.board.blocks.low_pass import SecondOrder, ThirdOrder, blocks_for, miss, snapped
from voicer.board.parts import kind_of
from voicer.board.series import Series, values_between
from voicer.circuit.filters import Section, half_power_hz, low_pass_sections, response
from voicer.errors import CircuitError

SHAPES = ("butterworth", "bessel", "chebyshev-0.5db", "chebyshev-1db")
ORDERS = (2, 3, 4, 5, 6)
CUTOFFS_HZ = (200.0, 734.0, 2_900.0, 8_150.0, 15_868.0, 20_000.0)
OHM = st.floats(2e3, 300e3)
FARAD = st.floats(100e-12, 1e-6)


def solved_second(block: SecondOrder, s: complex) -> complex:
    """Output over input from Kirchhoff's current law at the two nodes; the follower's output is its input."""
    g1, g2 = 1 / block.r1_ohm, 1 / block.r2_ohm
    yf, yg = s * block.feedback_farad, s * block.ground_farad
    nodes = np.array([[g1 + g2 + yf, -g2 - yf], [-g2, g2 + yg]])
    return complex(np.linalg.solve(nodes, np.array([g1, 0]))[1])


def solved_third(block: ThirdOrder, s: complex) -> complex:
    """The same at three nodes."""
    g1, g2, g3 = 1 / block.r1_ohm, 1 / block.r2_ohm, 1 / block.r3_ohm
    y1, yf, yg = s * block.first_farad, s * block.feedback_farad, s * block.ground_farad
    nodes = np.array([[g1 + g2 + y1, -g2, 0], [-g2, g2 + g3 + yf, -g3 - yf], [0, -g3, g3 + yg]])
    return complex(np.linalg.solve(nodes, np.array([g1, 0, 0]))[2])


def polynomial(block: SecondOrder | ThirdOrder, s: complex) -> complex:
    return 1 / complex(np.polyval([*block.denominator()[::-1], 1.0], s))


@given(OHM, OHM, FARAD, FARAD, st.floats(20, 50_000))
def test_second_order_obeys_its_node_equations(r1: float, r2: float, cg: float, cf: float, f_hz: float) -> None:
    """For any parts at any frequency the polynomial is what Kirchhoff's law gives."""
    block, s = SecondOrder(r1, r2, cg, cf), 2j * np.pi * f_hz
    assert abs(polynomial(block, s) / solved_second(block, s) - 1) < 1e-9


@given(OHM, OHM, OHM, FARAD, FARAD, FARAD, st.floats(20, 50_000))
def test_third_order_obeys_its_node_equations(
    r1: float, r2: float, r3: float, c1: float, cf: float, cg: float, f_hz: float
) -> None:
    """For any parts at any frequency the polynomial is what Kirchhoff's law gives."""
    block, s = ThirdOrder(r1, r2, r3, c1, cf, cg), 2j * np.pi * f_hz
    assert abs(polynomial(block, s) / solved_third(block, s) - 1) < 1e-9


@given(OHM, OHM, OHM, FARAD, FARAD, FARAD)
def test_poles_of_a_third_order_block_are_its_polynomial(
    r1: float, r2: float, r3: float, c1: float, cf: float, cg: float
) -> None:
    """First-order times second-order section is the whole polynomial, even where all three poles are real."""
    block = ThirdOrder(r1, r2, r3, c1, cf, cg)
    single, pair = block.sections()
    tau, (a, b) = single.denominator()[0], pair.denominator()
    assert (single.order, pair.order) == (1, 2)
    assert (tau + a, tau * a + b, tau * b) == pytest.approx(block.denominator(), rel=1e-9)


def test_poles_agree_with_a_general_root_finder() -> None:
    """Real pole, frequency and quality of 200 random blocks at once, against numpy's roots one by one."""
    rng = np.random.default_rng(3)
    ohms, farads = 10 ** rng.uniform(3.7, 5.3, (3, 200)), 10 ** rng.uniform(-10, -6, (3, 200))
    block = ThirdOrder(*ohms, *farads)
    single_hz, f0_hz, q = block.f0_q()
    for k, (a, b, c) in enumerate(zip(*block.denominator(), strict=True)):
        taus = -1 / np.roots([c, b, a, 1.0])
        real = np.sort(taus.real[np.abs(taus.imag) < 1e-9 * np.abs(taus)])[-1]
        rest = taus[np.argsort(np.abs(taus - real))[1:]]
        root = np.sqrt(np.prod(rest).real)
        expected = (real, root, root / np.sum(rest).real)
        got = (1 / (2 * np.pi * single_hz[k]), 1 / (2 * np.pi * f0_hz[k]), q[k])
        assert got == pytest.approx(expected, rel=1e-6)


def test_three_equal_poles_are_found() -> None:
    """The triple root, where the closed form divides by nothing: three buffered-like poles at 1 kHz."""
    from voicer.board.blocks.sallen_key import slowest_real

    tau = 1 / (2 * np.pi * 1e3)
    found = slowest_real(np.array([3 * tau]), np.array([3 * tau**2]), np.array([tau**3]))
    assert found[0] == pytest.approx(tau, rel=1e-4)


def test_two_real_poles_stay_one_section() -> None:
    """Equal capacitors give Q = sqrt(R1 R2) / (R1 + R2), at most a half; the response is still the circuit's."""
    block = SecondOrder(10e3, 40e3, 1e-9, 1e-9)
    (section,) = block.sections()
    assert section.q == pytest.approx(0.4, rel=1e-12)
    got = response((section,), np.array([5e3]))[0]
    assert abs(got / solved_second(block, 2j * np.pi * 5e3) - 1) < 1e-12


@pytest.mark.parametrize(
    "block", [SecondOrder(10e3, 22e3, 1e-9, 4.7e-9), ThirdOrder(10e3, 12e3, 15e3, 4.7e-9, 10e-9, 680e-12)]
)
def test_a_spread_is_one_call(block: Any) -> None:
    """Fields may be arrays: 10 000 units at once equal the same units one by one."""
    rng = np.random.default_rng(7)
    names = [item.name for item in fields(block)]
    units = replace(block, **{name: getattr(block, name) * rng.uniform(0.9, 1.1, 10_000) for name in names})
    spread = units.f0_q()
    for k in (0, 4_711, 9_999):
        one = type(block)(*(float(values[k]) for values in astuple(units)))
        assert [float(values[k]) for values in spread] == pytest.approx(
            [float(value) for value in one.f0_q()], rel=1e-12
        )


@pytest.mark.parametrize("kind", [SecondOrder, ThirdOrder])
def test_every_field_is_a_part_with_a_purpose(kind: Any) -> None:
    """Resistors and capacitors only, each with a note for the sheet."""
    assert all(kind_of(item.name) in ("resistor", "capacitor") and item.metadata["note"] for item in fields(kind))


def slope(block: SecondOrder, name: str, index: int) -> float:
    """Relative change of f0 (index 0) or Q (1) over that of a part, by central differences."""
    up, down = (
        float(replace(block, **{name: getattr(block, name) * factor}).f0_q()[index]) for factor in (1.0001, 0.9999)
    )
    return float(np.log(up / down) / np.log(1.0001 / 0.9999))


@pytest.mark.parametrize("block", [SecondOrder(10e3, 10e3, 1e-9, 12e-9), SecondOrder(33e3, 12e3, 2.2e-9, 15e-9)])
def test_sensitivities(block: SecondOrder) -> None:
    """S(f0; each part) = -1/2; S(Q; C feedback) = 1/2, S(Q; C ground) = -1/2, S(Q; R1) = 1/2 - R1 / (R1 + R2), nothing
    for equal resistors (standard algebra of the unity-gain section, from memory; here confirmed numerically).
    """
    assert [slope(block, item.name, 0) for item in fields(block)] == pytest.approx([-0.5] * 4, abs=1e-6)
    share = block.r1_ohm / (block.r1_ohm + block.r2_ohm)
    expected = [0.5 - share, share - 0.5, -0.5, 0.5]
    assert [slope(block, item.name, 1) for item in fields(block)] == pytest.approx(expected, abs=1e-6)


def ordered(sections: Any) -> list[Section]:
    """First-order section first, then pairs by quality, as the prototypes are told."""
    return sorted(sections, key=lambda section: section.q)


def parts_of(blocks: Any, ending: str) -> list[float]:
    return [getattr(block, item.name) for block in blocks for item in fields(block) if item.name.endswith(ending)]


def is_all_in(values: list[float], series: Series) -> bool:
    return set(values) <= set(values_between(series, 1e-12, 1e9).tolist())


@pytest.mark.parametrize("cutoff_hz", CUTOFFS_HZ)
@pytest.mark.parametrize("order", ORDERS)
@pytest.mark.parametrize("shape", SHAPES)
def test_exact_blocks_have_the_poles_asked_for(shape: Any, order: int, cutoff_hz: float) -> None:
    """Poles and assembled response to 1e-9, one amplifier per two or three poles, capacitors that exist."""
    wanted = low_pass_sections(shape, order, cutoff_hz)
    blocks = blocks_for(wanted)
    got = ordered(section for block in blocks for section in block.sections())
    assert len(blocks) == order // 2
    assert [section.order for section in got] == [section.order for section in wanted]
    assert [section.f0_hz for section in got] == pytest.approx([section.f0_hz for section in wanted], rel=1e-9)
    assert [section.q for section in got] == pytest.approx([section.q for section in wanted], rel=1e-9)
    f_hz = np.geomspace(20, 10 * cutoff_hz, 50)
    solve = {SecondOrder: solved_second, ThirdOrder: solved_third}
    assembled = [np.prod([solve[type(block)](block, 2j * np.pi * f) for block in blocks]) for f in f_hz]
    assert np.abs(np.array(assembled) / response(wanted, f_hz) - 1).max() < 1e-9
    assert half_power_hz(tuple(got)) == pytest.approx(cutoff_hz, rel=1e-9)


@pytest.mark.parametrize("cutoff_hz", CUTOFFS_HZ)
@pytest.mark.parametrize("order", ORDERS)
@pytest.mark.parametrize("shape", SHAPES)
def test_parts_are_ones_that_are_made(shape: Any, order: int, cutoff_hz: float) -> None:
    """Capacitors of 100 pF to 1 uF in E12; resistors of 4.7 k to 220 k, below only where Q is 8 near 20 kHz; in the
    snapped filter all of E24, and always the feedback capacitor the larger one, in a second order 4 Q^2 times.
    """
    wanted = low_pass_sections(shape, order, cutoff_hz)
    for blocks in (blocks_for(wanted), snapped(wanted)):
        farads, ohms = parts_of(blocks, "_farad"), parts_of(blocks, "_ohm")
        sharp = wanted[-1].q > 6 and cutoff_hz > 15e3
        assert is_all_in(farads, "E12")
        assert 100e-12 <= min(farads) <= max(farads) <= 1e-6
        assert (2.2e3 if sharp else 4.7e3) <= min(ohms) <= max(ohms) <= 220e3
        for block in blocks:
            ratio = 4 * block.sections()[-1].q ** 2 if isinstance(block, SecondOrder) else 1
            assert block.feedback_farad >= ratio * block.ground_farad * (1 - 1e-9)
            assert block.feedback_farad > block.ground_farad
    assert is_all_in(parts_of(snapped(wanted), "_ohm"), "E24")


def test_a_design_of_equal_resistors_is_preferred_to_a_wide_one() -> None:
    """Resistors of an exact block lie within 2.5 to 1 of each other over all shapes, orders and cutoffs."""
    spreads = [
        max(parts_of([block], "_ohm")) / min(parts_of([block], "_ohm"))
        for shape in SHAPES for order in ORDERS for cutoff_hz in CUTOFFS_HZ
        for block in blocks_for(low_pass_sections(shape, order, cutoff_hz))
    ]  # fmt: skip
    assert max(spreads) < 2.5


@settings(max_examples=300, derandomize=True, deadline=None)
@given(st.sampled_from(SHAPES), st.sampled_from(ORDERS), st.floats(np.log(200), np.log(20_000)))
def test_snapped_filters_hold_two_and_five_percent(shape: Any, order: int, log_cutoff: float) -> None:
    """Every section's frequency within 2 % and quality within 5 %, of E24 and E12 parts, wherever the cutoff lies."""
    wanted = low_pass_sections(shape, order, float(np.exp(log_cutoff)))
    got = ordered(section for block in snapped(wanted) for section in block.sections())
    for have, want in zip(got, wanted, strict=True):
        assert abs(have.f0_hz / want.f0_hz - 1) <= 0.02
        assert want.q == 0 or abs(have.q / want.q - 1) <= 0.05


@pytest.mark.parametrize("order", ORDERS)
@pytest.mark.parametrize("shape", SHAPES)
def test_finer_resistors_come_nearer(shape: Any, order: int) -> None:
    """Over a dozen cutoffs the mean error falls from E12 by E24 to E96."""
    means = []
    for series in ("E12", "E24", "E96"):
        errors = []
        for cutoff_hz in np.geomspace(300, 12_000, 12):
            wanted = low_pass_sections(shape, order, float(cutoff_hz))
            blocks = snapped(wanted, resistors=series)
            got = ordered(section for block in blocks for section in block.sections())
            errors += [abs(have.f0_hz / want.f0_hz - 1) for have, want in zip(got, wanted, strict=True)]
        means.append(np.mean(errors))
    assert means[0] > means[1] > means[2]


def test_miss_weighs_two_percent_of_frequency_as_five_of_quality() -> None:
    """Parts all 2 % large lower f0 by 2 %; a feedback capacitor larger by 10.25 % raises Q by 5 % and lowers f0 by 4.8 %."""
    block = SecondOrder(10e3, 10e3, 1e-9, 4e-9)
    exact = block.sections()
    slower, sharper = replace(block, r1_ohm=10.2e3, r2_ohm=10.2e3), Section(exact[0].f0_hz, exact[0].q * 1.05)
    assert float(miss(block, exact)) == pytest.approx(0, abs=1e-9)
    assert float(miss(slower, exact)) == pytest.approx((1 - 1 / 1.02) / 0.02, rel=1e-9)
    assert float(miss(block, (sharper,))) == pytest.approx((1 - 1 / 1.05) / 0.05, rel=1e-9)


@pytest.mark.parametrize("design", [blocks_for, snapped])
@pytest.mark.parametrize(
    ("sections", "text"),
    [
        (
            (Section(1_000.0, 60.0),),
            "the section at 1000 Hz with a quality of 60 must have two capacitors of a ratio below 10000 (got 14400); "
            "choose a shape or an order with a lower quality",
        ),
        (
            (Section(20_000.0, 40.0),),
            "the section at 20000 Hz with a quality of 40 must have resistors of 2200..220000 Ohm (got 753.5 Ohm with 100 pF); "
            "lower the cutoff to 0.339 of its value, or choose a shape or an order with a lower quality",
        ),
        (
            (Section(1.0, 0.7),),
            "the section at 1 Hz with a quality of 0.7 must have resistors of 2200..220000 Ohm",
        ),
        (
            (Section(1_000.0, 0.0),),
            "a low-pass must have a second-order section and at most one first-order one (got 0 and 1); "
            "choose an order from 2 to 6",
        ),
        (
            (Section(400_000.0, 0.0), Section(400_000.0, 1.0)),
            "the section at 4e+05 Hz with a quality of 1 must have resistors of 2200..220000 Ohm",
        ),
        (
            (Section(9_000.0, 0.0), Section(3_000.0, 24.0)),
            "the section at 3000 Hz with a quality of 24 must have positive resistors beside some standard capacitors (got none "
            "in one amplifier with a real pole at 9000 Hz); choose a shape or an order with a lower quality",
        ),
    ],
)  # fmt: skip
def test_what_no_parts_can_make_is_refused_in_words(design: Any, sections: Any, text: str) -> None:
    """The section, the rule that fails, what was got and what mends it."""
    with pytest.raises(CircuitError) as caught:
        design(sections)
    assert text in str(caught.value)
    assert "(got " in str(caught.value)
    assert "; " in str(caught.value)


@pytest.mark.parametrize(
    "sections",
    [
        (Section(20_000.0, 40.0),), (Section(1.0, 0.7),), (Section(9e6, 0.6),),
        (Section(1.0, 0.0), Section(1.0, 1.0)), (Section(9e6, 0.0), Section(9e6, 1.0)),
    ],
)  # fmt: skip
def test_the_remedy_mends(sections: tuple[Section, ...]) -> None:
    """Moving the cutoff as far as the message says makes the section possible; half as far does not."""
    with pytest.raises(CircuitError) as caught:
        blocks_for(sections)
    factor = float(caught.value.remedy.split(" to ")[1].split(" of ")[0])

    def moved(by: float) -> tuple[Section, ...]:
        return tuple(replace(section, f0_hz=section.f0_hz * by) for section in sections)

    assert len(blocks_for(moved(factor))) == 1
    with pytest.raises(CircuitError):
        blocks_for(moved(float(np.sqrt(factor))))
