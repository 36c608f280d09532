"""Runaway, and how it ends: a loop past its edge, what holds it, another time, and the feedback pulled back."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from voicer.circuit import Circuit
from voicer.circuit.tails import find_peak
from voicer.drawing.paper import GUIDE, INK
from voicer.dsp.coefficients import echo_coefficients
from voicer.dsp.echo import Echo
from voicer.errors import CircuitError, VoicingError
from voicer.explain.chapter import TEXT, Array, Chapter, Omission
from voicer.explain.claims import Claim, Subject, with_echo
from voicer.measure import probes
from voicer.measure.bench import shipped_riff
from voicer.voicing import parameter

OWN_GAIN = 1.02
"""A voicing whose loop gain peaks above this shows its own runaway; another one is given more feedback."""

GIVEN_GAIN = 1.2
"""Loop gain of a copy at its long end."""

PULLED_GAIN = 0.5
"""Loop gain in the end."""

STARTED_S, OTHER_S, END_S = 0.5, 6.0, 4.0
"""How much of the riff starts it, and how long the second and third part last."""

GROWTH_DB, SHORTEST_S, LONGEST_S = 60.0, 8.0, 14.0
"""The first part lasts as long as this growth takes, within limits."""

STEADY_DB_S = 0.5
"""A level that moves slower than this is called steady. Chosen."""

SLOPE_S = 2.0
"""At the end of each part its slope is read over this, or over four windows where that is longer."""

SILENT_DBV = -100.0
"""A loop that falls below this has died away. Chosen."""

HOLDS_DB = 1.0
"""A stage without which the loop would be this much louder is said to hold it. Chosen."""

_FLOOR_DBV, _BLOCK = -140.0, 64

STAGES: dict[str, Callable[[Circuit], Circuit]] = {
    "the line's saturation": lambda circuit: replace(circuit, line=replace(circuit.line, saturation=0.0)),
    "the amplifiers' rails": lambda circuit: replace(circuit, mixer=replace(circuit.mixer, rail_v=1e3)),
}
"""Everything in the circuit that limits a level, and the same circuit without it."""


@dataclass(frozen=True)
class Part:
    """One of the three parts: from when to when, at what time, and how its level ends."""

    begin_s: float
    end_s: float
    circuit: Circuit
    end_dbv: float
    slope_db_s: float
    """At its end."""

    @property
    def loop_gain(self) -> float:
        """At its loudest frequency."""
        return self.circuit.loop_gain(self.circuit.clock_hz)

    @property
    def course(self) -> str:
        """``steady``, ``growing`` or ``falling`` at its end."""
        if abs(self.slope_db_s) < STEADY_DB_S:
            return "steady"
        return "growing" if self.slope_db_s > 0 else "falling"


@dataclass(frozen=True)
class Runaway(Chapter):
    """Level at the circuit's output over time, before any output ceiling."""

    subject: Subject
    heard: Array
    """V"""
    time_s: Array
    level_dbv: Array
    parts: tuple[Part, ...]
    """Two, or three where the loop does not die away in the second."""
    louder_db: dict[str, float]
    """By stage: how much louder the first part would end without it."""

    name = "runaway"
    title = "Runaway, and how it ends"
    size = (8.0, 4.6)

    @property
    def claims(self) -> tuple[Claim, ...]:
        """How it grows, what holds it, what another time makes of it, and how it ends."""
        first, second = self.parts[:2]
        grow = Claim(
            "runaway.grow",
            "At {time_ms:.4g} ms the loop gain is {gain:.2f}: past the edge. After {end_s:.1f} s the level is "
            "{end_dbv:.1f} dBV and {course}.",
            {"time_ms": 1e3 * first.circuit.time_s, "gain": first.loop_gain, "end_s": first.end_s,
             "end_dbv": first.end_dbv, "course": first.course},
        )  # fmt: skip
        before, after = first.circuit.clock_hz, second.circuit.clock_hz
        turn = Claim(
            "runaway.turn",
            "Then the time moves to {time_ms:.4g} ms: the clock goes from {before_khz:.1f} to {after_khz:.1f} kHz, the "
            "loop gain from {gain:.2f} to {other_gain:.2f}. {seconds:.0f} s later the level is {end_dbv:.1f} dBV and "
            "{course}.",
            {"time_ms": 1e3 * second.circuit.time_s, "before_khz": before / 1e3, "after_khz": after / 1e3,
             "gain": first.loop_gain, "other_gain": second.loop_gain, "seconds": second.end_s - second.begin_s,
             "end_dbv": second.end_dbv, "course": second.course},
        )  # fmt: skip
        return (grow, *self._held(), turn, *self._pulled_back())

    def _pulled_back(self) -> tuple[Claim, ...]:
        return tuple(
            Claim(
                "runaway.end",
                "At {begin_s:.1f} s the feedback is pulled back to a loop gain of {gain:.2f}; {seconds:.0f} s later "
                "the level is {end_dbv:.1f} dBV.",
                {"begin_s": part.begin_s, "gain": part.loop_gain, "seconds": part.end_s - part.begin_s,
                 "end_dbv": part.end_dbv},
            )
            for part in self.parts[2:]
        )  # fmt: skip

    def _held(self) -> tuple[Claim, ...]:
        if self.parts[0].course != "steady":
            return ()
        holding = {stage: louder for stage, louder in self.louder_db.items() if louder >= HOLDS_DB}
        if not holding:
            largest = max(self.louder_db, key=lambda stage: self.louder_db[stage])
            return (Claim(
                "runaway.shared",
                "No single stage holds it there: without {stage} it would be {louder_db:.1f} dB louder, without any "
                "other less.",
                {"stage": largest, "louder_db": self.louder_db[largest]},
            ),)  # fmt: skip
        ordered = sorted(holding, key=lambda stage: -holding[stage])
        return tuple(
            Claim(
                "runaway.held",
                "What holds it there is {stage}: without it the level would be {louder_db:.1f} dB higher by then."
                if number == 0 else "Without {stage} it would be {louder_db:.1f} dB higher.",
                {"stage": stage, "louder_db": holding[stage]},
            )
            for number, stage in enumerate(ordered)
        )  # fmt: skip

    def draw(self, figure: Any) -> None:
        """Level over time, the three parts marked."""
        axes = figure.subplots()
        axes.plot(self.time_s, self.level_dbv, color=INK)
        top = float(self.level_dbv.max())
        labels = [f"{1e3 * part.circuit.time_s:.4g} ms\nloop gain {part.loop_gain:.2f}" for part in self.parts]
        if self.parts[2:]:
            labels[2] = f"feedback\npulled back\nloop gain {self.parts[2].loop_gain:.2f}"
        for part, label in zip(self.parts, labels, strict=True):
            if part.begin_s:
                axes.axvline(part.begin_s, color=GUIDE, linestyle="--", linewidth=0.8)
            axes.annotate(label, (part.begin_s, top + 26), (4, 0), textcoords="offset points", fontsize=TEXT, va="top")
        axes.set(ylim=(max(_FLOOR_DBV, float(self.level_dbv.min()) - 5), top + 28), xlim=(0, self.parts[-1].end_s))
        axes.set(xlabel="time, s", ylabel="level, dBV", title="at the circuit's output, before the output ceiling")


