"""Published exercises and worked examples, each beside its source, against the blocks' own formulas."""

from __future__ import annotations

import numpy as np
import pytest

from voicer.board.blocks.gain_cells import design_gain_cells
from voicer.board.blocks.lfo import triangle_hz, triangle_peak_v
from voicer.circuit.compander import SINE_AVERAGE_OF_RMS, UNITY_RMS_V

# A textbook's triangle generator, worked: C = 0.1 uF, R = 2.2 kohm, R2 = 10 kohm, R3 = 8.2 kohm give 1386 Hz; the
# circuit as built measured 1130 Hz.
TRIANGLE = {"schmitt_in_ohm": 8.2e3, "schmitt_feedback_ohm": 10e3, "integrator_ohm": 2.2e3, "farad": 0.1e-6}


def test_the_triangle_generator_worked_example() -> None:
    """1386 Hz as published (1385.81 to more digits), and 0.82 of the trigger's swing."""
    made_hz = triangle_hz(**TRIANGLE)
    assert round(made_hz) == 1386
    assert made_hz == pytest.approx(1385.81, abs=0.005)
    assert triangle_peak_v(8.2e3, 10e3, 12.0) == pytest.approx(9.84, abs=1e-9)


def test_the_triangle_generator_as_built_needs_its_tolerances() -> None:
    """The measured 1130 Hz is 18 % low: no single 10 % part explains it, all four at once do."""
    assert 1130 / triangle_hz(**TRIANGLE) - 1 == pytest.approx(-0.185, abs=0.001)
    worst = {"schmitt_in_ohm": 1.1, "schmitt_feedback_ohm": 0.9, "integrator_ohm": 1.1, "farad": 1.1}
    alone = [triangle_hz(**(TRIANGLE | {name: TRIANGLE[name] * by})) for name, by in worst.items()]
    assert min(alone) > 1130 > triangle_hz(**{name: TRIANGLE[name] * by for name, by in worst.items()})


def test_the_compander_reaches_the_telephone_standards_times() -> None:
    """Nominal 3 ms attack and 13.5 ms recovery on a 12 dB step, for 20 ms: 2 uF at 10 kohm.

    The times are those of CCITT G.162 and G.166 as remembered (from memory, unverified); the closed form they are
    computed with is our own, and agrees with both.
    """
    cells = design_gain_cells(20e-3)
    assert cells.send_averaging_farad + cells.send_padder_farad == pytest.approx(2e-6, rel=1e-12)
    assert cells.attack_s == pytest.approx(3.0e-3, abs=0.005e-3)
    assert cells.recovery_s == pytest.approx(13.5e-3, abs=0.005e-3)


def test_the_compressors_times_followed_in_time() -> None:
    """A feedback compressor stepped by 12 dB, in small steps of time: within 1.5 and 0.75 of its final level."""
    cells, step_s = design_gain_cells(20e-3), 1e-6
    for start, end, within, expected_s in ((1.0, 4.0, 1.5, cells.attack_s), (4.0, 1.0, 0.75, cells.recovery_s)):
        average, time_s = np.sqrt(start), 0.0
        while abs(np.log(end / average / np.sqrt(end))) > abs(np.log(within)):
            average += (end / average - average) / cells.send_s * step_s
            time_s += step_s
        assert time_s == pytest.approx(expected_s, rel=2e-3)


def test_the_level_that_passes_unchanged() -> None:
    """0.775 V rms, whose rectified average is the 0.7 V of the published compressor gain sqrt(0.7 / average).

    Source: circuit notes on the 2:1 compandor (application note AN174 has the law).
    """
    assert UNITY_RMS_V == 0.775
    average_v = UNITY_RMS_V * SINE_AVERAGE_OF_RMS
    assert average_v == pytest.approx(0.69775, abs=5e-6)
    assert 20 * np.log10(np.sqrt(0.7 / average_v)) == pytest.approx(0.0, abs=0.02)
