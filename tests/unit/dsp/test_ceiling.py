"""The output ceiling fails safe."""

from __future__ import annotations

import numpy as np
import pytest

from voicer.dsp.ceiling import FAILED, limit_to_ceiling
from voicer.dsp.coefficients import ceiling_numbers

RATE_HZ = 48_000
GOOD = ceiling_numbers(-3.0, RATE_HZ)


@pytest.mark.parametrize(
    ("numbers", "gain"),
    [
        ((np.nan, *GOOD[1:]), 1.0), ((np.inf, *GOOD[1:]), 1.0), ((0.0, *GOOD[1:]), 1.0), ((-0.5, *GOOD[1:]), 1.0),
        ((1.5, *GOOD[1:]), 1.0), ((GOOD[0], np.nan, GOOD[2]), 1.0), ((GOOD[0], -1.0, GOOD[2]), 1.0),
        ((GOOD[0], 7.0, GOOD[2]), 1.0), ((*GOOD[:2], np.nan), 1.0), ((*GOOD[:2], 0.0), 1.0), ((*GOOD[:2], -2.0), 1.0),
        (tuple(GOOD), np.nan), (tuple(GOOD), np.inf), (tuple(GOOD), -1.0), (tuple(GOOD), 40.0),
    ],
)  # fmt: skip
@pytest.mark.parametrize("kind", [np.float32, np.float64])
def test_a_ceiling_that_cannot_work_is_silent(numbers: tuple[float, ...], gain: float, kind: type) -> None:
    """With impossible numbers, or an impossible gain of its own, nothing leaves; it never lets the sound through."""
    x, y, state = 5.0 * np.ones(64), np.full(64, 9.0, kind), np.array([gain, 1.0])
    assert limit_to_ceiling(x, y, np.array(numbers), state) == FAILED
    assert not y.any()


def test_a_spoiled_gain_comes_back_from_silence() -> None:
    """After one silent block the gain rises again, by the release time constant of 0.2 s and without a jump."""
    x, y, state = np.full(RATE_HZ, 0.5), np.zeros(RATE_HZ), np.array([np.nan, 1.0])
    limit_to_ceiling(x, y, GOOD, state)
    limit_to_ceiling(x, y, GOOD, state)
    assert np.abs(np.diff(y, prepend=0.0)).max() < 1e-4
    assert y[round(0.2 * RATE_HZ)] == pytest.approx(0.5 * (1 - np.exp(-1)), rel=1e-3)


def test_the_lowest_gain_is_reported() -> None:
    """1 while nothing is held; what a sample of 2 needs is found in whichever place it stands."""
    x, y, state = np.full(64, 0.1), np.zeros(64), np.ones(2)
    assert limit_to_ceiling(x, y, GOOD, state) == 1.0
    x[20] = 2.0
    assert limit_to_ceiling(x, y, GOOD, state) == GOOD[0] / 2


def test_a_mute_is_silence_within_4_ms_and_no_click() -> None:
    """A steady sample fades to exact silence in 192 steps at 48 kHz, stays there, and comes back the same way; the mute
    does not count as the ceiling at work.
    """
    x, y, state = np.full(RATE_HZ // 100, 0.5), np.zeros(RATE_HZ // 100), np.ones(2)
    assert limit_to_ceiling(x, y, ceiling_numbers(-3.0, RATE_HZ, muted=True), state) == 1.0
    assert np.abs(np.diff(y, prepend=0.5)).max() < 0.5 / 191
    assert not y[193:].any()
    assert limit_to_ceiling(x, y, GOOD, state) == 1.0
    assert np.abs(np.diff(y, prepend=0.0)).max() < 0.5 / 191
    assert (y[193:] == 0.5).all()


def test_a_mute_of_no_known_share_is_silent() -> None:
    """Like the gain, it starts again from 0."""
    y, state = np.ones(64), np.array([1.0, np.nan])
    assert limit_to_ceiling(np.ones(64), y, GOOD, state) == FAILED
    assert not y.any()
    assert list(state) == [0.0, 0.0]
