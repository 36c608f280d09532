"""The board: its parts make what the voicing asks for, and its figures, spread and read-back tell what they make."""

from __future__ import annotations

import json
from dataclasses import asdict, replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings

from tests.fuzz.strategies import voicings
from voicer import library
from voicer.board import PartChoice, design, design_board
from voicer.board.actives import list_actives
from voicer.board.board import Board
from voicer.board.figures import compare_figures, compute_figures, loudest_position
from voicer.board.parts import Part
from voicer.board.readback import differences, voicing_of
from voicer.board.series import values_between
from voicer.board.spread import Tolerances, compute_sensitivities, compute_spread, spread_of, unit_of
from voicer.board.values import parse_swaps
from voicer.circuit import Circuit
from voicer.circuit.circuit import wet_peak
from voicer.circuit.filters import half_power_hz
from voicer.errors import CircuitError
from voicer.voicing import Voicing

SHIPPED = [entry.name for entry in library.listing()]
SERIES: tuple[Any, ...] = ("E6", "E12", "E24", "E48", "E96")


def boards(name: str = "harbour-dusk") -> Board:
    return design_board(library.load(name))


def numbers(circuit: Circuit) -> dict[str, Any]:
    flat = asdict(circuit)
    poles = {name: [(s["f0_hz"], s["q"]) for s in flat.pop(name)] for name in ("anti_alias", "reconstruction")}
    return {"clock": circuit.clock_hz, **flat, **poles}


def buildable(voicing: Voicing, series: Any) -> Board | None:
    try:
        return design_board(voicing, series)
    except CircuitError as error:
        assert error.remedy
        return None


def assert_alike(one: Any, other: Any, rel: float) -> None:
    if isinstance(one, dict):
        for key in one:
            assert_alike(one[key], other[key], rel)
    elif isinstance(one, list | tuple):
        for a, b in zip(one, other, strict=True):
            assert_alike(a, b, rel)
    else:
        assert one == (other if isinstance(other, str) else pytest.approx(other, rel=rel, abs=1e-12))


# What is heard


@pytest.mark.parametrize("name", SHIPPED)
def test_exact_parts_make_what_the_voicing_asks_for(name: str) -> None:
    """The circuit read from exact parts is the circuit the voicing asks for, number by number."""
    voicing = library.load(name)
    assert_alike(numbers(design(voicing)), numbers(design(voicing, "exact")), 1e-9)


@settings(max_examples=40, derandomize=True, deadline=None)
@given(voicings())
def test_exact_parts_of_any_voicing_make_what_it_asks_for(voicing: Voicing) -> None:
    """The same for voicings over their whole ranges, where parts can be found at all."""
    made = buildable(voicing, "exact")
    if made is not None:
        assert_alike(numbers(design(voicing)), numbers(made.circuit()), 1e-7)


def test_a_line_that_loses_too_much_is_refused() -> None:
    """Four devices of 4096 stages at 200 kHz lose more than the make-up amplifier can restore: no board, but the circuit
    that was asked for still plays.
    """
    fast = library.load("quay-slap").changed({
        "line.stages": 4096, "line.devices": 4, "delay.shortest_ms": 40, "delay.time_ms": 45, "delay.longest_ms": 54,
    })  # fmt: skip
    with pytest.raises(CircuitError, match=r"the make-up gain behind the line must be in -4.5..12 dB \(got 1\d"):
        design_board(fast, "exact")
    assert design(fast).line.makeup > 4


@pytest.mark.parametrize("name", SHIPPED)
def test_bought_parts_of_shipped_voicings_keep_the_rules(name: str) -> None:
    """E24 and E12: every pole frequency within 2 %, every Q within 5 %, everything else judged within 5 %."""
    voicing = library.load(name)
    rows = compare_figures(design_board(voicing, "exact"), design_board(voicing))
    assert [(row.figure.key, row.error) for row in rows if not row.ok] == []
    assert len(rows) > 35


