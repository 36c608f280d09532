"""Taps to a delay time."""

from __future__ import annotations

import pytest

from voicer.play.tempo import TapTempo


@pytest.mark.parametrize(
    ("taps_s", "expected_ms"),
    [
        ([], None),
        ([5.0], None),
        ([0.0, 0.5], 500.0),
        ([0.0, 0.5, 1.0, 1.5], 500.0),
        ([0.0, 0.5, 1.0, 1.8, 2.3], 500.0),
        ([0.0, 1.0, 2.0, 2.25, 2.5, 2.75, 3.0], 250.0),
        ([0.0, 0.4, 1.0], 500.0),
        ([0.0, 2.5], 2500.0),
        ([0.0, 2.51], None),
        ([0.0, 0.5, 3.5], None),
        ([0.0, 0.5, 3.5, 3.75], 250.0),
        ([0.0, 0.5, 0.5], 500.0),
        ([0.0, 0.5, 0.4, 1.0], 500.0),
    ],
)
def test_tempo(taps_s: list[float], expected_ms: float | None) -> None:
    """The median of the last four intervals counts; a pause over 2.5 s begins anew; a repeat is dropped."""
    tempo = TapTempo()
    for at_s in taps_s:
        tempo.tap(at_s)
    assert tempo.milliseconds == (None if expected_ms is None else pytest.approx(expected_ms))


def test_a_tap_gives_the_tempo_so_far() -> None:
    """The first tap gives nothing, the second the interval."""
    tempo = TapTempo()
    assert [tempo.tap(1.0), tempo.tap(1.25)] == [None, 250.0]
