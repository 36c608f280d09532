"""Parameters turned by two keys."""

from __future__ import annotations

from typing import Any

import pytest

import voicer
from voicer.play.knobs import list_knobs, turned
from voicer.voicing import parameters

VOICING = voicer.load("harbour-dusk")


@pytest.mark.parametrize(
    ("key", "value", "steps", "expected"),
    [
        ("delay.time_ms", 380.0, 1, 391.4),
        ("delay.time_ms", 380.0, -1, 368.9),
        ("repeats.feedback", 0.56, 1, 0.57),
        ("repeats.feedback", 0.5512, 1, 0.56),
        ("repeats.feedback", 0.0, -1, 0.0),
        ("repeats.feedback", 1.5, 9, 1.5),
        ("output.level_db", -0.5, 1, 0.0),
        ("line.devices", 2, -3, 1),
        ("line.stages", 2048, 1, 4096),
        ("line.stages", 4096, 1, 4096),
        ("compander.enabled", True, -1, False),
        ("modulation.range", "slow", 1, "fast"),
    ],
)
def test_steps(key: str, value: Any, steps: int, expected: Any) -> None:
    """Times by 3 %, other numbers by a round amount, choices to their neighbour; all stop at the end of their span."""
    assert turned(key, value, steps, VOICING) == expected


@pytest.mark.parametrize("key", list_knobs())
def test_every_knob_goes_up_and_down_its_whole_travel(key: str) -> None:
    """From where the voicing has it each parameter reaches both ends in a bounded number of steps, and stays there."""
    for by in (1, -1):
        value = VOICING.get(key)
        for _ in range(400):
            value = turned(key, value, by, VOICING)
        assert turned(key, value, by, VOICING) == value
        assert VOICING.get(key) != value or turned(key, value, -by, VOICING) != value


def test_each_parameter_is_a_knob_once() -> None:
    """Everything but texts can be turned."""
    assert sorted(list_knobs()) == sorted(key for key, found in parameters().items() if found.kind != "text")