@settings(max_examples=60, derandomize=True, deadline=None)
@given(voicings())
def test_bought_sections_of_any_voicing_keep_the_rules(voicing: Voicing) -> None:
    """The sections' rules hold over the whole range of voicings; what cannot be built is refused with a remedy."""
    made = buildable(voicing, "E24")
    if made is None:
        return
    rows = compare_figures(design_board(voicing, "exact"), made)
    sections = [row for row in rows if row.figure.rule in (0.02, 0.05) and ("_q" in row.figure.key or "section" in row.figure.label)]
    assert len(sections) >= 4
    for row in sections:
        assert abs(row.error) <= (0.05 if row.figure.key.endswith("_q") else 0.02), row


@pytest.mark.parametrize("resistors", SERIES)
def test_every_part_is_of_its_series(resistors: Any) -> None:
    """Resistors and capacitors of the chosen series, each its own; pots are of the shop's sizes."""
    made = design_board(library.load("storm-bell"), resistors, capacitors="E12")
    for part in made.parts:
        if part.kind != "pot":
            series = resistors if part.kind == "resistor" else "E12"
            assert part.value in values_between(series, 0.99 * part.value, 1.01 * part.value), part


def test_a_swapped_part_is_heard_with_the_knobs_left_alone() -> None:
    """Half the low cut's capacitor doubles the low cut; nothing else and no knob moves."""
    voicing, plain = library.load("quay-slap"), boards("quay-slap")
    capacitor = next(part for part in plain.parts if part.block == "low_cut" and part.kind == "capacitor")
    swapped = design_board(voicing, swaps={capacitor.ref: capacitor.value / 2})
    assert swapped.controls == plain.controls
    before, after = numbers(plain.circuit()), numbers(swapped.circuit())
    assert after.pop("low_cut_hz") == pytest.approx(2 * before.pop("low_cut_hz"))
    assert_alike(before, after, 1e-12)


def test_an_unknown_part_is_refused() -> None:
    """The reference and the nearest right one are told."""
    with pytest.raises(CircuitError, match=r"no part 'R700' on this board; did you mean 'R\d+'\?"):
        design_board(library.load("quay-slap"), swaps={"R700": 1e3})


def test_what_a_choice_says() -> None:
    """Exact values, the series, the unit, the swaps; the steps a player takes with one button."""
    assert PartChoice().says == "exact values"
    choice = PartChoice("E96", unit=3, swaps={"low_cut.load_ohm": 1e3})
    assert choice.says == "E96 parts, unit 3, low_cut.load_ohm swapped"
    assert "R9" in choice.describe([Part("R9", "resistor", 1e3, "low_cut", "load_ohm", "")])
    choice, told = PartChoice(), []
    for unit in (1, 1, 1, 2, 2, 2):
        choice = choice.next(unit)
        told.append(choice.says)
    assert told == ["E24 parts", "E24 parts, unit 1", "exact values", "E24 parts", "E24 parts, unit 2", "exact values"]


def test_the_button_keeps_what_was_chosen() -> None:
    """Once round by the button: series, capacitors, tolerances and swaps are those the player began with."""
    began = PartChoice(
        "E96", "E6", swaps={"low_cut.load_ohm": 56e3}, tolerances=Tolerances(0.01, 0.05, 0.1, "normal")
    )
    unit = began.next(7)
    exact = unit.next(8)
    assert unit == replace(began, unit=7)
    assert exact.says == "exact values"
    assert exact.next(8) == began


def test_a_swap_stays_with_its_part() -> None:
    """With the compander switched off the capacitors are numbered anew: a swap stays with the part it was typed for."""
    voicing = library.load("harbour-dusk")
    before, after = (voicing.changed({"compander.enabled": on}) for on in (True, False))
    cut, output = (
        next(part for part in design_board(before).parts if part.key == key)
        for key in ("low_cut.load_ohm", "output_coupling.coupling_farad")
    )
    assert output.key not in {part.key for part in design_board(after).parts if part.ref == output.ref}
    swaps = parse_swaps([f"{cut.ref}=33k", f"{output.ref}=220n"], design_board(before).parts)
    choice, lines = PartChoice(swaps=swaps).fitted(after)
    assert (choice.swaps, lines) == (swaps, [])
    values = {part.key: part.value for part in choice.board(after).parts}
    assert (values[cut.key], values[output.key]) == (33e3, 220e-9)


