"""The clock law, delay, loop gain and edge of the circuit, and what it says of itself."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from scipy.integrate import solve_ivp

from tests.fuzz.strategies import voicings
from voicer.board import design
from voicer.circuit import Circuit, collect_facts, remarks
from voicer.circuit.circuit import CLOCK_LIMIT_HZ, wet_peak
from voicer.circuit.compander import attack_s, recovery_s
from voicer.circuit.devices import DEVICE_CLASSES, LineParts
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
    assert storage_s(stages, clock_hz) == pytest.approx(delay_s, rel=1e-9)


def storage_s(stages: int, clock_hz: float) -> float:
    """Time a sample spends in one device, s."""
    return float(LineParts(DEVICE_CLASSES[stages], 1).storage_s(np.array(clock_hz)))


def total_delay_s(circuit: Circuit, clock_hz: float) -> float:
    """Everything a slow signal waits for, s."""
    return (circuit.line.periods + circuit.line.extra_periods(clock_hz)) / clock_hz + circuit.filter_delay_s


@settings(max_examples=60, derandomize=True, deadline=None)
@given(voicings())
def test_delays_add_up_to_the_set_time(made: Voicing) -> None:
    """Line, hold, charge left behind and both filters together take the set time at low frequency, to 1 ns."""
    try:
        circuit = design(made)
    except CircuitError:
        return
    clock_hz = circuit.clock_hz
    assert total_delay_s(circuit, clock_hz) == pytest.approx(made.delay.time_ms / 1e3, abs=1e-9)
    longest_s, shortest_s = circuit.longest_s, circuit.shortest_s
    for time_s in (longest_s, shortest_s, (longest_s * shortest_s) ** 0.5):
        assert total_delay_s(circuit, circuit.clock_for(time_s)) == pytest.approx(time_s, abs=1e-9)


@pytest.mark.parametrize("stages", [512, 1024, 2048, 4096])
def test_a_device_as_it_is_takes_the_set_time_to_a_billionth(stages: int) -> None:
    """Over the whole clock range a class is rated for, with its own transfer loss: to 1e-9 of the time."""
    device = DEVICE_CLASSES[stages]
    longest_s, shortest_s = (
        storage_s(stages, clock_hz) + 1e-3 for clock_hz in (device.rated_clock_low_hz, device.rated_clock_high_hz)
    )
    span = Delay(time_ms=1e3 * longest_s, shortest_ms=1e3 * shortest_s, longest_ms=1e3 * longest_s)
    circuit = design(voicing(line=Line(stages=stages), delay=span))
    for time_s in np.geomspace(shortest_s, longest_s, 30):
        assert total_delay_s(circuit, circuit.clock_for(float(time_s))) == pytest.approx(time_s, rel=1e-9)


def loudest_loop_gain(circuit: Circuit) -> float:
    """Largest loop gain over the span of the time control, searched on a finer grid than the design's own."""
    f_hz = np.geomspace(15, 20_000, 3000)
    found = []
    for clock_hz in np.geomspace(circuit.clock_for(circuit.longest_s), circuit.clock_for(circuit.shortest_s), 60):
        gain = np.abs(circuit.wet_response(f_hz, float(clock_hz)))
        if circuit.compander.enabled:  # what lies between compressor and expander counts twice in dB
            gain = gain**2 * np.sqrt(1 + (circuit.low_cut_hz / f_hz) ** 2)
        found.append(gain[f_hz < clock_hz / 2].max(initial=0.0))
    return circuit.mixer.feedback_gain * float(max(found))


@pytest.mark.parametrize("feedback", [0.3, 1.0, 1.5])
def test_feedback_is_the_loudest_loop_gain_of_the_span(feedback: float) -> None:
    """At 1 the loop just reaches the edge, at the loudest pitch and time, to a thousandth."""
    circuit = design(voicing(repeats=Repeats(feedback=feedback)))
    assert circuit.mixer.feedback_gain * wet_peak(circuit) == pytest.approx(feedback, rel=1e-12)
    assert loudest_loop_gain(circuit) == pytest.approx(feedback, rel=1e-3)


def with_both_filters(shape: Any, order: int, cutoff_hz: float, low_cut_hz: float, feedback: float) -> Circuit:
    low_pass = LowPass(shape=shape, order=order, cutoff_hz=cutoff_hz)
    filters = Filters(low_cut_hz=low_cut_hz, anti_alias=low_pass, reconstruction=low_pass)
    return design(voicing(filters=filters, repeats=Repeats(feedback=feedback)))


