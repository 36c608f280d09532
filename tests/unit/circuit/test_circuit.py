"""The clock law, delay, loop gain and edge of the circuit, and what it says of itself."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings

from tests.fuzz.strategies import voicings
from voicer.circuit import design, facts, remarks
from voicer.circuit.circuit import wet_peak
from voicer.circuit.compander import attack_s, recovery_s
from voicer.circuit.devices import DEVICE_CLASSES, line_delay_s
from voicer.errors import CircuitError
from voicer.voicing import Delay, Filters, Line, LowPass, Repeats, Voicing


def voicing(**changes: object) -> Voicing:
    return Voicing(name="Test", **changes)


@pytest.mark.parametrize(
    ("stages", "clock_hz", "delay_s"),
    [(4096, 6826.6666667, 0.3), (1024, 51_200, 0.010), (4096, 102_400, 0.02), (4096, 40_960, 0.05),
     (4096, 20_480, 0.1), (4096, 10_240, 0.2), (4096, 3413.3333333, 0.6)],
)  # fmt: skip
def test_clock_law(stages: int, clock_hz: float, delay_s: float) -> None:
    """T = N / (2 fc): 300 ms and 10 ms as in Raffel's seminar slides of 2010, the rest computed."""
    assert line_delay_s(stages, clock_hz) == pytest.approx(delay_s, rel=1e-9)


@settings(max_examples=60, derandomize=True, deadline=None)
@given(voicings())
def test_delays_add_up_to_the_set_time(made: Voicing) -> None:
    """Line, hold, charge left behind and both filters together take exactly the set time at low frequency."""
    try:
        circuit = design(made)
    except CircuitError:
        return
    clock_hz = circuit.clock_hz
    total_s = (circuit.line.periods + circuit.line.extra_periods(clock_hz)) / clock_hz + circuit.filter_delay_s
    assert total_s == pytest.approx(made.delay.time_ms / 1e3, rel=1e-7)


@pytest.mark.parametrize("feedback", [0.3, 1.0, 1.5])
def test_feedback_is_the_loudest_loop_gain_of_the_span(feedback: float) -> None:
    """At 1 the loop just reaches the edge, at the loudest pitch and time; nowhere does it pass what was asked."""
    circuit = design(voicing(repeats=Repeats(feedback=feedback)))
    assert circuit.mixer.feedback_gain * wet_peak(circuit) == pytest.approx(feedback)
    gains = [circuit.loop_gain(circuit.clock_for(t_s)) for t_s in np.linspace(0.030, 0.4, 40)]
    assert feedback * 0.97 < max(gains) < feedback * 1.001


def test_time_control_moves_the_clock_alone() -> None:
    """Another time within the span leaves the feedback's gain and the filters as they are."""
    first = design(voicing(delay=Delay(time_ms=300, shortest_ms=30, longest_ms=400)))
    second = design(voicing(delay=Delay(time_ms=60, shortest_ms=30, longest_ms=400)))
    assert first.mixer == second.mixer
    assert first.anti_alias == second.anti_alias
    assert first.clock_hz < second.clock_hz


def test_filters_that_leave_no_time_are_refused() -> None:
    """One line: the rule, the clock and delay it would take, and what to do."""
    slow = LowPass(shape="butterworth", order=6, cutoff_hz=300)
    made = voicing(
        line=Line(stages=512), delay=Delay(time_ms=5, shortest_ms=2, longest_ms=50),
        filters=Filters(anti_alias=slow, reconstruction=slow),
    )  # fmt: skip
    with pytest.raises(CircuitError, match=r"must leave the line a clock below 230 kHz .*; use at least .* ms"):
        _ = design(made)


def test_transfer_loss_is_flat_at_slow_clocks_and_rises_at_fast_ones() -> None:
    """Monotone, as Haslett and Kejariwal (1977) describe."""
    clocks = np.geomspace(2e3, 200e3, 100)
    for device in DEVICE_CLASSES.values():
        loss = device.transfer_loss_at(clocks)
        assert np.all(np.diff(loss) >= 0)
        assert loss[30] == pytest.approx(loss[0], rel=1e-3)
        assert loss[-1] > 5 * loss[0]


def test_compander_times_in_closed_form() -> None:
    """3.00 and 13.50 ms for 20 ms: the nominal telephony values (G.166, from memory), derived by ourselves."""
    assert (1e3 * attack_s(0.020), 1e3 * recovery_s(0.020)) == pytest.approx((3.00, 13.50), abs=0.002)


def test_four_thousand_stages_at_600_ms_are_told_to_fold() -> None:
    """Common practice, no source: 4096 stages serve 600 ms only with folding; clock and bandwidth are named."""
    made = voicing(delay=Delay(time_ms=600, shortest_ms=60, longest_ms=600))
    told = remarks(design(made))
    assert [remark.about for remark in told] == ["folding", "images", "clock"]
    assert "the clock is 3.42 kHz, which serves up to 1.71 kHz" in told[0].line


def test_a_runaway_is_told_first() -> None:
    """The caution about sudden loudness comes before all else."""
    assert remarks(design(voicing(repeats=Repeats(feedback=1.2))))[0].about == "runaway"
    assert facts(design(voicing()))["remarks"] == []