def demonstrate_runaway(subject: Subject) -> list[Runaway | Omission]:
    """Start a loop past its edge with half a second of the riff, move the time, and pull the feedback back."""
    try:
        return [_run(_started(with_echo(subject)))]
    except (VoicingError, CircuitError) as error:
        return [Omission(Runaway.title, str(error))]


def _started(subject: Subject) -> Subject:
    """The voicing where its loop gain peaks, or a copy with more feedback, at its long end if that can be driven."""
    if subject.shown.repeats.feedback:
        peak = find_peak(subject.circuit)
        if peak.loop_gain > OWN_GAIN:
            time_ms = float(np.clip(round(1e3 * peak.time_s, 2), *_span(subject)))
            return subject.changed({"delay.time_ms": time_ms}, "the time control is where its loop gain peaks")
    at = {"delay.time_ms": subject.shown.delay.longest_ms}
    at_one = subject.changed(at | {"repeats.feedback": 1.0}).circuit
    most = parameter("repeats.feedback").high
    feedback = round(GIVEN_GAIN / at_one.loop_gain(at_one.clock_hz), 3)
    if feedback > most:  # the loop gain at the long end cannot be brought that high: show where it peaks
        feedback = most
        peak = find_peak(subject.changed(at | {"repeats.feedback": most}).circuit)
        at = {"delay.time_ms": float(np.clip(round(1e3 * peak.time_s, 2), *_span(subject)))}
    reason = "its own loop gain stays below the edge" if subject.shown.repeats.feedback < 1 else (
        "its own loop gain is hardly past the edge"
    )  # fmt: skip
    return subject.changed(at | {"repeats.feedback": feedback}, reason)


def _span(subject: Subject) -> tuple[float, float]:
    return subject.shown.delay.shortest_ms, subject.shown.delay.longest_ms