@pytest.mark.parametrize("order", range(2, 7))
@pytest.mark.parametrize("shape", ["butterworth", "bessel", "chebyshev-0.5db", "chebyshev-1db"])
def test_feedback_of_one_is_the_edge_for_every_filter(shape: Any, order: int) -> None:
    """The same with both filters of any shape and order at 2500 Hz, to half a percent: the search's own spacing."""
    assert loudest_loop_gain(with_both_filters(shape, order, 2500, 70, 1.0)) == pytest.approx(1, rel=5e-3)


def test_below_one_no_filter_runs_away() -> None:
    """A feedback of 0.97 stays under the edge where both filters peak at the same narrow place."""
    assert loudest_loop_gain(with_both_filters("chebyshev-1db", 6, 1000, 500, 0.97)) < 1


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
    with pytest.raises(CircuitError) as caught:
        _ = design(made)
    line = str(caught.value)
    rule = (
        r"a delay of 2 ms must leave the line some time \(got none: the filters alone take 4\.1\d* ms\); "
        r"use at least [\d.]+ ms, fewer stages or higher cutoffs"
    )
    assert re.fullmatch(rule, line)


def test_the_remedy_of_a_refusal_helps() -> None:
    """The least time a refusal names is accepted; one a tenth shorter is not."""
    slow = LowPass(order=6, cutoff_hz=1000)

    def made(shortest_ms: float) -> Voicing:
        span = Delay(time_ms=50, shortest_ms=shortest_ms, longest_ms=100)
        return voicing(line=Line(stages=512), delay=span, filters=Filters(anti_alias=slow, reconstruction=slow))

    with pytest.raises(CircuitError, match="use at least") as caught:
        _ = design(made(2.0))
    named_ms = re.search(r"use at least ([\d.]+) ms", str(caught.value))
    assert named_ms is not None
    least_ms = float(named_ms.group(1))
    assert design(made(1.01 * least_ms)).fastest_clock_hz < CLOCK_LIMIT_HZ
    with pytest.raises(CircuitError, match=r"^a delay of "):
        _ = design(made(0.9 * least_ms))


def test_a_circuit_has_no_time_outside_what_its_clock_reaches() -> None:
    """Asked for another time later, the circuit itself refuses in the same words."""
    circuit = design(voicing())
    with pytest.raises(CircuitError, match=r"^a delay of 5 ms must leave the line a clock below 230 kHz \(got "):
        _ = circuit.clock_for(0.005)


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


@pytest.mark.parametrize(("before", "after", "crossing", "closed"), [(1, 4, 1.5, attack_s), (4, 1, 0.75, recovery_s)])
@pytest.mark.parametrize("time_constant_s", [0.005, 0.020, 0.080])
def test_closed_forms_solve_the_differential_equation(
    before: float, after: float, crossing: float, closed: Callable[[float], float], time_constant_s: float
) -> None:
    """T dE/dt = |y| - E with y = x / E, integrated by scipy from rest at one level after a 12 dB step to the other."""

    def over(_t: float, level: Any) -> float:
        return float(after / level[0] - crossing * np.sqrt(after))

    found = solve_ivp(
        lambda _t, level: (after / level - level) / time_constant_s, (0, 5 * time_constant_s), [np.sqrt(before)],
        events=over, rtol=1e-10, atol=1e-12,
    )  # fmt: skip
    assert found.t_events[0][0] == pytest.approx(closed(time_constant_s), rel=1e-6)


def test_four_thousand_stages_at_600_ms_are_told_to_fold() -> None:
    """Common practice, no source: 4096 stages serve 600 ms only with folding; clock and bandwidth are named."""
    made = voicing(delay=Delay(time_ms=600, shortest_ms=60, longest_ms=600))
    told = remarks(design(made))
    assert [remark.about for remark in told] == ["folding", "images", "clock"]
    assert "the clock is 3.42 kHz, which is good up to 1.71 kHz" in told[0].line


def test_a_runaway_is_told_first() -> None:
    """The caution about sudden loudness comes before all else."""
    assert remarks(design(voicing(repeats=Repeats(feedback=1.2))))[0].about == "runaway"
    assert collect_facts(design(voicing()))["remarks"] == []