def test_a_swap_without_its_part_is_dropped_with_a_word() -> None:
    """A gain cell's capacitor is not on a board without compander: dropped and named; the other swap is kept."""
    voicing = library.load("harbour-dusk").changed({"compander.enabled": True})
    cell = next(part for part in design_board(voicing).parts if part.block == "compander")
    choice = PartChoice("E12", swaps={cell.key: 2 * cell.value, "low_cut.load_ohm": 56e3})
    kept, lines = choice.fitted(voicing.changed({"compander.enabled": False}))
    assert kept == PartChoice("E12", swaps={"low_cut.load_ohm": 56e3})
    assert lines == [f"swap of {cell.key} dropped: this board has no such part"]


def test_a_choice_survives_as_plain_data() -> None:
    """Through JSON and back it is the same choice; anything else is refused in one line."""
    choice = PartChoice(
        "E48", "E6", 12, {"low_cut.load_ohm": 56e3}, Tolerances(0.01, 0.02, 0.1, "normal"), heard=False
    )
    assert PartChoice.from_json(json.loads(json.dumps(choice.as_json()))) == choice
    assert PartChoice.from_json(PartChoice().as_json()) == PartChoice()
    for wrong in (
        None, [], "E24", {"series": "E25"}, {"unit": "x"}, {"swaps": {"R7": 1e3}}, {"colour": 1},
        {"swaps": {"low_cut.load_ohm": float("nan")}}, {"swaps": {"low_cut.load_ohm": -1}},
        {"tolerances": {"resistor": 2}},
    ):  # fmt: skip
        with pytest.raises(CircuitError, match="a parts choice must hold what voicer wrote") as refused:
            PartChoice.from_json(wrong)
        assert "\n" not in str(refused.value)


# Figures and spread


@pytest.mark.parametrize("name", ["harbour-dusk", "old-dredger", "storm-bell"])
def test_figures_are_those_of_the_circuit(name: str) -> None:
    """Two ways to the same number: a cutoff is where the blocks' polynomials have lost 3.0103 dB; the loop's peak over
    the whole time control, by a fine search, is the one at the loudest position.
    """
    made, circuit = boards(name), boards(name).circuit()
    found = {figure.key: figure.value for figure in compute_figures(made)}
    for which in ("anti_alias", "reconstruction"):
        s = 2j * np.pi * found[f"{which}_hz"]
        power = np.prod([abs(np.polyval([*block.denominator()[::-1], 1], s)) for block in getattr(made.blocks, which)]) ** 2
        assert power == pytest.approx(2, rel=1e-9)
    assert found["time_ms"] == pytest.approx(1e3 * circuit.time_s)
    clock_hz = np.geomspace(circuit.clock_for(circuit.longest_s), circuit.clock_for(circuit.shortest_s), 12)[:, None]
    f_hz = np.geomspace(20, 20e3, 20_000)
    peak = np.max(np.where(f_hz < clock_hz / 2, circuit.round_gain(f_hz, clock_hz), 0))
    assert found["loop_gain"] == pytest.approx(circuit.mixer.feedback_gain * peak, rel=2e-4)
    assert found["edge_position"] * made.blocks.sum.return_gain(1.0) * wet_peak(circuit) == pytest.approx(1, rel=1e-9)


def test_a_unit_is_always_the_same_and_a_row_of_the_spread() -> None:
    """Unit 7 alone has the very values of row 7 of a spread of any size, and its figures."""
    made, tolerances = boards(), Tolerances()
    alone = unit_of(made, 7, tolerances)
    for units in (7, 50):
        many = spread_of(made, units, tolerances)
        for one, row in zip(alone.parts, many.parts, strict=True):
            assert one.value == row.value[6]
    loudest = loudest_position(made)
    for one, row in zip(compute_figures(alone, loudest), compute_figures(many, loudest), strict=True):
        assert np.broadcast_to(row.value, 50)[6] == pytest.approx(one.value, rel=1e-9, abs=1e-12), one.key


