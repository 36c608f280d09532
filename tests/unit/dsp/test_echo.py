"""The kernel's behaviour as a program: splits, seeds, glides, bounds of time and memory."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from voicer.board import design
from voicer.circuit import Circuit
from voicer.circuit.compander import UNITY_RMS_V
from voicer.dsp import echo as kernel
from voicer.dsp.coefficients import echo_coefficients, named
from voicer.dsp.echo import GLIDE_SEGMENTS, SEGMENT, Echo
from voicer.dsp.layout import LAYOUT
from voicer.dsp.rendering import render
from voicer.errors import VoicerError
from voicer.voicing import Compander, Delay, Filters, Flaws, Line, LowPass, Modulation, Output, Repeats, Voicing

RATE_HZ = 48_000
IDEAL = Flaws(transfer_loss=0, saturation=0, leakage=0, noise=0, clock_bleed=0)
LIVELY = Voicing(
    name="Lively", line=Line(stages=1024, devices=2), delay=Delay(time_ms=35, shortest_ms=12, longest_ms=120),
    repeats=Repeats(feedback=0.8), modulation=Modulation(range="fast", rate_hz=6, depth_percent=1.5),
)  # fmt: skip


def numbers(voicing: Voicing, rate_hz: float = RATE_HZ) -> Any:
    return echo_coefficients(design(voicing), rate_hz)


def noise(frames: int, seed: int = 1) -> Any:
    return 0.3 * np.random.default_rng(seed).standard_normal(frames)


def played(voicing: Voicing, x: Any, lengths: Any, *, others: dict[int, Any] | None = None, seed: int = 1) -> Any:
    """Play in blocks of the given lengths, in turn; ``others`` are coefficients to glide to at a frame."""
    echo, y, at, turn = Echo(numbers(voicing), RATE_HZ, seed=seed), np.empty_like(x), 0, 0
    while at < x.size:
        length = int(lengths[turn % len(lengths)])
        for frame in sorted(others or {}):
            if at < frame < at + length:
                length = frame - at
        if others and at in others:
            echo.glide_to(others[at])
        echo.process(x[at : at + length], y[at : at + length])
        at, turn = at + length, turn + 1
    return y


@pytest.mark.parametrize("lengths", [[1], [16], [64], [4096], [7, 100, 33], "random"])
def test_blocks_of_any_length_give_the_same_samples(lengths: Any) -> None:
    """Every flaw on, compander in, the clock moving, coefficients changed on the way: equal to 1e-12."""
    if lengths == "random":
        lengths = np.random.default_rng(5).integers(1, 700, 500)
    assert set(LIVELY.flaws.model_dump().values()) == {1.0}
    assert LIVELY.compander.enabled
    assert design(LIVELY).lfo.deviation > 0
    x = noise(24_000)
    others = {
        5000: numbers(LIVELY.changed({"delay.time_ms": 90, "filters.anti_alias.cutoff_hz": 1500})),
        12_000: numbers(LIVELY.changed({"line.stages": 2048, "repeats.feedback": 0.3})),
    }
    expected = played(LIVELY, x, [257], others=others)
    assert np.abs(played(LIVELY, x, lengths, others=others) - expected).max() < 1e-12


def test_a_number_decides_the_noise() -> None:
    """The same start of the noise source gives the same samples, another one others."""
    silence = np.zeros(8000)
    first, same, other = (played(LIVELY, silence, [64], seed=seed) for seed in (3, 3, 4))
    assert np.array_equal(first, same)
    assert not np.array_equal(first, other)


@pytest.mark.parametrize("at", [1, 5003, 12_100, 20_000])
def test_a_copied_state_goes_on_sample_for_sample(at: int) -> None:
    """The arrays of an echo that was stopped anywhere, in a glide or a fade too, copied into one of another voicing."""
    x = noise(30_000)
    others = {
        5000: numbers(LIVELY.changed({"delay.time_ms": 90})),
        12_000: numbers(LIVELY.changed({"line.stages": 2048, "repeats.feedback": 0.3})),
    }
    expected = played(LIVELY, x, [64], others=others)
    first, second, y = Echo(numbers(LIVELY), RATE_HZ), Echo(numbers(Voicing(name="Other")), RATE_HZ, seed=9), x.copy()
    second.process(noise(4000, 2), np.empty(4000))
    for start in [0, *others, at]:
        if start < at:
            first.glide_to(others.get(start, numbers(LIVELY)))
            stop = min([frame for frame in others if frame > start] + [at])
            first.process(x[start:stop], y[start:stop])
    for into, kept in zip(second.state_arrays(), first.state_arrays(), strict=True):
        into[:] = kept
    for start in [at, *(frame for frame in others if frame > at)]:
        if start in others:
            second.glide_to(others[start])
        stop = min([frame for frame in others if frame > start] + [x.size])
        second.process(x[start:stop], y[start:stop])
    assert np.abs(y - expected).max() < 1e-12


def test_dry_is_the_input() -> None:
    """With the echo blended out, or bypassed, the output is the input, sample for sample."""
    x = noise(5000)
    assert np.array_equal(played(LIVELY.changed({"output.blend": 0}), x, [64]), x)
    cut = echo_coefficients(design(LIVELY), RATE_HZ, bypass="cut")
    echo, y = Echo(cut, RATE_HZ), np.empty_like(x)
    echo.process(x, y)
    assert np.array_equal(y, x)


def test_a_bypass_with_tail_lets_the_repeats_ring_out() -> None:
    """What was played before is still heard, what is played after is not echoed."""
    x = np.zeros(20_000)
    x[:2000] = noise(2000)
    x[10_000:11_000] = noise(1000)
    tail = echo_coefficients(design(LIVELY), RATE_HZ, bypass="tail")
    y = played(LIVELY, x, [100], others={3000: tail})
    assert np.abs(y[4000:6000]).max() > 0.01
    assert np.abs(y[12_000:] - x[12_000:]).max() < 0.3 * np.abs(y[4000:6000]).max()


@pytest.mark.parametrize(
    "change", [{"output.level_db": -12}, {"output.blend": 0.9}, {"repeats.feedback": 0.1}, {"output.blend": 0}]
)
def test_a_changed_gain_makes_no_click(change: dict[str, float]) -> None:
    """On a low tone no sample-to-sample jump grows beyond the tone's own, and the change is over within 5 ms."""
    steady = LIVELY.changed({"modulation.range": "off", "flaws.noise": 0, "flaws.clock_bleed": 0})
    x = 0.3 * np.sin(2 * np.pi * 110 / RATE_HZ * np.arange(40_000))
    y = played(steady, x, [64], others={32_000: numbers(steady.changed(change))})
    jumps = np.abs(np.diff(y))
    usual = max(jumps[28_000:31_990].max(), jumps[36_000:].max())
    ramp = 0.3 / (GLIDE_SEGMENTS * SEGMENT)  # a gain that moves by one in 4 ms adds this on the tone's crest
    assert jumps[31_990:32_400].max() < 1.05 * usual + ramp
    assert GLIDE_SEGMENTS * SEGMENT + SEGMENT < 0.005 * RATE_HZ


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
@pytest.mark.parametrize("change", [{"output.level_db": -12}, {"output.blend": 0.9}, {"output.blend": 0}])
def test_a_changed_gain_is_there_within_5_ms(change: dict[str, float], rate_hz: int) -> None:
    """Before the first repeat has come, the dry signal stands at its new gain 5 ms after the change, to rounding."""
    quiet = LIVELY.changed({"flaws.noise": 0, "flaws.clock_bleed": 0})
    mixer = design(quiet.changed(change)).mixer
    echo, x = Echo(numbers(quiet, rate_hz), rate_hz), np.full(64, 0.3)
    echo.glide_to(numbers(quiet.changed(change), rate_hz))
    frames, late, y = 0, [], np.empty(64)
    while frames < 0.010 * rate_hz:
        echo.process(x, y)
        late += [value for j, value in enumerate(y) if 0.005 * rate_hz <= frames + j < 0.010 * rate_hz]
        frames += 64
    assert np.abs(np.array(late) / 0.3 - mixer.dry_gain * mixer.level_gain).max() < 1e-12


