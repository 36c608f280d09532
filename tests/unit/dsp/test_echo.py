"""The kernel's behaviour as a program: splits, seeds, glides, bounds of time and memory."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from voicer.circuit import Circuit, design
from voicer.circuit.compander import UNITY_RMS_V
from voicer.dsp import echo as kernel
from voicer.dsp.coefficients import echo_coefficients, named
from voicer.dsp.echo import GLIDE_SEGMENTS, SEGMENT, Echo
from voicer.dsp.rendering import render
from voicer.errors import VoicerError
from voicer.voicing import Compander, Delay, Filters, Flaws, Line, LowPass, Modulation, Output, Repeats, Voicing

RATE_HZ = 48_000
IDEAL = Flaws(transfer_loss=0, saturation=0, leakage=0, noise=0, clock_bleed=0)
LIVELY = Voicing(
    name="Lively", line=Line(stages=1024, devices=2), delay=Delay(time_ms=35, shortest_ms=12, longest_ms=120),
    repeats=Repeats(feedback=0.8), modulation=Modulation(mode="vibrato", rate_hz=6, depth_percent=1.5),
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


@pytest.mark.parametrize("lengths", [[1], [16], [64], [7, 100, 33], "random"])
def test_blocks_of_any_length_give_the_same_samples(lengths: Any) -> None:
    """Every flaw on, compander in, the clock moving, coefficients changed on the way: equal to 1e-12."""
    if lengths == "random":
        lengths = np.random.default_rng(5).integers(1, 700, 500)
    x = noise(24_000)
    others = {
        5000: numbers(LIVELY.changed({"delay.time_ms": 90, "filters.anti_alias.cutoff_hz": 1500})),
        12_000: numbers(LIVELY.changed({"line.stages": 2048, "repeats.feedback": 0.3})),
    }
    expected = played(LIVELY, x, [4096], others=others)
    assert np.abs(played(LIVELY, x, lengths, others=others) - expected).max() < 1e-12


def test_a_seed_decides_the_noise() -> None:
    """The same seed gives the same samples, another seed others."""
    silence = np.zeros(8000)
    first, same, other = (played(LIVELY, silence, [64], seed=seed) for seed in (3, 3, 4))
    assert np.array_equal(first, same)
    assert not np.array_equal(first, other)


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
    steady = LIVELY.changed({"modulation.mode": "off", "flaws.noise": 0, "flaws.clock_bleed": 0})
    x = 0.3 * np.sin(2 * np.pi * 110 / RATE_HZ * np.arange(40_000))
    y = played(steady, x, [64], others={32_000: numbers(steady.changed(change))})
    jumps = np.abs(np.diff(y))
    usual = max(jumps[28_000:31_990].max(), jumps[36_000:].max())
    ramp = 0.3 / (GLIDE_SEGMENTS * SEGMENT)  # a gain that moves by one in 4 ms adds this on the tone's crest
    assert jumps[31_990:32_400].max() < 1.05 * usual + ramp
    assert GLIDE_SEGMENTS * SEGMENT + SEGMENT < 0.005 * RATE_HZ


def test_a_turned_time_control_bends_the_pitch_evenly() -> None:
    """Steps of a controller 15 ms apart: the clock never stands still between two, and never moves by more than the
    steps call for; a message for another knob does not hold it up.
    """
    plain = LIVELY.changed({"modulation.mode": "off"})
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


def test_the_kernel_is_compiled_once() -> None:
    """No further signature appears after the first block, whatever comes."""
    played(LIVELY, noise(500), [64])
    signatures = list(kernel.echo_block.signatures)
    played(LIVELY.changed({"line.devices": 1, "compander.enabled": False}), noise(500), [1, 64])
    Echo(numbers(LIVELY, 96_000), 96_000).process(noise(64), np.empty(64))
    assert list(kernel.echo_block.signatures) == signatures


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


def test_a_tail_never_turns_denormal() -> None:
    """A minute of silence after a loud burst, all flaws (and so the noise) off: no state is subnormal."""
    silent = LIVELY.changed({f"flaws.{flaw}": 0 for flaw in Flaws.model_fields})
    echo = Echo(numbers(silent), RATE_HZ)
    echo.process(noise(4800), np.empty(4800))
    for _ in range(60):
        echo.process(np.zeros(RATE_HZ), np.empty(RATE_HZ))
        states = np.concatenate([np.ravel(part) for part in (*echo._buffers, *echo._floats[0].tolist())])
        size = np.abs(states[states != 0].astype(float))
        assert not np.any(size < np.finfo(float).tiny)


@pytest.mark.parametrize("rate_hz", [44_100, 88_200, 96_000, 192_000])
def test_other_sample_rates_sound_alike(rate_hz: int) -> None:
    """A slow pulse comes back at the same time and level as at 48 kHz."""
    plain = Voicing(name="Plain", delay=Delay(time_ms=50, shortest_ms=30, longest_ms=80), line=Line(stages=1024),
                    flaws=IDEAL, compander=Compander(enabled=False), output=Output(blend=1),
                    repeats=Repeats(feedback=0))  # fmt: skip

    def pulse(hz: int) -> Any:
        t_s = np.arange(int(0.1 * hz)) / hz
        x = np.exp(-(((t_s - 0.005) / 4e-4) ** 2))
        return t_s, render(x, hz, design(plain), ceiling_db=None)

    (t_s, y), (fine_s, fine) = pulse(rate_hz), pulse(48_000)
    assert np.abs(np.interp(fine_s, t_s, y) - fine).max() < 2e-3 * np.abs(fine).max()


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


@pytest.mark.parametrize(("in_db", "line_db"), [(0, 0), (8, 4), (-20, -10), (-40, -20), (-60, -30)])
def test_compressor_halves_levels(in_db: float, line_db: float) -> None:
    """2:1 in dB around 0.775 V rms (application note AN174; unity level common practice), within 0.1 dB."""
    taken = at_the_line(tone(in_db), wide(compander=True))[-4000:]
    assert 20 * np.log10(np.sqrt(np.mean(taken**2)) / UNITY_RMS_V) == pytest.approx(line_db, abs=0.1)


def test_compander_attack_and_recovery() -> None:
    """12 dB up: 1.5 times the final level after 3.00 ms; 12 dB down: 0.75 times after 13.50 ms (20 ms; 4 %)."""
    steady = [np.full(int(0.4 * RATE_HZ), level) for level in (0.1, 0.4, 0.1)]
    alternating = np.concatenate(steady) * np.where(np.arange(int(1.2 * RATE_HZ)) % 24 < 12, 1, -1)
    circuit = wide(compander=True)
    taken = np.abs(at_the_line(alternating, circuit))
    clock_hz = circuit.clock_hz
    cycle = round(clock_hz / 2000)
    level = np.array([np.median(taken[at : at + 2 * cycle]) for at in range(0, taken.size - 2 * cycle, 2)])
    time_s = np.arange(level.size) * 2 / clock_hz
    up, down = (time_s > 0.4) & (time_s < 0.8), time_s > 0.8
    high, low = np.median(level[(time_s > 0.7) & (time_s < 0.79)]), np.median(level[time_s > 1.1])
    attack_ms = 1e3 * (time_s[up & (level > 1.5 * high)][-1] - 0.4)
    recovery_ms = 1e3 * (time_s[down & (level < 0.75 * low)][-1] - 0.8)
    assert attack_ms == pytest.approx(3.00, abs=0.6)
    assert recovery_ms == pytest.approx(13.50, abs=0.6)


def test_the_pair_is_transparent() -> None:
    """With an ideal line a steady tone is the same with and without the pair, to -40 dB of ripple at 1 kHz."""
    got = render(tone(-10), RATE_HZ, wide(compander=True), ceiling_db=None)[-9600:]
    expected = render(tone(-10), RATE_HZ, wide(compander=False), ceiling_db=None)[-9600:]
    assert np.abs(got - expected).max() < 0.01 * np.abs(expected).max()


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
