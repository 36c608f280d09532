"""Every figure of a circuit, predicted from its closed form and measured through the kernel, side by side."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from importlib.resources import as_file
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from voicer.circuit.circuit import Circuit
from voicer.circuit.compander import UNITY_RMS_V, attack_s, recovery_s
from voicer.circuit.figure import Figure
from voicer.circuit.filters import gain, half_power_hz
from voicer.circuit.tails import Tail, find_peak, predict_tails
from voicer.errors import FileError
from voicer.files.recording import at_rate, read
from voicer.files.resources import assets
from voicer.measure import predict, probes
from voicer.measure.meters import (
    Weighting,
    a_weighting_db,
    centroid_hz,
    itu_468_db,
    loudness_lufs,
    tone_level,
    weighted_rms,
)
from voicer.measure.tails import measure_db_per_repeat, measured_repeats

Array = NDArray[np.float64]

RESPONSE_DB, NOISE_DB, FOLD_DB, DECAY_DB, EDGE, CENTS, FRAMES = 0.3, 1.0, 0.5, 0.5, 0.01, 2.0, 1.0
"""How far measured and predicted may lie apart: levels, dB; edge as a fraction; cents; the delay in frames."""

SHOWN_HZ = (100.0, 200.0, 400.0, 800.0, 1600.0, 3150.0, 6300.0, 12_500.0)
FOLDED_AT = (0.62, 0.8, 1.15)
"""Tones above half the clock, as shares of the clock."""

HIGHEST_TONE_HZ = 20_000.0
FLOOR_DB = -50.0
"""Responses below are not judged: folding and rounding weigh more there."""

REPEATS = 5
TESTED_GAIN = 0.5
"""The loop is measured with its gain brought to this; the figure is then brought back."""

LEAST_SEND_S = 0.005
"""Shorter averagings are over before an envelope can be read."""

MOST_CENTS = 200.0
"""Deviations beyond are told, not judged."""

GROWTH_DB, SHORTEST_GROWTH_S, LONGEST_GROWTH_S = 200.0, 40.0, 300.0
"""How much a loop may grow before it must have settled, and how long that may take."""

LEAST_POINTS = 40
"""Frequencies a delay must be read from to be judged."""

LEAST_PERIODS = 25
"""A repeat must hold so many periods of a tone for its level to be read."""

LEVELS_V = (0.1, 0.3, UNITY_RMS_V, 1.5)


@dataclass(frozen=True)
class Reading(Figure):
    """One figure, predicted and measured."""

    predicted: float | None
    measured: float | None
    tolerance: float | None = None
    """Largest difference let pass, in the figure's unit; None where only one of the two is known."""

    @property
    def difference(self) -> float | None:
        """Measured less predicted."""
        return None if self.predicted is None or self.measured is None else self.measured - self.predicted

    @property
    def ok(self) -> bool | None:
        """Within tolerance; None where nothing is to be compared."""
        if self.difference is None or self.tolerance is None:
            return None
        return bool(abs(self.difference) <= self.tolerance)


def shipped_riff() -> Array:
    """The shipped riff at the bench's rate, its peak at half a volt."""
    with as_file(assets() / "riff.flac") as path:
        x, rate_hz = read(path)
    x = at_rate(x, rate_hz, probes.RATE_HZ)
    return np.asarray(0.5 * x / np.abs(x).max())


