"""Ways out of a runaway: bypass, mute, and a line that is emptied on recall."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

import voicer
from voicer import library
from voicer.board import design
from voicer.circuit import Circuit
from voicer.dsp.coefficients import BYPASSED_LOOP_GAIN, bypassed_feedback, echo_coefficients, named
from voicer.dsp.echo import FADE_S, SEGMENT, Echo
from voicer.voicing import Modulation, Output, Repeats, Voicing

RATE_HZ = 48_000
SILENCE = np.zeros(RATE_HZ // 10)


def howling(circuit: Circuit, seconds: float = 6.0) -> tuple[Echo, float]:
    """An echo that has run away, and the rms level it has settled at."""
    echo, noise = Echo(echo_coefficients(circuit, RATE_HZ), RATE_HZ), np.random.default_rng(2)
    echo.process(0.5 * noise.standard_normal(RATE_HZ), np.empty(RATE_HZ))
    level = 0.0
    for _ in range(int(10 * seconds)):
        y = np.empty_like(SILENCE)
        echo.process(SILENCE, y)
        level = float(np.sqrt(np.mean(y**2)))
    return echo, level


def played(echo: Echo, seconds: float) -> Any:
    """So many seconds of silence through an echo."""
    y = np.empty(int(seconds * RATE_HZ))
    echo.process(np.zeros_like(y), y)
    return y


def decibels(y: Any, reference: float) -> float:
    """Rms level over a reference."""
    return float(20 * np.log10(np.sqrt(np.mean(y**2)) / reference + 1e-12))


RUNAWAYS = {
    "storm-bell": voicer.load("storm-bell").changed({"repeats.feedback": 1.5}),
    "short": Voicing(name="Short", repeats=Repeats(feedback=1.3)).changed({
        "line.stages": 512, "delay.shortest_ms": 3.0, "delay.time_ms": 5.0, "delay.longest_ms": 20.0,
        "filters.anti_alias.cutoff_hz": 6000.0, "filters.reconstruction.cutoff_hz": 6000.0,
    }),
    "swinging": Voicing(
        name="Swinging", repeats=Repeats(feedback=1.2), output=Output(blend=1.0),
        modulation=Modulation(range="slow", rate_hz=0.3, depth_percent=20),
    ).changed({"delay.time_ms": 250.0}),
}  # fmt: skip


@pytest.mark.parametrize("voicing", RUNAWAYS.values(), ids=RUNAWAYS.keys())
def test_a_bypassed_runaway_rings_out(voicing: Voicing) -> None:
    """With the tail kept, a howl is at least 60 dB down after ten seconds and never gets louder on the way."""
    circuit = design(voicing)
    echo, level = howling(circuit)
    assert level > 0.01
    echo.glide_to(echo_coefficients(circuit, RATE_HZ, bypass="tail"))
    y = played(echo, 12.0)
    assert decibels(y[: RATE_HZ // 2], level) < 1
    assert decibels(y[-RATE_HZ:], level) < -60


def test_an_echo_switched_off_at_once_does_not_howl_on_behind_the_bypass() -> None:
    """Bypassed without tail for ten seconds and switched on again, a runaway starts from nothing."""
    circuit = design(RUNAWAYS["storm-bell"].changed({"flaws.noise": 0, "flaws.clock_bleed": 0}))
    echo, level = howling(circuit)
    echo.glide_to(echo_coefficients(circuit, RATE_HZ, bypass="cut"))
    played(echo, 12.0)
    echo.glide_to(echo_coefficients(circuit, RATE_HZ))
    assert decibels(played(echo, 0.3), level) < -60


def test_feedback_below_the_edge_is_kept_in_bypass() -> None:
    """Voicings that ring out by themselves keep their repeats as they are; those that do not are held below 1."""
    for entry in library.listing():
        circuit = design(voicer.load(entry.name))
        held = bypassed_feedback(circuit) / circuit.mixer.feedback_gain if circuit.mixer.feedback_gain else 1.0
        loop_gain = circuit.loop_gain(circuit.clock_hz)
        assert held <= 1
        assert held * max(loop_gain, circuit.loop_gain_in_silence(circuit.clock_hz)) <= BYPASSED_LOOP_GAIN
        if circuit.loop_gain_in_silence(circuit.clock_hz) < 0.5:
            assert held == 1


def test_mute_is_silence_within_5_ms_and_empties_the_line() -> None:
    """Input and howl are both gone after 5 ms; unmuted a second later nothing of the howl is left."""
    voicing = RUNAWAYS["storm-bell"].changed({"flaws.noise": 0, "flaws.clock_bleed": 0})
    circuit = design(voicing)
    echo, level = howling(circuit)
    echo.glide_to(echo_coefficients(circuit, RATE_HZ, muted=True))
    y = np.where(np.arange(RATE_HZ) < 0.9 * RATE_HZ, 0.5, 0.0)
    echo.process(y, y)
    assert not np.any(y[RATE_HZ // 200 :])
    echo.glide_to(echo_coefficients(circuit, RATE_HZ))
    assert decibels(played(echo, 1.0), level) < -150


def test_a_mute_pressed_twice_in_a_hurry_still_ends_the_howl() -> None:
    """Unmuted 5 ms later, before the line could be emptied: it is emptied all the same."""
    circuit = design(RUNAWAYS["storm-bell"])
    echo, level = howling(circuit)
    echo.glide_to(echo_coefficients(circuit, RATE_HZ, muted=True))
    played(echo, 0.005)
    echo.glide_to(echo_coefficients(circuit, RATE_HZ))
    played(echo, 0.03)
    assert decibels(played(echo, 0.5), level) < -40


@pytest.mark.parametrize("change", ["generation", "stages"])
@pytest.mark.parametrize("rate_hz", [48_000, 192_000])
def test_what_the_line_held_fades_out_without_a_click(change: str, rate_hz: int) -> None:
    """A new generation or another number of stages: the old sound fades over 10 ms and more, none of it comes back,
    and no step is larger than the tone's own steepest.
    """
    quiet = {"flaws.noise": 0, "flaws.clock_bleed": 0, "output.blend": 1.0, "modulation.range": "off"}
    before = voicer.load("lamp-lane").changed(quiet)
    after = before.changed({"line.stages": 2048, "delay.time_ms": 200.0} if change == "stages" else {})
    echo, tone = Echo(echo_coefficients(design(before), rate_hz), rate_hz), np.empty(rate_hz)
    echo.process(0.5 * np.sin(2 * np.pi * 330 / rate_hz * np.arange(rate_hz)), tone)
    steepest = np.abs(np.diff(tone)).max()
    echo.glide_to(echo_coefficients(design(after), rate_hz, generation=1))
    y = np.empty(rate_hz)
    echo.process(np.zeros(rate_hz), y)
    assert np.abs(np.diff(np.concatenate((tone[-1:], y)))).max() < 1.2 * steepest
    peak, half = np.abs(tone).max(), int(0.005 * rate_hz)
    assert np.abs(y[half : 2 * half]).max() > 0.15 * peak
    assert np.abs(y[int((FADE_S + 0.001) * rate_hz) + SEGMENT :]).max() < 1e-9


def test_a_generation_glides_to_everything_asked_for_meanwhile() -> None:
    """Knobs turned inside the fade are reached as outside of it."""
    circuit = design(voicer.load("lamp-lane"))
    echo = Echo(echo_coefficients(circuit, RATE_HZ), RATE_HZ)
    for step in range(30):
        turned = design(voicer.load("lamp-lane").changed({"delay.time_ms": 250.0 - step, "output.level_db": -step / 10}))
        echo.glide_to(echo_coefficients(turned, RATE_HZ, generation=1 + step // 12))
        played(echo, 0.002)
    wanted = echo_coefficients(turned, RATE_HZ, generation=3)
    played(echo, 0.2)
    assert np.abs(echo._flat - wanted).max() < 1e-12
    assert named(echo._flat)["generation"] == 3