@pytest.mark.parametrize("distribution", ["uniform", "normal"])
def test_parts_keep_their_tolerance_and_its_distribution(distribution: Any) -> None:
    """No value leaves its tolerance; the standard deviation is that of the distribution stated."""
    tolerances = Tolerances(0.01, 0.05, 0.2, distribution)
    nominal = boards()
    many = spread_of(nominal, 4000, tolerances)
    for part, row in zip(nominal.parts, many.parts, strict=True):
        off = (row.value / part.value - 1) / tolerances.of(part.kind)
        assert np.max(np.abs(off)) <= 1 + 1e-9
        assert np.std(off) == pytest.approx(1 / np.sqrt(3) if distribution == "uniform" else 1 / 3, rel=0.06)


def test_parts_vary_on_their_own() -> None:
    """No two parts of a spread go together."""
    values = np.array([part.value for part in spread_of(boards(), 4000, Tolerances()).parts])
    together = np.corrcoef(values) - np.eye(len(values))
    assert np.max(np.abs(together)) < 0.08


def test_spread_is_told_by_percentiles_and_yield() -> None:
    """Percentiles as numpy counts them over units taken one by one; a limit at the median keeps half of the units."""
    made, tolerances = boards("quay-slap"), Tolerances()
    found = compute_spread(made, tolerances, units=60)
    one_by_one = [1e3 * unit_of(made, unit, tolerances).circuit().longest_s for unit in range(1, 61)]
    assert found.percentiles()["longest_ms"] == pytest.approx(tuple(np.percentile(one_by_one, (5, 50, 95))), rel=1e-9)
    middle = found.percentiles()["longest_ms"][1]
    assert found.share_within({"longest_ms": (0, middle)}) == 0.5
    assert found.share_within({"longest_ms": (0, middle), "low_cut_hz": (0, 1)}) == 0
    with pytest.raises(CircuitError, match=r"no figure 'longest' has a spread; did you mean 'longest_ms'\?"):
        found.share_within({"longest": (0, 1)})


def test_response_of_the_spread_is_that_of_the_circuit() -> None:
    """With no tolerance at all every percentile is the wet response of the nominal circuit."""
    made = boards("storm-bell")
    found, circuit = compute_spread(made, Tolerances(1e-9, 1e-9, 1e-9), units=3), boards("storm-bell").circuit()
    expected = 20 * np.log10(np.abs(circuit.wet_response(found.f_hz, circuit.clock_hz)))
    assert np.max(np.abs(found.response_db - expected)) < 1e-4


def test_sensitivities_are_those_of_the_handbooks() -> None:
    """Unity-gain Sallen-Key (standard algebra): f0 goes with -1/2 of each part; Q with 1/2 of the feedback capacitor,
    -1/2 of the ground capacitor, and 1/2 - R1 / (R1 + R2) of R1.
    """
    made = boards()
    block = made.blocks.by_name["reconstruction_2"]
    found = compute_sensitivities(made)
    f0 = {one.part.name: one.slope for one in found["reconstruction_2_hz"]}
    assert f0 == pytest.approx(dict.fromkeys(("r1_ohm", "r2_ohm", "ground_farad", "feedback_farad"), -0.5), abs=1e-5)
    q = {one.part.name: one.slope for one in found["reconstruction_2_q"]}
    share = block.r1_ohm / (block.r1_ohm + block.r2_ohm)
    expected = {"feedback_farad": 0.5, "ground_farad": -0.5, "r1_ohm": 0.5 - share, "r2_ohm": share - 0.5}
    assert q == pytest.approx(expected, abs=1e-5)


def test_sensitivities_explain_the_spread() -> None:
    """A second way: the slopes of a straight line through the logarithms of a narrow spread."""
    made, narrow = boards(), Tolerances(0.002, 0.002, 0.002)
    many, loudest = spread_of(made, 3000, narrow), loudest_position(made)
    parts = np.log([part.value for part in many.parts])
    parts -= parts.mean(axis=1, keepdims=True)
    values = {figure.key: figure.value for figure in compute_figures(many, loudest)}
    found = compute_sensitivities(made, narrow)
    for key in ("longest_ms", "anti_alias_hz", "edge_position", "rate_hz", "depth_percent"):
        slopes = np.linalg.lstsq(parts.T, np.log(values[key]) - np.log(values[key]).mean(), rcond=None)[0]
        told = {one.part.ref: one.slope for one in found[key]}
        regressed = {part.ref: slope for part, slope in zip(made.parts, slopes, strict=True)}
        assert told == pytest.approx({ref: regressed[ref] for ref in told}, abs=5e-3), key
        assert sum(one.share for one in found[key]) == pytest.approx(1, abs=1e-3)