class Bench:
    """A circuit under measurement; what several figures need is rendered once."""

    def __init__(self, circuit: Circuit, volts_per_unit: float = 1.0, guitar: Path | None = None) -> None:
        self.circuit, self.volts_per_unit = circuit, volts_per_unit
        self._guitar = guitar
        self._folded: dict[float, tuple[float, float]] = {}
        grid = np.geomspace(30.0, min(0.45 * circuit.clock_hz, HIGHEST_TONE_HZ), 160)
        self.loudest_hz = float(np.clip(circuit.loudest_hz(circuit.clock_hz), grid[0], grid[-1]))
        """Where the loop is loudest."""
        self.f_hz: Array = np.union1d(grid, [self.loudest_hz])

    def repeats_settle(self, f_hz: float) -> bool:
        """Whether a repeat lasts long enough for a tone's level in it to be read, the compander settled."""
        time_s, compander = self.circuit.time_s, self.circuit.compander
        return time_s * f_hz > LEAST_PERIODS and (not compander.enabled or time_s > 4 * float(compander.send_s))

    @property
    def wide_open(self) -> bool:
        """Filters that hardly hold back the clock itself: what a repeat folds is then as strong as what it is."""
        circuit, at = self.circuit, np.array(self.circuit.clock_hz)
        return bool(gain(circuit.anti_alias, at) * gain(circuit.reconstruction, at) > 0.5)

    @cached_property
    def guitar(self) -> Array:
        """The recording given, or the shipped riff, its peak at half a volt; `FileError` for a silent one."""
        if self._guitar is None:
            return shipped_riff()
        x, rate_hz = read(self._guitar)
        if not np.abs(x).max() > 0:
            raise FileError("the recording must not be silent", where=str(self._guitar), remedy="give another")
        x = at_rate(x, rate_hz, probes.RATE_HZ)
        return np.asarray(0.5 * x / np.abs(x).max())

    @cached_property
    def wet(self) -> NDArray[np.complex128]:
        """Measured gain once through the echo, delay in it."""
        return probes.pulse_response(probes.echo_alone(probes.linear(self.circuit)), self.f_hz)

    @cached_property
    def wet_predicted(self) -> NDArray[np.complex128]:
        """The same from the closed form."""
        return predict.wet(self.circuit, self.f_hz)

    @cached_property
    def loop_gains(self) -> Array:
        """Measured gain once round the loop, compander held [shape like ``f_hz``]."""
        held, feedback = predict.held(self.circuit), self.circuit.mixer.feedback_gain
        share = TESTED_GAIN / (feedback * float(held.round_gain(self.f_hz, np.array(held.clock_hz)).max()))
        return np.asarray(np.abs(probes.round_gains(self.circuit, self.f_hz, share)) / share)

    def folded(self, f_hz: float) -> tuple[float, float]:
        """Where a tone comes out, Hz, and its gain."""
        if f_hz not in self._folded:
            self._folded[f_hz] = probes.folded(self.circuit, f_hz)
        return self._folded[f_hz]

    @cached_property
    def silence(self) -> Array:
        """What is heard with nothing going in: noise alone, compander held, V."""
        return probes.silence(predict.held(probes.at_rest(self.circuit)))

    def readings(self, progress: Callable[[float], None] = lambda done: None) -> list[Reading]:
        """All figures."""
        groups = (
            self._delay, self._clock, self._response, self._repeats, self._folding, self._noise, self._distortion,
            self._loop, self._oscillation, self._modulation, self._compander, self._loudness,
        )  # fmt: skip
        found: list[Reading] = []
        for number, group in enumerate(groups, start=1):
            found += list(group())
            progress(number / len(groups))
        return found

    def _delay(self) -> Iterator[Reading]:
        """From the slope of the phase that is left when the closed form is taken away."""
        low = (self.f_hz < 0.3 * self.circuit.clock_hz) & (_decibels(self.wet_predicted) > FLOOR_DB / 2)
        left = np.unwrap(np.angle(self.wet[low] / self.wet_predicted[low]))
        late_s = -float(np.polyfit(2 * np.pi * self.f_hz[low], left, 1)[0])
        time_ms = 1e3 * self.circuit.time_s
        judged = low.sum() >= LEAST_POINTS and not self.wide_open
        tolerance = 1e3 * FRAMES / probes.RATE_HZ if judged else None
        yield Reading("delay_ms", "delay", "ms", time_ms, time_ms + 1e3 * late_s, tolerance)

    def _clock(self) -> Iterator[Reading]:
        yield Reading("clock_hz", "clock", "Hz", self.circuit.clock_hz, None)
        yield Reading("half_clock_hz", "half the clock", "Hz", self.circuit.clock_hz / 2, None)
        quiet = replace(predict.held(self.circuit), lfo=replace(self.circuit.lfo, deviation=0.0))
        quiet = replace(quiet, line=replace(quiet.line, noise=0.0))
        predicted_v, measured_v = predict.residue_v(quiet), None
        if quiet.line.clock_bleed and quiet.clock_hz < 0.45 * probes.FAST_RATE_HZ:
            y = probes.silence(quiet, 0.25, probes.FAST_RATE_HZ)
            measured_v = tone_level(y, probes.FAST_RATE_HZ, quiet.clock_hz)
        if predicted_v:
            yield Reading(
                "clock_residue_db", "clock left at the output, compander held", "dBV", _db(predicted_v),
                None if measured_v is None else _db(measured_v), NOISE_DB if predicted_v > 1e-6 else None,
            )  # fmt: skip

    def _response(self) -> Iterator[Reading]:
        for f_hz in SHOWN_HZ:
            if f_hz <= self.f_hz[-1]:
                predicted, measured = (self._at(gain, f_hz) for gain in (self.wet_predicted, self.wet))
                tolerance = RESPONSE_DB if predicted > FLOOR_DB else None
                yield Reading(f"wet_{f_hz:g}hz_db", f"echo at {f_hz:g} Hz", "dB", predicted, measured, tolerance)
        judged = _decibels(self.wet_predicted) > FLOOR_DB
        worst = float(np.max(np.abs(_decibels(self.wet[judged] / self.wet_predicted[judged]))))
        label = f"response up to {self.f_hz[judged][-1]:.0f} Hz, largest difference"
        yield Reading("response_worst_db", label, "dB", 0.0, worst, RESPONSE_DB)
        edges = [predict.corners_hz(self.f_hz, np.abs(gain)) for gain in (self.wet_predicted, self.wet)]
        for side, name in enumerate(("low", "high")):
            at = edges[0][side]
            yield Reading(f"wet_{name}_hz", f"echo, -3 dB at the {name} end", "Hz", at, edges[1][side], 0.03 * at)

    def _repeats(self) -> Iterator[Reading]:
        """Each repeat is one more pass; its width, and where its power lies on a guitar."""
        bare, y = probes.echo_alone(probes.linear(self.circuit)), self.guitar
        heard = probes.echo_alone(self.circuit)
        again = predict.held(self.circuit).round_gain(self.f_hz, np.array(self.circuit.clock_hz))
        for number, measured in enumerate(probes.pass_responses(bare, self.f_hz, REPEATS), start=1):
            closed = np.abs(self.wet_predicted) * again ** (number - 1)
            widths = [predict.corners_hz(self.f_hz, np.abs(one))[1] for one in (closed, measured)]
            label = f"repeat {number}, -3 dB at the high end"
            tolerance = 0.03 * widths[0] if number == 1 or not self.wide_open else None
            yield Reading(f"repeat_{number}_high_hz", label, "Hz", widths[0], widths[1], tolerance)
            y = probes.played(heard, y)
            label = f"repeat {number}, centre of the guitar's power"
            yield Reading(f"repeat_{number}_centroid_hz", label, "Hz", None, centroid_hz(y, probes.RATE_HZ))

    def _folding(self) -> Iterator[Reading]:
        clock_hz = self.circuit.clock_hz
        for at in FOLDED_AT:
            f_hz = at * clock_hz
            predicted = predict.folded_gain(self.circuit, f_hz) if f_hz < HIGHEST_TONE_HZ else 0.0
            if _db(predicted) < FLOOR_DB:
                continue
            out_hz = predict.folded_hz(f_hz, clock_hz)
            found_hz, share = self.folded(f_hz)
            key, label = f"fold_{at:g}", f"tone at {f_hz:.0f} Hz ({at:g} of the clock)"
            yield Reading(f"{key}_hz", f"{label} comes out at", "Hz", out_hz, found_hz, 2.0)
            yield Reading(f"{key}_db", f"{label} comes out with", "dB", _db(predicted), _db(share), FOLD_DB)

    def _noise(self) -> Iterator[Reading]:
        quiet = probes.at_rest(self.circuit)
        if not quiet.line.noise:
            return
        grid = np.arange(2.5, HIGHEST_TONE_HZ, 5.0)
        flat_v = predict.noise_rms_v(quiet, np.zeros(grid.size), grid)
        held = self.silence
        kinds = [("", "compander held, ", held, 1.0)]
        if quiet.compander.enabled:
            kinds.append(("companded_", "", probes.silence(quiet), predict.expander_gain(quiet, flat_v)))
        for key, how, y, share in kinds:
            weighted: tuple[tuple[Weighting, Array], ...] = (("A", a_weighting_db(grid)), ("468", itu_468_db(grid)))
            for name, curve in weighted:
                predicted = _db(share * predict.noise_rms_v(quiet, curve, grid))
                measured = _db(weighted_rms(y, probes.RATE_HZ, name))
                label = f"noise, {how}weighted {name}"
                yield Reading(f"noise_{key}{name.lower()}_db", label, "dBV", predicted, measured, NOISE_DB)
            ratio = _db(UNITY_RMS_V) - _db(share * predict.noise_rms_v(quiet, a_weighting_db(grid), grid))
            measured = _db(UNITY_RMS_V) - _db(weighted_rms(y, probes.RATE_HZ, "A"))
            label = f"0.775 V to noise, {how}weighted A"
            yield Reading(f"signal_to_noise_{key}db", label, "dB", ratio, measured, NOISE_DB)

    def _distortion(self) -> Iterator[Reading]:
        f_hz = float(np.clip(self.loudest_hz, 100, 1000))
        for level_v in LEVELS_V:
            percent = 100 * probes.distortion(self.circuit, f_hz, level_v)
            key, label = f"thd_n_{level_v:g}v_percent", f"THD+N at {f_hz:.0f} Hz, {level_v:g} V rms"
            yield Reading(key, label, "%", None, percent)
        low, high = 0.01, 3.0
        if probes.distortion(self.circuit, f_hz, low) > 0.01:
            return
        for _ in range(7):
            middle = float(np.sqrt(low * high))
            low, high = (middle, high) if probes.distortion(self.circuit, f_hz, middle) < 0.01 else (low, middle)
        yield Reading("headroom_1_percent_v", "level at 1 % THD+N", "V rms", None, float(np.sqrt(low * high)))

    def _loop(self) -> Iterator[Reading]:
        circuit, at = self.circuit, self.loudest_hz
        held = predict.held(circuit)
        gain_once = float(held.round_gain(np.array([at]), np.array(circuit.clock_hz))[0])
        feedback = circuit.mixer.feedback_gain or TESTED_GAIN / gain_once
        share = TESTED_GAIN / (gain_once * feedback)
        tested = replace(circuit, mixer=replace(circuit.mixer, feedback_gain=feedback))
        if circuit.mixer.feedback_gain:
            measured = float(np.interp(at, self.f_hz, self.loop_gains)) / feedback
        else:
            measured = float(np.abs(probes.round_gains(tested, np.array([at]), share))[0]) / share / feedback
        label = f"feedback gain at the edge, compander held, {at:.0f} Hz"
        yield Reading("edge_held", label, "", 1 / gain_once, 1 / measured, None if self.wide_open else EDGE / gain_once)
        if not circuit.mixer.feedback_gain:
            return
        here, silent = circuit.loop_gain(circuit.clock_hz), circuit.loop_gain_in_silence(circuit.clock_hz)
        yield Reading("loop_gain", "loop gain here, the edge is 1", "", here, None)
        if circuit.compander.enabled:
            tolerance = None if self.wide_open else EDGE * silent
            label = "loop gain here in silence, the edge is 1"
            passed = np.abs(self.wet) > 0.1 * np.abs(self.wet).max()  # elsewhere the quotient of two responses is noise
            heard = float(self.loop_gains[passed].max() * circuit.compander.silence_gain)
            yield Reading("loop_gain_in_silence", label, "", silent, heard, tolerance)
        yield from self._decay(at)
        yield from self._tails()

    def _tails(self) -> Iterator[Reading]:
        """Where the loop gain peaks over the span of the time control, and the tails at its ends and middle."""
        peak = find_peak(self.circuit)
        measured_db = measure_db_per_repeat(self.circuit, peak)
        measured = None if measured_db is None else float(10 ** (measured_db / 20))
        label = f"loop gain at its peak, {1e3 * peak.time_s:.4g} ms and {peak.f_hz:.0f} Hz"
        tolerance = peak.loop_gain * (10 ** (self._tail_db(peak) / 20) - 1)
        judged = None if self.wide_open else tolerance
        yield Reading("loop_gain_peak", label, "", peak.loop_gain, measured, judged)
        for key, tail in zip(("shortest", "middle", "longest"), predict_tails(self.circuit), strict=True):
            measured = measure_db_per_repeat(self.circuit, tail)
            label, within = f"tail at {1e3 * tail.time_s:.4g} ms", None if self.wide_open else self._tail_db(tail)
            yield Reading(f"tail_{key}_db", f"{label}, per repeat", "dB", tail.db_per_repeat, measured, within)
            per_s = None if measured is None else measured / tail.time_s
            within = None if within is None else within / tail.time_s
            yield Reading(f"tail_{key}_db_s", f"{label}, per second", "dB/s", tail.db_per_s, per_s, within)

    @staticmethod
    def _tail_db(tail: Tail) -> float:
        """How far measured and predicted may differ per repeat, dB."""
        return DECAY_DB / measured_repeats(tail)

    def _decay(self, at: float) -> Iterator[Reading]:
        """Level lost per repeat, with the compander settled: only where a repeat is long enough for that."""
        circuit = self.circuit
        predicted = predict.decay_db(circuit, at, circuit.mixer.feedback_gain)
        measured = None
        if self.repeats_settle(at) and predicted < 0:
            first, second = probes.repeat_levels(circuit, at, 2)
            measured = _db(second / first)
        yield Reading("decay_db", f"level from repeat to repeat at {at:.0f} Hz", "dB", predicted, measured, DECAY_DB)
        if predicted < -0.01:
            times = [60 * circuit.time_s / -one if one is not None else None for one in (predicted, measured)]
            known = None if times[1] is None else DECAY_DB / -predicted * float(times[0] or 0)
            yield Reading("t60_s", "time to -60 dB", "s", times[0], times[1], known)

    def _oscillation(self) -> Iterator[Reading]:
        gain_once = self.circuit.loop_gain(self.circuit.clock_hz)
        if gain_once <= 1:
            return
        repeats = GROWTH_DB / (20 * np.log10(gain_once))
        seconds = float(np.clip(repeats * self.circuit.time_s, SHORTEST_GROWTH_S, LONGEST_GROWTH_S))
        found = probes.self_oscillation(self.circuit, seconds)
        level_v, f_hz = found or (None, None)
        yield Reading("oscillation_v", "self-oscillation settles at", "V rms", None, level_v)
        yield Reading("oscillation_hz", "self-oscillation's strongest pitch", "Hz", None, f_hz)

    def _modulation(self) -> Iterator[Reading]:
        if not self.circuit.lfo.deviation:
            return
        f_hz = float(np.clip(self.loudest_hz, 200, 800))
        predicted, measured = predict.cents_over_time(self.circuit)[1], probes.cents_over_time(self.circuit, f_hz)[1]
        cutoffs = (half_power_hz(self.circuit.anti_alias), half_power_hz(self.circuit.reconstruction))
        # a filter that cuts into the tone's side bands changes its deviation; very wide ones blur where it is read
        passes = min(cutoffs) > 2.5 * f_hz and float(np.abs(predicted).max()) < MOST_CENTS
        for name, of in (("lowest", np.min), ("highest", np.max)):
            both = float(of(predicted)), float(of(measured))
            yield Reading(f"cents_{name}", f"pitch, {name}", "cents", *both, CENTS if passes else None)

    def _compander(self) -> Iterator[Reading]:
        compander = self.circuit.compander
        if not compander.enabled:
            return
        send_s = float(compander.send_s)
        measured = probes.compressor_times_s(send_s)
        for key, closed, found_s in (("attack", attack_s, measured[0]), ("recovery", recovery_s, measured[1])):
            time_ms = 1e3 * closed(send_s)
            label = f"compressor's {key}, 12 dB step"
            resolved = send_s >= LEAST_SEND_S
            tolerance = max(0.05 * time_ms, 0.1) if resolved else None
            yield Reading(f"{key}_ms", label, "ms", time_ms, 1e3 * found_s if resolved else None, tolerance)

    def _loudness(self) -> Iterator[Reading]:
        wet = probes.played(probes.echo_alone(self.circuit), self.guitar)
        for key, label, y in (("dry", "the guitar, dry", self.guitar), ("wet", "the guitar, one repeat alone", wet)):
            value = loudness_lufs(y / self.volts_per_unit, probes.RATE_HZ)
            yield Reading(f"loudness_{key}_lufs", label, "LUFS", None, value if np.isfinite(value) else None)

    def _at(self, gain: NDArray[np.complex128], f_hz: float) -> float:
        return float(np.interp(np.log(f_hz), np.log(self.f_hz), _decibels(gain)))


def as_json(readings: list[Reading]) -> dict[str, dict[str, Any]]:
    """By key: label, unit, predicted, measured, tolerance, ok."""
    return {
        one.key: {"label": one.label, "unit": one.unit, "predicted": _plain(one.predicted),
                  "measured": _plain(one.measured), "tolerance": _plain(one.tolerance), "ok": one.ok}
        for one in readings
    }  # fmt: skip


def _plain(value: float | None) -> float | None:
    return None if value is None else float(value)


def _db(value: float) -> float:
    return float(20 * np.log10(max(value, 1e-12)))


def _decibels(gain: NDArray[Any]) -> Array:
    return np.asarray(20 * np.log10(np.maximum(np.abs(gain), 1e-12)))
