"""One flaw at a time: a phrase through the voicing with exactly one flaw of its devices; hiss and clock on silence."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from voicer.circuit.devices import transfer_gain
from voicer.circuit.filters import half_power_hz
from voicer.circuit.tails import find_peak
from voicer.explain.chapter import Array, Snippet, decibels
from voicer.explain.claims import Claim, Subject, with_echo
from voicer.explain.folding import HIGHEST_HZ, SLOWED_HZ, slow_clock
from voicer.measure import probes
from voicer.measure.bench import shipped_riff
from voicer.measure.meters import loudness_lufs
from voicer.voicing import Flaws

PHRASE_S, TAIL_S = 6.0, 2.5
TAME_GAIN, TAME_FEEDBACK = 0.98, 0.8
"""A phrase is not played through a loop whose gain peaks above the first; its feedback is then the second."""

PEAK_DB = -1.0
"""No sound goes higher."""

LEAST_AMOUNT = 0.05
"""Less of a flaw than this is not heard: it is shown at 1 instead."""

SILENCE_S, SETTLE_S = 4.0, 1.0
SILENCE_LU = -12.0
"""Loudness of the sounds on silence relative to the phrases."""

DISTORTED_V = 0.775
"""Level of the tone whose distortion is given, V rms."""


@dataclass(frozen=True)
class Flawed:
    """All sounds of the chapter, and what is needed to place others beside them."""

    snippets: tuple[Snippet, ...]
    subject: Subject
    """What the phrases are played through: the voicing, or a copy that does not run away."""
    loudness_lufs: float
    """Of every phrase."""
    gain: float
    """From V at the output of the voicing as it is to full scale."""


def demonstrate_flaws(subject: Subject) -> Flawed:
    """The phrase with no, each and all flaws, at one loudness; noise and clock bleed on silence, raised."""
    subject = with_echo(subject)
    if subject.shown.repeats.feedback and find_peak(subject.circuit).loop_gain > TAME_GAIN:
        feedback = {"repeats.feedback": TAME_FEEDBACK}
        subject = subject.changed(feedback, "with its own feedback the phrase would run away or ring on")
    x = np.concatenate((shipped_riff()[: int(PHRASE_S * probes.RATE_HZ)], np.zeros(int(TAIL_S * probes.RATE_HZ))))
    played = list(_phrases(subject, x))
    levels = [_loudness(one.samples) for one in played]
    room = [level - float(decibels(np.abs(one.samples).max())) for level, one in zip(levels, played, strict=True)]
    target = min(room) + PEAK_DB
    gains = [10 ** ((target - level) / 20) for level in levels]
    phrases = [_louder(one, gain) for one, gain in zip(played, gains, strict=True)]
    silent = [_on_silence(subject, flaw, target, gains[-1]) for flaw in ("noise", "clock_bleed")]
    return Flawed((*phrases, *silent), subject, target, gains[-1])


def _phrases(subject: Subject, x: Array) -> Iterator[Snippet]:
    """In V, not yet matched; the voicing as it is comes last."""
    flawless = with_flaws(subject)
    yield Snippet("ideal", "an ideal delay", (_ideal(flawless),), ideal_delay(flawless, x), subject)
    yield _played("no-flaws", "no flaws", flawless, x, (Claim(
        "flaws.none", "The voicing's filters, compander and modulation, with none of the devices' flaws.",
    ),))  # fmt: skip
    for flaw, describe in (("transfer_loss", _transfer_loss), ("saturation", _saturation), ("leakage", _leakage)):
        alone = _alone(subject, flaw)
        yield _played(f"only-{flaw.replace('_', '-')}", f"only {flaw.replace('_', ' ')}", alone, x, describe(alone))
    yield _played("as-it-is", "as it is", subject, x, (Claim("flaws.all", "The voicing with all its flaws."),))


def _ideal(subject: Subject) -> Claim:
    circuit = subject.circuit
    values = {"time_ms": 1e3 * circuit.time_s, "loop_gain": float(circuit.loop_gain(circuit.clock_hz))}
    bare = "no filter, compander, modulation or flaw. The mix is the voicing's."
    if not circuit.mixer.feedback_gain:
        return Claim("flaws.ideal_once", f"One exact copy {{time_ms:.4g}} ms after the note: {bare}", values)
    copies = "Exact copies {time_ms:.4g} ms apart, each {loop_gain:.2f} times the one before"
    return Claim("flaws.ideal", f"{copies}: {bare}", values)


def with_flaws(subject: Subject, **flaws: float) -> Subject:
    """What is shown with these flaws and no others."""
    values: dict[str, float] = dict.fromkeys(Flaws.model_fields, 0.0) | flaws
    return subject.changed({f"flaws.{name}": value for name, value in values.items()})


def _alone(subject: Subject, flaw: str) -> Subject:
    """Only this flaw, as much as the voicing has of it; as the device class has it where the voicing has none."""
    amount = float(getattr(subject.shown.flaws, flaw))
    return with_flaws(subject, **{flaw: amount if amount >= LEAST_AMOUNT else 1.0})


def _amount(subject: Subject, flaw: str, what: str) -> Claim:
    amount, own = float(getattr(subject.shown.flaws, flaw)), float(getattr(subject.original.flaws, flaw))
    if own < LEAST_AMOUNT:
        return Claim(
            "flaws.absent",
            "The voicing has hardly any of this flaw ({own:.3g}); here it is at {amount:.3g}, as the device class has "
            "it. {what}",
            {"amount": amount, "own": own, "what": what},
        )  # fmt: skip
    return Claim(
        "flaws.amount",
        "Only this flaw, at the voicing's amount of {amount:.3g} (1: as the device class has it). {what}",
        {"amount": amount, "what": what},
    )  # fmt: skip


def _transfer_loss(subject: Subject) -> tuple[Claim, ...]:
    circuit = subject.circuit
    f_hz = float(min(half_power_hz(circuit.reconstruction), 0.45 * circuit.clock_hz))
    clock_hz = np.array(circuit.clock_hz)
    loss = circuit.line.transfer_loss_at(clock_hz)
    lost_db = -float(decibels(transfer_gain(circuit.line.stages, loss, np.array(2 * np.pi * f_hz) / clock_hz)))
    what = "A little of each charge stays behind at each transfer and blurs the signal."
    return (_amount(subject, "transfer_loss", what), Claim(
        "flaws.transfer_loss", "One pass loses {lost_db:.2f} dB at {f_hz:.0f} Hz by it.",
        {"lost_db": lost_db, "f_hz": f_hz},
    ))  # fmt: skip


def _saturation(subject: Subject) -> tuple[Claim, ...]:
    f_hz = float(np.clip(subject.circuit.loudest_hz(subject.circuit.clock_hz), 100, 1000))
    percent, bare_percent = (
        100 * probes.distortion(one.circuit, f_hz, DISTORTED_V) for one in (subject, with_flaws(subject))
    )
    what = "A bucket limits softly and unevenly."
    return (_amount(subject, "saturation", what), Claim(
        "flaws.saturation",
        "The echo of a {f_hz:.0f} Hz tone at {level_v:.3g} V rms has {percent:.2f} % THD+N, and {bare_percent:.2f} % "
        "without this flaw.",
        {"f_hz": f_hz, "level_v": DISTORTED_V, "percent": percent, "bare_percent": bare_percent},
    ))  # fmt: skip


def _leakage(subject: Subject) -> tuple[Claim, ...]:
    circuit = subject.circuit
    clock_hz = np.array(circuit.clock_hz)
    wait_s = float(circuit.line.storage_s(clock_hz))
    lost_db = circuit.line.leakage * wait_s / circuit.line.device.leakage_time_s * 20 / np.log(10)
    what = "Charge leaks while it waits, and the bias with it."
    return (_amount(subject, "leakage", what), Claim(
        "flaws.leakage",
        "In {wait_ms:.0f} ms of waiting a sample loses {lost_db:.2f} dB, before the make-up amplifier, and the bias "
        "moves by {shift_mv:.0f} mV.",
        {"wait_ms": 1e3 * wait_s, "lost_db": float(lost_db),
         "shift_mv": 1e3 * float(circuit.line.bias_shift_v(clock_hz))},
    ))  # fmt: skip


def _on_silence(subject: Subject, flaw: str, phrases_lufs: float, gain: float) -> Snippet:
    """Nothing but this flaw at the output, with no input, raised to a set loudness."""
    alone = _alone(subject, flaw)
    clock_hz = alone.circuit.clock_hz
    what = "Each device and each transfer adds hiss."
    if flaw == "clock_bleed":
        what = "The clock gets through to the output."
        if clock_hz > HIGHEST_HZ:
            reason = f"a clock of {clock_hz / 1e3:.1f} kHz is not heard"
            alone = slow_clock(alone, SLOWED_HZ, reason)
    silence = np.zeros(int((SETTLE_S + alone.circuit.time_s + SILENCE_S) * probes.RATE_HZ))
    y = probes.played(alone.circuit, silence)[-int(SILENCE_S * probes.RATE_HZ) :]
    rms_v = float(np.std(y))
    raised = 10 ** ((phrases_lufs + SILENCE_LU - _loudness(y)) / 20)
    values: dict[str, Any] = {"level_dbv": float(decibels_low(rms_v)), "raised_db": float(decibels_low(raised / gain))}
    silent = Claim(
        f"flaws.{flaw}",
        "On silence, raised by {raised_db:.0f} dB against the phrases: it is at {level_dbv:.0f} dBV at the output.",
        values,
    )
    whine = Claim("flaws.clock", "The clock is at {clock_hz:.0f} Hz.", {"clock_hz": alone.circuit.clock_hz})
    claims = (_amount(alone, flaw, what), silent, *((whine,) if flaw == "clock_bleed" else ()))
    name = flaw.replace("_", "-")
    return Snippet(f"only-{name}", f"only {flaw.replace('_', ' ')}, on silence", claims, raised * y, alone)


def decibels_low(level: float) -> float:
    """20 log10, -400 dB at least: what an expander leaves of silence is far below -180 dB."""
    return 20 * float(np.log10(max(level, 1e-20)))


def _loudness(y: Array) -> float:
    """Loudness of a sound of any level, LUFS: the gate of the standard is for sounds near full scale."""
    highest = float(np.abs(y).max())
    return loudness_lufs(0.5 * y / highest, probes.RATE_HZ) + decibels_low(2 * highest)


def _played(name: str, title: str, subject: Subject, x: Array, claims: tuple[Claim, ...]) -> Snippet:
    return Snippet(name, title, claims, probes.played(subject.circuit, x), subject)


def _louder(snippet: Snippet, gain: float) -> Snippet:
    return Snippet(snippet.name, snippet.title, snippet.claims, gain * snippet.samples, snippet.subject)


def ideal_delay(subject: Subject, x: Array) -> Array:
    """The dry sound and exact copies of it, each weaker by the loop gain than the one before, V."""
    circuit = subject.circuit
    frames, loop_gain = round(circuit.time_s * probes.RATE_HZ), circuit.loop_gain(circuit.clock_hz)
    wet = np.zeros_like(x)
    for start in range(frames, x.size, frames):
        piece = slice(start, min(start + frames, x.size))
        before = slice(start - frames, piece.stop - frames)
        wet[piece] = x[before] + loop_gain * wet[before]
    mixer = circuit.mixer
    return np.asarray(mixer.level_gain * (mixer.dry_gain * x + mixer.wet_gain * wet))