def test_dry_is_the_input_after_a_glide() -> None:
    """Blended out while playing, the output is the input to the last bit but one (2.2e-16 of full scale)."""
    x = noise(20_000)
    y = played(LIVELY, x, [64], others={5000: numbers(LIVELY.changed({"output.blend": 0}))})
    assert np.abs(y - x)[5240:].max() < 1e-15


def test_a_turned_time_control_bends_the_pitch_evenly() -> None:
    """Steps of a controller 15 ms apart: the clock never stands still between two, and never moves by more than the
    steps call for; a message for another knob does not hold it up.
    """
    plain = LIVELY.changed({"modulation.range": "off"})
    echo, silence, clocks = Echo(numbers(plain), RATE_HZ), np.zeros(240), []
    for step in range(20):
        moved = plain.changed({"delay.time_ms": 35 + step, "output.level_db": -step / 10})
        for part in range(3):
            echo.glide_to(numbers(moved.changed({"output.blend": 0.4 + 0.01 * part})))
            echo.process(silence, np.empty(240))
            clocks.append(float(named(echo._flat)["clock"]))
    falls = -np.diff(clocks[6:])
    assert falls.min() > 0
    assert falls.max() < 4 * falls.min()


@pytest.mark.parametrize(
    ("x", "y"),
    [
        (np.zeros(64, np.float32), np.zeros(64)), (np.zeros(64), np.zeros(63)), (np.zeros(128)[::2], np.zeros(64)),
        (np.zeros(64), np.zeros((8, 8))),
    ],
)  # fmt: skip
def test_only_arrays_the_kernel_can_work_on_are_taken(x: Any, y: Any) -> None:
    """The kernel is a C function on addresses: another type, length or layout must not reach it."""
    with pytest.raises(ValueError, match="contiguous float64"):
        Echo(numbers(LIVELY), RATE_HZ).process(x, y)


