"""Whatever comes in and however the parameters jump, what leaves is a number under the ceiling."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import voicer
from tests.fuzz.strategies import voicings
from voicer.board import design
from voicer.dsp.ceiling import Ceiling
from voicer.dsp.coefficients import CEILING_DB, ceiling_numbers, echo_coefficients
from voicer.dsp.echo import Echo
from voicer.errors import CircuitError
from voicer.voicing import Voicing

RATE_HZ = 48_000
CEILING = 10 ** (CEILING_DB / 20)
AWKWARD = [np.nan, np.inf, -np.inf, 1e300, -1e300, 1.0, -1.0, 5e-324, 0.0]


def rough_input(rng: np.random.Generator, frames: int) -> Any:
    """Full-scale squares, noise and silence with numbers that are none strewn in."""
    kind = rng.integers(0, 3)
    square = np.where(np.arange(frames) // int(rng.integers(5, 400)) % 2, 1.0, -1.0)
    x = [square, rng.standard_normal(frames) * 3, np.zeros(frames)][kind]
    places = rng.integers(0, frames, frames // 50 + 1)
    x[places] = rng.choice(AWKWARD, places.size)
    return x


def playable(made: list[Voicing], rate_hz: float) -> list[Any]:
    """Coefficients of those voicings whose filters leave the line its time."""
    sets = []
    for voicing in made:
        try:
            sets.append(echo_coefficients(design(voicing), rate_hz))
        except CircuitError:
            continue
    return sets


@settings(max_examples=250, derandomize=True, deadline=None)
@given(st.lists(voicings(), min_size=1, max_size=5), st.integers(0, 2**31), st.sampled_from([44_100, 48_000, 96_000]))
def test_output_is_a_number_under_the_ceiling(made: list[Voicing], start: int, rate_hz: int) -> None:
    """Random voicings one after the other in mid-stream, at block lengths of any kind.

    The echo itself puts out numbers only: the ceiling, which makes 0 of what is none, is not needed for that. Nor does
    anything it was given stay in its state: a last voicing passes its dry signal and holds numbers alone.
    """
    rng = np.random.default_rng(start)
    sets = playable(made, rate_hz)
    if not sets:
        return
    echo, ceiling = Echo(sets[0], rate_hz), Ceiling(ceiling_numbers(CEILING_DB, rate_hz))
    for numbers in sets * 2:
        echo.glide_to(numbers)
        for longest in (900, 900, 900, 900, 20_000):
            x = rough_input(rng, int(rng.integers(1, longest)))
            y = np.empty_like(x)
            echo.process(x, y)
            assert np.all(np.isfinite(y))
            ceiling.process(y, y)
            assert np.all(np.abs(y) <= CEILING)
    assert all(np.all(np.isfinite(part)) for part in (*echo._buffers, *echo._floats[0].tolist()))


@pytest.mark.parametrize("value", AWKWARD[:5])
def test_a_sample_that_is_no_number_is_taken_for_silence(value: float) -> None:
    """Sample for sample the output of the same input with 0 in its place."""
    flat = echo_coefficients(design(Voicing(name="Bounds")), RATE_HZ)
    x = 0.3 * np.random.default_rng(3).standard_normal(30_000)
    without = x.copy()
    x[1000::777], without[1000::777] = value, 0.0
    got, expected = np.empty_like(x), np.empty_like(x)
    Echo(flat, RATE_HZ).process(x, got)
    Echo(flat, RATE_HZ).process(without, expected)
    assert np.array_equal(got, expected)


def test_ceiling_changes_nothing_below_it() -> None:
    """A signal under the ceiling passes bit for bit; one above is held and comes back slowly."""
    ceiling = Ceiling(ceiling_numbers(-6, RATE_HZ))
    quiet, loud = 0.4 * np.ones(100), 3.0 * np.ones(100)
    y = np.empty(100)
    ceiling.process(quiet, y)
    assert np.array_equal(y, quiet)
    ceiling.process(loud, y)
    assert np.abs(y).max() == pytest.approx(10 ** (-6 / 20), rel=1e-12)
    ceiling.process(quiet, y)
    assert np.all(np.diff(y) > 0)
    assert y[0] < 0.1


@pytest.mark.long
def test_an_hour_of_the_runaway() -> None:
    """An hour of it, rendered: a number and under the ceiling throughout, and still sounding at the end."""
    circuit = design(voicer.load("storm-bell").changed({"repeats.feedback": 1.4, "output.level_db": 12}))
    echo = Echo(echo_coefficients(circuit, RATE_HZ), RATE_HZ)
    ceiling = Ceiling(ceiling_numbers(CEILING_DB, RATE_HZ))
    x = np.zeros(60 * RATE_HZ)
    x[:RATE_HZ] = 0.5 * np.sin(2 * np.pi * 220 / RATE_HZ * np.arange(RATE_HZ))
    y = np.empty_like(x)
    for _ in range(60):
        echo.process(x, y)
        ceiling.process(y, y)
        x[:] = 0
        assert np.abs(y).max() <= CEILING
    assert np.sqrt(np.mean(y[-RATE_HZ:] ** 2)) > 0.1
