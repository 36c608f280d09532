"""The vocabulary: ranges and cross-checks of a voicing, its parameters by key, and its words for mistakes."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from pydantic import ValidationError

from tests.fuzz.strategies import voicings
from voicer.errors import FileError, VoicerError, VoicingError, did_you_mean
from voicer.voicing import Voicing, parameter, parameters, validated

DEFAULT = Voicing(name="Plain")


def test_the_parameters_are_those_of_the_file_in_its_order() -> None:
    """Dotted keys, first to last, nested sections opened out."""
    expected = [
        "name", "notes", "line.stages", "line.devices", "delay.time_ms", "delay.shortest_ms",
        "delay.longest_ms", "delay.division", "filters.low_cut_hz", "filters.anti_alias.shape", "filters.anti_alias.order",
        "filters.anti_alias.cutoff_hz", "filters.reconstruction.shape", "filters.reconstruction.order",
        "filters.reconstruction.cutoff_hz", "compander.enabled", "compander.time_constant_ms",
        "repeats.feedback", "modulation.range", "modulation.rate_hz", "modulation.depth_percent",
        "modulation.shape", "output.blend", "output.level_db", "flaws.transfer_loss", "flaws.saturation",
        "flaws.leakage", "flaws.noise", "flaws.clock_bleed",
    ]  # fmt: skip
    assert list(parameters()) == expected


@pytest.mark.parametrize(
    ("key", "kind", "rule"),
    [
        ("line.stages", "choice", "one of 512, 1024, 2048, 4096"),
        ("line.devices", "whole", "a whole number in 1..8"),
        ("filters.low_cut_hz", "number", "in 10..500 Hz"),
        ("compander.enabled", "switch", "true or false"),
        ("output.blend", "number", "in 0..1"),
        ("name", "text", "text"),
    ],
)
def test_a_parameter_says_its_kind_and_rule(key: str, kind: str, rule: str) -> None:
    """The rule is worded once, from the model's own limits."""
    assert (parameter(key).kind, parameter(key).rule) == (kind, rule)


@pytest.mark.parametrize("key", [key for key, known in parameters().items() if known.kind == "number"])
def test_each_number_is_refused_just_outside_its_range(key: str) -> None:
    """Both ends of every range are checked, and the message gives key, rule and value."""
    known = parameter(key)
    for value in (known.low - 0.5, known.high + 0.5, float("nan"), float("inf")):
        with pytest.raises(VoicingError) as caught:
            DEFAULT.changed({key: value})
        assert str(caught.value) == f"{key} must be {known.rule} (got {value!r})"


CROSS_CHECKS: list[tuple[dict[str, Any], str]] = [
    ({"delay.time_ms": 20}, "delay.time_ms must be within shortest_ms..longest_ms = 30..400 ms (got 20)"),
    ({"delay.shortest_ms": 400}, "delay.shortest_ms must be below delay.longest_ms (got 400 and 400)"),
    ({"line.devices": 8}, "delay.shortest_ms must be at least 74.47 ms for 8 x 4096 stages"),
    ({"line.stages": 512}, "delay.longest_ms must be at most 170.7 ms for 1 x 512 stages"),
    (
        {"modulation.range": "slow", "modulation.rate_hz": 4},
        "modulation.rate_hz must be in 0.05..3 Hz for range 'slow' (got 4)",
    ),
    ({"modulation.range": "fast"}, "modulation.rate_hz must be in 2..12 Hz for range 'fast' (got 0.6)"),
]


@pytest.mark.parametrize(("values", "message"), CROSS_CHECKS)
def test_values_that_do_not_go_together_are_refused(values: dict[str, Any], message: str) -> None:
    """Each cross-check names the key to change, the rule with its numbers, and what to do."""
    with pytest.raises(VoicingError) as caught:
        DEFAULT.changed(values)
    assert caught.value.what.startswith(message)
    assert caught.value.remedy != ""


def test_modulation_widens_the_span_of_the_clock() -> None:
    """The clock's limits hold at the peak of the modulation; with the range off its depth does not count."""
    edge = {"line.stages": 4096, "delay.shortest_ms": 9.4, "modulation.depth_percent": 20.0}
    assert DEFAULT.changed(edge).clock_deviation == 0.0
    with pytest.raises(VoicingError, match=r"^delay\.shortest_ms must be at least 11\.17 ms"):
        DEFAULT.changed(edge | {"modulation.range": "slow"})