def test_the_kernel_allocates_nothing() -> None:
    """Driven by compiled code, a thousand blocks cost numba's runtime as many allocations as one."""
    from numba import njit
    from numba.core.runtime import _nrt_python, rtsys

    @njit
    def drive(blocks: int, x: Any, y: Any, arguments: Any) -> None:
        for _ in range(blocks):
            kernel.echo_block(x, y, *arguments)

    _nrt_python.memsys_enable_stats()
    echo, x, y = Echo(numbers(LIVELY), RATE_HZ), noise(64), np.empty(64)
    arguments = (
        echo._factor, echo._flat, echo._target, echo._named, echo._target_named, echo._floats, echo._ints,
        *echo._buffers,
    )  # fmt: skip

    def allocations(blocks: int) -> int:
        before = rtsys.get_allocation_stats().alloc
        drive(blocks, x, y, arguments)
        return int(rtsys.get_allocation_stats().alloc - before)

    allocations(1)
    assert allocations(1000) == allocations(1)


@pytest.mark.parametrize("compander", [True, False], ids=["compander", "plain"])
def test_a_tail_never_turns_denormal(compander: bool) -> None:
    """A minute of silence after a loud burst, all flaws (and so the noise) off: no state is subnormal on the way."""
    silent = LIVELY.changed({f"flaws.{flaw}": 0 for flaw in Flaws.model_fields} | {"compander.enabled": compander})
    echo, silence, y = Echo(numbers(silent), RATE_HZ), np.zeros(480), np.empty(480)
    echo.process(10 * noise(4800), np.empty(4800))
    states = [np.ravel(part) for part in echo._buffers[:10]]
    line, (weights, _, tick_fraction) = echo._buffers[10], echo._buffers[11:14]
    smallest = np.finfo(float).tiny
    for block in range(60 * RATE_HZ // 480):
        echo.process(silence, y)
        parts = [*states, weights, tick_fraction, y, np.array(echo._floats[0].tolist())]
        size = np.abs(np.concatenate([*parts, line] if block % 10 == 0 else parts))
        assert not np.any((size > 0) & (size < smallest))
    assert np.abs(line).max() < 1e-15


PLAIN = Voicing(
    name="Plain", delay=Delay(time_ms=50, shortest_ms=30, longest_ms=80), line=Line(stages=2048), flaws=IDEAL,
    compander=Compander(enabled=False), output=Output(blend=1), repeats=Repeats(feedback=0),
)  # fmt: skip


@pytest.mark.parametrize(
    ("rate_hz", "allowed_db"), [(44_100, -90), (48_000, -90), (88_200, -95), (96_000, -98), (192_000, -112)]
)
def test_wet_response_is_the_circuits(rate_hz: int, allowed_db: float) -> None:
    """Level and phase of tones from 100 Hz to 5 kHz, delay included, at every kind of rate: the difference to what
    the parts say. At 96 and 192 kHz the inner rate is the audio rate.
    """
    circuit = design(PLAIN)
    t_s = np.arange(int(0.8 * rate_hz)) / rate_hz
    late = t_s > 0.4
    window = np.blackman(np.count_nonzero(late))
    for f_hz in (100.0, 500.0, 1000.0, 2000.0, 3000.0, 5000.0):
        y = render(0.5 * np.cos(2 * np.pi * f_hz * t_s), rate_hz, circuit, ceiling_db=None)
        turn = np.exp(-2j * np.pi * f_hz * t_s[late])
        got = 4 * np.sum(y[late] * window * turn) / window.sum()
        delay = np.exp(-2j * np.pi * f_hz * circuit.line.periods / circuit.clock_hz)
        expected = circuit.wet_response(np.array([f_hz]), circuit.clock_hz)[0] * delay
        assert 20 * np.log10(abs(got - expected)) < allowed_db


@pytest.mark.parametrize("rate_hz", [96_000, 192_000])
def test_the_single_rate_path_agrees_with_the_doubled_one(rate_hz: int) -> None:
    """A short sound, with feedback and chorus: every second or fourth frame is the one of 48 kHz, to -80 dB."""
    made = PLAIN.changed({"repeats.feedback": 0.6, "modulation.range": "slow"})
    factor = rate_hz // RATE_HZ

    def sound(hz: int) -> Any:
        t_s = np.arange(hz // 2) / hz
        return 0.5 * np.exp(-(((t_s - 0.05) / 0.01) ** 2)) * np.sin(2 * np.pi * 1500 * (t_s - 0.05))

    expected = render(sound(RATE_HZ), RATE_HZ, design(made), ceiling_db=None)
    got = render(sound(rate_hz), rate_hz, design(made), ceiling_db=None)[::factor]
    assert 20 * np.log10(np.abs(got - expected).max() / np.abs(expected).max()) < -80


def wide(compander: bool, **more: Any) -> Circuit:
    low_pass = LowPass(shape="bessel", order=2, cutoff_hz=20_000)
    return design(
        Voicing(
            name="Wide", line=Line(stages=512), delay=Delay(time_ms=5, shortest_ms=4, longest_ms=20), flaws=IDEAL,
            filters=Filters(low_cut_hz=10, anti_alias=low_pass, reconstruction=low_pass),
            compander=Compander(enabled=compander, time_constant_ms=20), repeats=Repeats(feedback=0),
            output=Output(blend=1), **more,
        )
    )  # fmt: skip


def at_the_line(x: Any, circuit: Circuit) -> Any:
    """What the line takes in, read from its cells as they are filled, sampled at the clock."""
    echo, y, taken = Echo(echo_coefficients(circuit, RATE_HZ), RATE_HZ), np.empty(64), []
    filled = int(echo._ints["filled"][0])
    line = echo._buffers[10]
    for at in range(0, x.size - 63, 64):
        echo.process(x[at : at + 64], y)
        now = int(echo._ints["filled"][0])
        taken.append(line[np.arange(filled, now) % 32_768])
        filled = now
    return np.concatenate(taken)


def tone(level_db: float, seconds: float = 1.0) -> Any:
    """1 kHz, so many dB above 0.775 V rms."""
    rms = UNITY_RMS_V * 10 ** (level_db / 20)
    return np.sqrt(2) * rms * np.sin(2 * np.pi * 1000 / RATE_HZ * np.arange(int(seconds * RATE_HZ)))


@pytest.mark.parametrize(("in_db", "line_db"), [(0, 0), (8, 4), (-20, -10), (-40, -20), (-60, -30), (-78, -39)])
def test_compressor_halves_levels(in_db: float, line_db: float) -> None:
    """2:1 in dB around 0.775 V rms (application note AN174; unity level common practice), within 0.05 dB."""
    taken = at_the_line(tone(in_db), wide(compander=True))[-4000:]
    assert 20 * np.log10(np.sqrt(np.mean(taken**2)) / UNITY_RMS_V) == pytest.approx(line_db, abs=0.05)


def test_silence_is_not_lifted_without_end() -> None:
    """Below -80 dB the cell stands at its floor of 40 dB of gain: -100 dB comes to -60 dB."""
    taken = at_the_line(tone(-100), wide(compander=True))[-4000:]
    assert 20 * np.log10(np.sqrt(np.mean(taken**2)) / UNITY_RMS_V) == pytest.approx(-60, abs=0.05)


def compressed(x: Any, time_constant_ms: float) -> Any:
    """``x``, frames at the inner rate, through the kernel's own compressor; its coupling is made to pass all."""
    from numba import njit

    @njit
    def drive(c: Any, s: Any, wet: Any, out: Any, poles: Any, work: Any, ready: Any) -> None:
        kernel._send(c[0], s[0], work.size, wet, 0, out, poles, work, ready)

    made = LIVELY.changed({"compander.time_constant_ms": time_constant_ms})
    c = numbers(made).view(LAYOUT)
    c["coupling"], c["coupling_fir"], c["feedback"] = (1, 1), (1, 0, 0, 0), 0
    s = np.zeros(1, kernel._FLOATS)
    s["send"], s["send_average"] = 1.0, c["lowest_average"]
    past, length = kernel._FIR_PAST, 32
    wet, out, ready = np.zeros(length), np.zeros(past + length), np.zeros(kernel._READ_PAST + length)
    taken = []
    for at in range(0, x.size, length):
        drive(c, s, wet, out, np.zeros((3, 2)), x[at : at + length].copy(), ready)
        taken.append(out[past:].copy())
    return np.concatenate(taken)


def test_compander_attack_and_recovery() -> None:
    """12 dB up: twice the final level at once, 1.5 times after 3.00 ms; 12 dB down: half at once, 0.75 times after
    13.50 ms (20 ms time constant, own closed form; nominal telephony values from memory), within 3 %.
    """
    inner_hz, frames = 2 * RATE_HZ, 38_400
    levels = np.repeat([0.1, 0.4, 0.1], frames)
    alternating = levels * np.where(np.arange(levels.size) // 37 % 2, 1, -1)
    before, up, down = np.abs(compressed(alternating, 20)).reshape(3, frames)
    assert up[-1] / before[-1] == pytest.approx(2, rel=1e-6)
    assert (up[0] / up[-1], down[0] / down[-1]) == pytest.approx((2, 0.5), rel=2e-3)
    attack_ms = 1e3 * np.argmax(up < 1.5 * up[-1]) / inner_hz
    recovery_ms = 1e3 * np.argmax(down > 0.75 * down[-1]) / inner_hz
    assert attack_ms == pytest.approx(3.00, rel=0.03)
    assert recovery_ms == pytest.approx(13.50, rel=0.03)


@pytest.mark.parametrize("level_db", [-30, -10, 0])
def test_the_pair_is_transparent(level_db: float) -> None:
    """With an ideal line a steady tone is the same with and without the pair, to -80 dB, but for one factor.

    It cannot be exact: what the line and its filters lose at the tone's frequency (0.02 dB here) is lost once from the
    signal and once more from the average that sets the expander's gain, so it counts twice. Without that factor the
    two differ by -53.7 dB.
    """
    circuit = wide(compander=True)
    got = render(tone(level_db), RATE_HZ, circuit, ceiling_db=None)[-9600:]
    expected = render(tone(level_db), RATE_HZ, wide(compander=False), ceiling_db=None)[-9600:]
    factor = np.dot(got, expected) / np.dot(expected, expected)
    assert np.abs(got - factor * expected).max() < 1e-4 * np.abs(expected).max()
    once_db = 20 * np.log10(abs(circuit.wet_response(np.array([1000.0]), circuit.clock_hz)[0]))
    assert 20 * np.log10(factor) == pytest.approx(once_db, abs=0.003)


@pytest.mark.parametrize(
    ("x", "rate_hz", "line"),
    [(np.zeros((2, 100)), 48_000, "one channel"), (np.zeros(10), 22_050, "sample_rate_hz must be in 44100..192000 Hz")],
)
def test_render_refuses_in_words(x: Any, rate_hz: float, line: str) -> None:
    """A wrong shape or sample rate is one line with rule and value."""
    with pytest.raises(VoicerError, match=line):
        render(x, rate_hz, design(LIVELY))


def test_coefficients_are_named_in_place() -> None:
    """The named view writes into the flat array that travels to the engine."""
    flat = numbers(LIVELY)
    named(flat)["wet"] = 0.125
    assert 0.125 in flat