# Back again


@pytest.mark.parametrize("series", ["exact", *SERIES])
@pytest.mark.parametrize("name", SHIPPED)
def test_parts_to_voicing_to_parts(name: str, series: Any) -> None:
    """A voicing read back from parts, and designed again, has the same parts."""
    made = design_board(library.load(name), series)
    again, beyond = voicing_of(made, series)
    assert beyond == []
    same = pytest.approx({part.ref: part.value for part in made.parts}, rel=1e-6 if series == "exact" else 1e-12)
    assert {part.ref: part.value for part in design_board(again, series).parts} == same


@pytest.mark.parametrize("name", SHIPPED)
def test_exact_parts_make_the_very_voicing(name: str) -> None:
    """Nothing differs, not by a millionth."""
    voicing = library.load(name)
    assert differences(voicing, voicing_of(design_board(voicing, "exact"))[0], 1e-6) == []


@pytest.mark.parametrize("unit", [1, 2, 3])
def test_the_voicing_of_a_unit_sounds_like_the_unit(unit: int) -> None:
    """Cutoffs, times, rate, depth and feedback of the circuit it asks for are those of the unit's circuit."""
    heard = unit_of(boards("slow-tide"), unit, Tolerances())
    made, _ = voicing_of(heard)
    asked, got = design(made), heard.circuit()
    for name in ("time_s", "longest_s", "low_cut_hz"):
        assert getattr(asked, name) == pytest.approx(getattr(got, name), rel=5e-3), name
    assert half_power_hz(asked.anti_alias) == pytest.approx(half_power_hz(got.anti_alias), rel=1e-6)
    assert (asked.lfo.rate_hz, asked.lfo.deviation) == pytest.approx((got.lfo.rate_hz, got.lfo.deviation), rel=1e-6)


def test_what_lies_beyond_a_voicing_is_held_and_told() -> None:
    """A low cut, a clock and a rate that no voicing may have are held at the limit, in words."""
    plain = boards("quay-slap")
    ref = next(part.ref for part in plain.parts if part.block == "low_cut" and part.kind == "capacitor")
    made, beyond = voicing_of(plain.with_values({ref: 470e-12}))
    assert made.filters.low_cut_hz == 500
    assert beyond == ["filters.low_cut_hz comes to 3386.3 Hz, outside 10..500 Hz: held at 500 Hz"]
    edge = {"delay.shortest_ms": 19.3, "line.devices": 4, "modulation.range": "fast", "modulation.rate_hz": 12}
    exact = design_board(library.load("quay-slap").changed(edge), "exact")
    fast = {part.ref: 0.96 * part.value for part in exact.parts if part.block in ("clock", "lfo") and part.kind == "capacitor"}
    made, beyond = voicing_of(exact.with_values(fast))
    assert [line.split(" comes to")[0] for line in beyond] == ["modulation.rate_hz", "delay.shortest_ms"]
    assert made.modulation.rate_hz == 12


# What else is bought


def test_every_block_has_what_it_needs_beside_its_parts() -> None:
    """One amplifier per low-pass block, one device per line block, no gain cell without a compander."""
    voicing = library.load("harbour-dusk")
    made = list_actives(design_board(voicing))
    blocks = design_board(voicing).blocks.by_name
    low_passes = [key for key in blocks if key.startswith(("anti_alias", "reconstruction"))]
    assert [one.block for one in made if one.block in low_passes] == low_passes
    assert [one.kind for one in made].count("line") == voicing.line.devices
    assert {one.block for one in made} == set(blocks)
    without = list_actives(design_board(voicing.changed({"compander.enabled": False})))
    assert [one.kind for one in without].count("gain cell") == 0
    assert len({one.ref for one in made}) == len(made)