@settings(max_examples=60, derandomize=True, deadline=None)
@given(voicings())
def test_a_voicing_is_the_sum_of_its_parameters(voicing: Voicing) -> None:
    """All parameters read by key and set on another voicing give the same voicing."""
    values = {key: voicing.get(key) for key in parameters()}
    assert DEFAULT.changed(values) == voicing


def test_a_voicing_cannot_be_changed_in_place() -> None:
    """It is shared between threads and faces, so it is frozen."""
    with pytest.raises(ValidationError, match="frozen"):
        DEFAULT.output.blend = 0.5  # type: ignore[misc]


@pytest.mark.parametrize("act", [parameter, DEFAULT.get, lambda key: DEFAULT.changed({key: 1})])
def test_an_unknown_parameter_is_refused_with_the_nearest(act: Any) -> None:
    """A slip of the pen is offered what it was meant to be."""
    with pytest.raises(VoicingError) as caught:
        act("delay.time_sm")
    assert str(caught.value) == "unknown parameter 'delay.time_sm'; did you mean 'delay.time_ms'?"


@pytest.mark.parametrize(
    ("data", "message"),
    [
        ({}, "name is missing; add a line 'name = …'"),
        ({"name": "a", "filters": {"anti_alias": {"cuttoff_hz": 3}}},
         "unknown key 'filters.anti_alias.cuttoff_hz'; did you mean 'cutoff_hz'?"),
        ({"name": "a", "line": {"stages": 3000}}, "line.stages must be one of 512, 1024, 2048, 4096 (got 3000)"),
    ],
)  # fmt: skip
def test_wrong_data_is_refused_in_one_line(data: dict[str, Any], message: str) -> None:
    """Plain data from any source gets the words a file gets, without file and line."""
    with pytest.raises(VoicingError) as caught:
        validated(data)
    assert str(caught.value) == message


@pytest.mark.parametrize(
    ("parts", "line"),
    [
        ({}, "it must be so"),
        ({"where": "a.toml:3"}, "a.toml:3: it must be so"),
        ({"remedy": "make it so"}, "it must be so; make it so"),
        ({"where": "a.toml", "remedy": "make it so"}, "a.toml: it must be so; make it so"),
    ],
)
def test_an_error_is_one_line_of_its_parts(parts: dict[str, str], line: str) -> None:
    """Where, what and remedy, each only if there is one; the parts stay at hand."""
    error = FileError("it must be so", **parts)
    assert isinstance(error, VoicerError | ValueError)
    assert (str(error), error.what, error.where) == (line, "it must be so", parts.get("where", ""))


@pytest.mark.parametrize(
    ("name", "known", "hint"),
    [("dask", ["dusk", "dawn"], "did you mean 'dusk'?"), ("x", ["dusk", "dawn"], "use one of dusk, dawn"), ("x", [], "")],
)  # fmt: skip
def test_the_nearest_name_is_offered_or_all_there_are(name: str, known: list[str], hint: str) -> None:
    """A near name is offered, else the list, else nothing."""
    assert did_you_mean(name, known) == hint


def test_a_filter_given_in_part_keeps_the_rest_of_its_own_defaults() -> None:
    """A reconstruction filter of which only the cutoff is given is still of order 5."""
    made = validated({"name": "Part", "filters": {"reconstruction": {"cutoff_hz": 2000}}})
    assert (made.filters.reconstruction.order, made.filters.reconstruction.cutoff_hz) == (5, 2000)
    assert made.filters.anti_alias == Voicing(name="Part").filters.anti_alias


@pytest.mark.parametrize("char", ["\x1b", "\x07", "\x7f", "\x9b", "\x00", "\u202e", "\u2066", "\u2028", "\udc80", "\ufffe"])
@pytest.mark.parametrize("key", ["name", "notes"])
def test_no_control_character_gets_into_a_name_or_notes(key: str, char: str) -> None:
    """Neither escapes, bells, bidi overrides nor what no picture may hold; the message shows it escaped."""
    with pytest.raises(VoicingError) as caught:
        Voicing(name="Mine").changed({key: f"a{char}b"})
    escaped = repr(char)[1:-1]
    assert str(caught.value) == (
        f"{key} must not contain control characters (got 'a{escaped}b'); remove what is shown with a backslash"
    )


def test_notes_may_have_lines_and_a_name_may_not() -> None:
    """Line breaks and tabs are for notes only."""
    assert Voicing(name="Mine").changed({"notes": "one\n\ttwo"}).notes == "one\n\ttwo"
    with pytest.raises(VoicingError, match="name must not contain control characters"):
        Voicing(name="Mine").changed({"name": "one\ntwo"})