def _run(subject: Subject) -> Runaway:
    first = subject.circuit
    second = replace(first, time_s=_other_time_s(first))
    pulled = PULLED_GAIN / second.loop_gain(second.clock_hz) * second.mixer.feedback_gain
    third = replace(second, mixer=replace(second.mixer, feedback_gain=pulled))
    growth_db_s = 20 * np.log10(first.loop_gain(first.clock_hz)) / first.time_s
    turn_s = float(np.clip(GROWTH_DB / max(growth_db_s, 0.1), SHORTEST_S, LONGEST_S)) + STARTED_S
    window_s = max(0.05, first.time_s, second.time_s)
    ends_s = [float(end_s) for end_s in np.cumsum([turn_s, max(OTHER_S, 6 * window_s), max(END_S, 4 * window_s)])]
    y = _play([(first, ends_s[0]), (second, ends_s[1]), (third, ends_s[2])])
    time_s, level_dbv = _levels(y, window_s)
    begins_s = [0.0, *ends_s[:2]]
    parts = [
        _part(begin_s, end_s, circuit, time_s, level_dbv, window_s)
        for begin_s, end_s, circuit in zip(begins_s, ends_s, (first, second, third), strict=True)
    ]
    if parts[1].course == "falling" or parts[1].end_dbv < SILENT_DBV:
        parts = parts[:2]
        y, kept = y[: int(ends_s[1] * probes.RATE_HZ)], time_s + window_s / 2 <= ends_s[1]
        time_s, level_dbv = time_s[kept], level_dbv[kept]
    louder = {stage: _louder_db(y, without(first), turn_s, window_s) for stage, without in _stages(first).items()}
    return Runaway(subject, y, time_s, level_dbv, tuple(parts), louder)


def _part(
    begin_s: float, end_s: float, circuit: Circuit, time_s: Array, level_dbv: Array, window_s: float
) -> Part:
    """What became of the level in a part."""
    inside = (time_s - window_s / 2 >= begin_s - 1e-6) & (time_s + window_s / 2 <= end_s + 1e-6)
    last = inside & (time_s > end_s - max(SLOPE_S, 4 * window_s))
    slope = float(np.polyfit(time_s[last], level_dbv[last], 1)[0]) if last.sum() > 1 else 0.0
    return Part(begin_s, end_s, circuit, float(level_dbv[inside][-1]), slope)


def _stages(circuit: Circuit) -> dict[str, Callable[[Circuit], Circuit]]:
    """What can limit a level in this circuit."""
    found = dict(STAGES)
    if circuit.mixer.limiter is not None:
        found["the limiter in the loop"] = lambda one: replace(one, mixer=replace(one.mixer, limiter=None))
    return found


def _other_time_s(circuit: Circuit) -> float:
    """The short end, or the long one for a circuit that stands near the short one."""
    near = circuit.time_s < 1.2 * circuit.shortest_s
    return circuit.longest_s if near else circuit.shortest_s


def _play(parts: list[tuple[Circuit, float]]) -> Array:
    """Half a second of the riff through circuits in turn, each until a time, V."""
    y = np.zeros(int(parts[-1][1] * probes.RATE_HZ) // _BLOCK * _BLOCK)
    started = int(STARTED_S * probes.RATE_HZ)
    y[:started] = shipped_riff()[:started]
    echo, at = Echo(echo_coefficients(parts[0][0], probes.RATE_HZ), probes.RATE_HZ), 0
    for number, (circuit, until_s) in enumerate(parts):
        if number:
            echo.glide_to(echo_coefficients(circuit, probes.RATE_HZ))
        until = int(until_s * probes.RATE_HZ) // _BLOCK * _BLOCK
        echo.process(y[at:until], y[at:until])
        at = until
    return y


def _levels(y: Array, window_s: float) -> tuple[Array, Array]:
    """Rms level of windows that each hold a whole repeat, dBV, and the middle of each, s."""
    size = int(window_s * probes.RATE_HZ)
    mean = np.mean(y[: y.size // size * size].reshape(-1, size) ** 2, axis=1)
    return (np.arange(mean.size) + 0.5) * size / probes.RATE_HZ, 10 * np.log10(mean + 10 ** (_FLOOR_DBV / 10))


def _louder_db(y: Array, without: Circuit, end_s: float, window_s: float) -> float:
    """How much louder the first part ends without a stage, dB."""
    frames, size = int(end_s * probes.RATE_HZ) // _BLOCK * _BLOCK, int(window_s * probes.RATE_HZ)
    other = _play([(without, end_s)])[:frames]
    levels = [float(np.mean(one[frames - size : frames] ** 2)) for one in (y, other)]
    return 10 * float(np.log10((levels[1] + 1e-20) / (levels[0] + 1e-20)))
